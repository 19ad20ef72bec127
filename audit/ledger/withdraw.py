"""Taking back what was recorded of a restoration on one day: rows that supersede, and the reason.

Notes
-----
A practice folder corrects a day by listing it anew. A visit entered under a wrong date has no row left that could say so: it is taken
back by name. Nothing is removed; the earlier rows stay, followed by rows that are `withdrawn`.
"""

from __future__ import annotations

from sqlalchemy import Connection

from audit.errors import LedgerError
from audit.ledger.append import add, add_all
from audit.ledger.entries import current_entries, withdraw_entry
from audit.ledger.history import current_rows
from audit.ledger.schema import CLINICAL, withdrawals

__all__ = ["withdraw_day"]


def withdraw_day(connection: Connection, code: str, on: str, reason: str) -> int:
    """Withdraw every visit, finding, grade, event and photo of one day; the number of rows that no longer count.

    Parameters
    ----------
    connection : Connection
        In a transaction that writes.
    code : str
        Of the restoration.
    on : str
        ISO 8601 date under which the visit was entered.
    reason : str
        Why, for whoever reads the ledger later.

    Raises
    ------
    LedgerError
        No reason, or nothing of that day counts now.
    """
    if not reason.strip():
        raise LedgerError(
            "reason must say why the day is withdrawn; got nothing.", "Say it in a few words, as 'wrong date, see 2021-03-04'."
        )
    count = 0
    for table in CLINICAL:
        if "on_date" in table.c:
            rows = [row for row in current_rows(connection, table, code) if row.on_date == on]
            content = [{n: v for n, v in row._mapping.items() if n not in ("id", "recorded_at")} for row in rows]
            add_all(connection, table, [{**row, "withdrawn": True} for row in content])
            count += len(rows)
    shown = [entry for entry in current_entries(connection, code) if entry.on_date == on]
    for entry in shown:
        withdraw_entry(connection, entry, f"Withdrawn: {reason}", "Enter it under the right date.")
    count += len(shown)
    if count == 0:
        raise LedgerError(f"visit must be in the ledger to be withdrawn; got {code} on {on}.", "Check the code and the date in its report.")
    add(connection, withdrawals, {"restoration": code, "on_date": on, "reason": reason.strip()})
    return count
