"""Recall reports on paper: one restoration's as PDF, all of a ledger's beside the pages."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from audit.api.record import tooth_records
from audit.api.reports import report_data, report_of
from audit.report.recall_pdf import recall_pdf
from audit.report.typeset import check_paper

__all__ = ["check_paper", "tooth_pdf", "write_pdfs"]


def tooth_pdf(ledger_url: str, code: str, photo_folder: str | Path, paper: str = "a4") -> bytes:
    """The recall report of one restoration as a PDF of two to four pages (PDF/A-2a and PDF/UA-1).

    Parameters
    ----------
    ledger_url, code : str
    photo_folder : str or Path
        Where the photos lie that its pictures are drawn from.
    paper : {'a4', 'letter'}
    """
    return recall_pdf(report_data(ledger_url, code, photo_folder), paper)


def write_pdfs(
    ledger_url: str, photo_folder: str | Path, out_folder: str | Path, paper: str = "a4",
    progress: Callable[[int, int, str], None] | None = None,
) -> list[Path]:  # fmt: skip
    """One PDF per restoration, named by its code; `progress` is called with (done, total, file) after each."""
    records, written = tooth_records(ledger_url), list[Path]()
    for done, record in enumerate(records, 1):
        path = Path(out_folder) / f"{record.restoration.code}.pdf"
        path.write_bytes(recall_pdf(report_of(record, photo_folder), paper))
        written.append(path)
        if progress is not None:
            progress(done, len(records), path.name)
    return written
