"""The practice at a glance, as a page for itself and as rows for other pages."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path

from audit.analysis.recall_list import recall_list
from audit.api.recalls import bitewing_intervals
from audit.api.record import tooth_records
from audit.core.outcome import ToothRecord
from audit.report.practice_sheet import practice_sheet
from audit.report.sheet import Sheet, sheet_html

__all__ = ["practice_summary", "write_summary"]


def practice_summary(ledger_url: str, today: date | None = None) -> Sheet:
    """This month's recalls and open questions: photographs refused or unmarked, regions nobody confirmed, visits without a grade."""
    on = today or date.today()
    records = tooth_records(ledger_url, on)
    return _sheet(records, bitewing_intervals(ledger_url), on, (), linked=False)


def write_summary(records: Sequence[ToothRecord], ledger_url: str, out_folder: Path, refused: Sequence[str], today: date) -> Path:
    """The page ``summary.html`` beside the reports of the same records."""
    path = out_folder / "summary.html"
    path.write_text(sheet_html(_sheet(records, bitewing_intervals(ledger_url), today, refused, linked=True)), encoding="utf-8")
    return path


def _sheet(records: Sequence[ToothRecord], months: Mapping[str, int], today: date, refused: Sequence[str], *, linked: bool) -> Sheet:
    return practice_sheet(records, recall_list(records, today, months).rows, today.isoformat(), refused=refused, linked=linked)
