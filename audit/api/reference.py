"""The reference in a photo: strips to print, and what a calibration found."""

from __future__ import annotations

import secrets
from pathlib import Path

from audit.errors import RecordError
from audit.report.strip_sheet import PAPERS_MM, strip_sheet_pdf

__all__ = ["write_strip_sheet"]

_LETTERS = "ACDEFHJKLMNPQRTUVWXY34679"  # none that is taken for another when copied by hand


def write_strip_sheet(path: str | Path, paper: str = "a4") -> str:
    """Write a PDF sheet of reference strips; its identity, new with every sheet, is returned.

    Raises
    ------
    RecordError
        Another paper than a4 or letter, or a place that cannot be written.
    """
    if paper not in PAPERS_MM:
        raise RecordError(f"paper must be one of {', '.join(PAPERS_MM)}; got {paper!r}.", "Use --paper a4 or --paper letter.")
    sheet = "".join(secrets.choice(_LETTERS) for _ in range(4))
    try:
        Path(path).write_bytes(strip_sheet_pdf(paper, sheet))
    except OSError as error:
        raise RecordError(f"out must be a place to write to; got {error.strerror} for {Path(path).name}.", "Give another file.") from error
    return sheet
