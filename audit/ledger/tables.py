"""A practice folder's tables into the ledger, and corrections of them.

Notes
-----
A row whose key is there already and which says something else supersedes it. What a folder says of one restoration on one day
is all there is to say of that day: a row that is no longer among them (its surface, stage or kind was corrected, or the line
taken out) is withdrawn by a row that says so. A day that the folder does not mention stays as it was.
"""

from __future__ import annotations

from collections.abc import Mapping, Set
from typing import Any

from sqlalchemy import Connection, Table, select

from audit.core.clinical import CaseFolder
from audit.errors import LedgerError
from audit.ledger.append import add, add_once, supersede
from audit.ledger.entries import current_entries, withdraw_entry
from audit.ledger.rows import folder_rows
from audit.ledger.schema import CLINICAL, cases, refused_rows

__all__ = ["require_cases", "store_tables"]

Day = tuple[str, str]


def store_tables(connection: Connection, folder: CaseFolder) -> None:
    """Add what the folder says and the ledger does not yet; withdraw what it says no longer."""
    for restoration in folder.restorations:
        add_once(connection, cases, {"code": restoration.code})
    tables = folder_rows(folder)
    require_cases(connection, {row["restoration"] for rows in tables.values() for row in rows})
    days = {(row["restoration"], row["on_date"]) for rows in tables.values() for row in rows if "on_date" in row}
    days |= {(photo.restoration, photo.on) for photo in folder.photos}
    for table, rows in tables.items():
        key = CLINICAL[table]
        listed = {tuple(row[name] for name in key): row for row in rows}
        for row in listed.values():
            supersede(connection, table, key, row)
        if "withdrawn" in table.c:
            _withdraw(connection, table, listed, days)
    for code in sorted({code for code, _ in days}):
        files = {photo.file for photo in folder.photos if photo.restoration == code}
        for entry in current_entries(connection, code):
            if entry.file not in files and (code, entry.on_date) in days:
                withdraw_entry(connection, entry)
    for line in folder.refused_rows:
        add_once(connection, refused_rows, {"line": line})


def require_cases(connection: Connection, codes: Set[str]) -> None:
    """Refuse rows of a restoration that is in no table.

    Raises
    ------
    LedgerError
        A code that the ledger does not know.
    """
    unknown = sorted(codes - set(connection.scalars(select(cases.c.code))))
    if unknown:
        raise LedgerError(f"restoration must be in the table of restorations; got {unknown[0]!r}.", "Add its row to the table first.")


def _withdraw(connection: Connection, table: Table, listed: Mapping[tuple[Any, ...], Any], days: Set[Day]) -> None:
    for code in sorted({code for code, _ in days}):
        rows = connection.execute(select(table).where(table.c.restoration == code).order_by(table.c.id))
        latest = {tuple(getattr(row, name) for name in CLINICAL[table]): row for row in rows}
        for key, row in latest.items():
            if not row.withdrawn and key not in listed and (code, row.on_date) in days:
                kept = {name: value for name, value in row._mapping.items() if name not in ("id", "recorded_at")}
                add(connection, table, {**kept, "withdrawn": True})
