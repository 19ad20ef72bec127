"""The club's report, from the merged bundles of its members."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Literal

import pandas as pd

from audit.analysis.club_counts import attendance, case_mix, event_counts, rating_agreement, refusal_counts
from audit.analysis.followed import followed
from audit.analysis.kaplan_meier import kaplan_meier
from audit.analysis.outcome_summary import outcome_summary
from audit.analysis.outcomes import outcome_frame
from audit.analysis.published import published_survival
from audit.api.files import write_whole
from audit.core.clinical import Restoration
from audit.core.outcome import VisitRecord
from audit.errors import AuditError
from audit.exchange.club_records import club_records, years_since_placement
from audit.exchange.club_schema import TABLES
from audit.exchange.club_store import merged_tables
from audit.report.club_sheet import ClubOutcome, ClubReport, club_sheet
from audit.report.sheet import Sheet, sheet_html, sheet_pdf
from audit.report.typeset import check_paper

__all__ = ["club_report", "write_club_report"]

_Records = Sequence[tuple[Restoration, Sequence[VisitRecord]]]


def club_report(club_folder: str | Path) -> Sheet:
    """Attendance and completeness, case mix, survival, complications, members, agreement and refusals of a club, by member code."""
    tables = merged_tables(club_folder)
    columns = {name: ["sender", "bundle", *(column.name for column in TABLES[name])] for name in TABLES}
    frames = {name: pd.DataFrame(rows, columns=columns[name]) for name, rows in tables.items()}
    records, years = club_records(tables), years_since_placement(tables)
    why = ""
    success = in_place = None
    try:
        success, in_place = _outcome(records, "success", years), _outcome(records, "survival", years)
    except AuditError as error:
        why = error.message
    return club_sheet(
        ClubReport(
            Path(club_folder).name,
            attendance(frames),
            case_mix(frames),
            event_counts(frames),
            refusal_counts(frames),
            rating_agreement(frames),
            outcome_frame(),
            published_survival(),
            success,
            in_place,
            why,
            date.today().isoformat(),
        )
    )


def write_club_report(club_folder: str | Path, out_folder: str | Path, paper: str = "a4") -> list[Path]:
    """The club's report as a page and as PDF: ``club.html`` and ``club.pdf``."""
    check_paper(paper)
    sheet, out = club_report(club_folder), Path(out_folder)
    out.mkdir(parents=True, exist_ok=True)
    written = [out / "club.html", out / "club.pdf"]
    for path, content in zip(written, (sheet_html(sheet).encode(), sheet_pdf(sheet, paper)), strict=True):
        write_whole(path, content)
    return written


def _outcome(records: _Records, until: Literal["success", "survival"], years: dict[str, float]) -> ClubOutcome:
    found = outcome_summary(records, until, years, ("design",))
    curve = kaplan_meier(followed(found.followed))
    ends = pd.DataFrame({"years": [0.0, curve.last_year], "survival": [1.0, curve.at(curve.last_year)]})
    points = pd.concat([ends[:1], curve.to_frame()[["years", "survival"]], ends[1:]], ignore_index=True)
    return ClubOutcome(points, found.survival, found.rates, found.members, found.notes)
