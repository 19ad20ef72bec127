"""Who is due, overdue or lost to recall."""

from __future__ import annotations

from datetime import date

from audit.analysis.recall_list import RecallList, recall_list
from audit.api.record import tooth_records
from audit.ledger.store import open_ledger

__all__ = ["recalls"]


def recalls(ledger_url: str, today: date | None = None) -> RecallList:
    """The standing of every restoration of a ledger, those lost and overdue first.

    Parameters
    ----------
    ledger_url : str
    today : date, optional
        The day of the list.
    """
    on = today or date.today()
    records = tooth_records(ledger_url, on)
    with open_ledger(ledger_url, must_exist=True) as ledger:
        months = {record.restoration.code: ledger.recall_months(record.restoration.code, "bitewing") for record in records}
    return recall_list(records, on, {code: count for code, count in months.items() if count is not None})
