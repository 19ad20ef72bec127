"""A printed sheet of reference strips as PDF."""

from __future__ import annotations

import json
from pathlib import Path

import typst

from audit.core.reference_strip import CHECK_MM, HEAD_MM, LENGTH_MM, WIDTH_MM, head_patches

__all__ = ["PAPERS_MM", "strip_png", "strip_sheet_pdf"]

PAPERS_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
STRIP_CAUTIONS = (
    "Never a loose piece in a mouth: hold the strip by its handle all the time.",
    "Single use: one strip, one patient, then discard.",
    "Not sterile: it does not touch wounds.",
    "What is measured supports, and never replaces, the judgement of a licensed clinician. Not a diagnostic device.",
)
_TEMPLATE = Path(__file__).parent / "templates" / "strip.typ"


def strip_sheet_pdf(paper: str, sheet: str) -> bytes:
    """One page of strips to cut out, archival (PDF/A-2a) and tagged (PDF/UA-1).

    Parameters
    ----------
    paper : {'a4', 'letter'}
    sheet : str
        Identity of the sheet, printed on every strip: strips of one sheet share the error of one printing.
    """
    return _one_page(_compiler("sheet", paper, sheet).compile(format="pdf", pdf_standards=["a-2a", "ua-1"]))


def strip_png(sheet: str, ppi: float) -> bytes:
    """A single strip alone, as it is printed, at `ppi` pixels an inch."""
    return _one_page(_compiler("strip", "a4", sheet).compile(format="png", ppi=ppi))


def _compiler(part: str, paper: str, sheet: str) -> typst.Compiler:
    width, height = PAPERS_MM[paper]
    data = {
        "part": part, "paper_mm": [width, height], "sheet": sheet, "length_mm": LENGTH_MM, "width_mm": WIDTH_MM, "head_mm": HEAD_MM,
        "check_mm": CHECK_MM, "cautions": STRIP_CAUTIONS, "patches": [[patch.corners.tolist(), patch.grey] for patch in head_patches()],
    }  # fmt: skip
    return typst.Compiler(_TEMPLATE.read_bytes(), ignore_system_fonts=True, sys_inputs={"data": json.dumps(data)})


def _one_page(made: bytes | list[bytes] | None) -> bytes:
    if not isinstance(made, bytes):
        raise TypeError(f"the sheet must be one page; got {type(made).__name__}")
    return made
