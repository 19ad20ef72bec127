"""A resident's portfolio: chosen cases as one PDF, with the competencies that they show together, and their plates as pictures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from audit import __version__
from audit.core.vocabulary import RADIOGRAPH_VIEWS
from audit.report import words
from audit.report.cautions import CAUTIONS, HOW_TO_READ
from audit.report.competencies import competency_tables
from audit.report.paper_pictures import Files
from audit.report.portfolio_case import PortfolioCase, case_code, case_facts, event_rows, finding_rows, outcome_rows, refused_words, undated
from audit.report.portfolio_plates import case_plates
from audit.report.sources import method_words, references
from audit.report.typeset import check_paper, pdf, plates
from audit.report.written import Written

__all__ = ["PICTURES_LINE", "PLATE_PPI", "Portfolio", "plate_pictures", "portfolio_pdf"]

PLATE_PPI = 300.0
PICTURES_LINE = (
    "Pictures cropped and turned only: nothing in them was retouched, brightened or recoloured. They were resampled to one scale a plate, "
    "and a scale bar was laid over them where the photograph holds a reference."
)
_DEEP_GREY_LINE = "Radiographs of more than 8 bits are shown with their greys spread evenly over what paper can show."


@dataclass(frozen=True)
class Portfolio:
    """What a portfolio holds.

    Parameters
    ----------
    cover : Written
        Under the headings of `audit.report.written.COVER_SECTIONS`.
    cases : tuple of PortfolioCase
        In the order in which they are told.
    purpose : {'teaching', 'publication'}
        For which the patients' consent is on record.
    generated_on : str
        ISO 8601 date.
    """

    cover: Written
    cases: tuple[PortfolioCase, ...]
    purpose: str
    generated_on: str = ""


def portfolio_pdf(portfolio: Portfolio, paper: str = "a4") -> bytes:
    """The portfolio as PDF/A-2a and PDF/UA-1."""
    check_paper(paper)
    files: Files = {}
    cover = {name: portfolio.cover.words[name].strip() for name in ("Title", "Resident", "Programme", "Supervisor")}
    title = cover.pop("Title") or "Case portfolio"
    measurands = {r.measurand for case in portfolio.cases for v in case.record.visits for p in v.photos for r in p.readings}
    data = {
        "paper": paper, "title": title, "code": ", ".join(filter(None, (title, cover["Resident"]))), "software": __version__,
        "generated_on": portfolio.generated_on, "purpose": portfolio.purpose, "cover": cover,
        "foreword": list(portfolio.cover.blocks["Foreword"]), "pictures_line": PICTURES_LINE, "deep_grey_line": _deep_grey(portfolio),
        "cases": [_case(case, files) for case in portfolio.cases], "competencies": competency_tables(portfolio.cases),
        "how_to_read": HOW_TO_READ, "cautions": list(CAUTIONS), "references": references(measurands),
        "methods": [[method, method_words(method)] for method in _methods(portfolio.cases)],
    }  # fmt: skip
    return pdf("portfolio.typ", data, files, portfolio.generated_on)


def plate_pictures(case: PortfolioCase) -> dict[str, bytes]:
    """The plates of a case as PNG pictures of 300 dpi by their names; a plate without any photograph is left out."""
    files: Files = {}
    made = [plate for plate in case_plates(case, files) if any(cell["photo"] for cell in plate["cells"])]
    if not made:
        return {}
    data = {"title": f"Plates of {case_code(case)}", "plates": made}
    pages = plates("plates.typ", data, files, PLATE_PPI)
    return {f"{case_code(case)}-{plate['name']}.png": page for plate, page in zip(made, pages, strict=True)}


def _case(case: PortfolioCase, files: Files) -> dict[str, Any]:
    record = case.record
    return {
        "code": case_code(case), "heading": f"{case_code(case)} · tooth {words.tooth_words(record.restoration)}", "facts": case_facts(case),
        "status": {"word": record.status.word, "words": words.STATUS_TITLES[record.status.word],
                   "sentence": undated(record, record.status.sentence)},
        "written": {name: list(blocks) for name, blocks in case.written.blocks.items()}, "plates": case_plates(case, files),
        "outcomes": outcome_rows(case), "findings": finding_rows(case), "events": event_rows(case), "refused": refused_words(case),
        "attention": [undated(record, sentence) for sentence in record.attention],
        "not_assessed": [undated(record, sentence) for sentence in record.not_assessed],
    }  # fmt: skip


def _methods(cases: Sequence[PortfolioCase]) -> list[str]:
    photos = [photo for case in cases for visit in case.record.visits for photo in visit.photos]
    scales = {photo.calibration.method for photo in photos if photo.calibration is not None}
    return sorted(scales | {reading.method for photo in photos for reading in photo.readings})


def _deep_grey(portfolio: Portfolio) -> str:
    return _DEEP_GREY_LINE if any(tile.view in RADIOGRAPH_VIEWS for case in portfolio.cases for tile in case.tiles) else ""
