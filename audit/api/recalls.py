"""Who is due, overdue or lost to recall."""

from __future__ import annotations

from datetime import date

from audit.analysis.recall_list import RecallList, recall_list
from audit.api.record import tooth_records
from audit.ledger.store import open_ledger

__all__ = ["bitewing_intervals", "recalls"]


def recalls(ledger_url: str, today: date | None = None) -> RecallList:
    """The standing of every restoration of a ledger, those lost and overdue first.

    Parameters
    ----------
    ledger_url : str
    today : date, optional
        The day of the list.
    """
    on = today or date.today()
    return recall_list(tooth_records(ledger_url, on), on, bitewing_intervals(ledger_url))


def bitewing_intervals(ledger_url: str) -> dict[str, int]:
    """Months between bitewings that the clinician set, by restoration; those without are left out."""
    with open_ledger(ledger_url, must_exist=True) as ledger:
        months = {code: ledger.recall_months(code, "bitewing") for code in ledger.codes()}
    return {code: count for code, count in months.items() if count is not None}
