"""A practice folder's tables into the ledger, and corrections of them.

Notes
-----
A row whose key is there already and which says something else supersedes it. What a folder says of one restoration on one day
is all there is to say of that day: a row that is no longer among them (its surface, stage or kind was corrected, or the line
taken out) is withdrawn by a row that says so. A day that the folder does not mention stays as it was. Events stand mostly alone on
their day: where a folder lists every visit that the ledger knows of a restoration, its events are all there are.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Set
from typing import Any

from sqlalchemy import Connection, Row, Table, select

from audit.core.clinical import CaseFolder
from audit.errors import LedgerError
from audit.ledger.append import add_all, add_once, says
from audit.ledger.entries import current_entries, withdraw_entry
from audit.ledger.rows import folder_rows
from audit.ledger.schema import CLINICAL, cases, events, refused_rows, restorations, visits

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
    days |= _event_days_of_whole_histories(connection, days)
    _require_the_same_teeth(connection, folder)
    for table, rows in tables.items():
        _store_table(connection, table, rows, days)
    for code in sorted({code for code, _ in days}):
        files = {photo.file for photo in folder.photos if photo.restoration == code}
        for entry in current_entries(connection, code):
            if entry.file not in files and (code, entry.on_date) in days:
                withdraw_entry(connection, entry)
    for line in folder.refused_rows:
        add_once(connection, refused_rows, {"line": line})


def _require_the_same_teeth(connection: Connection, folder: CaseFolder) -> None:
    """Refuse a restoration of which visits are known and that, in another notation, is now another tooth.

    Raises
    ------
    LedgerError
        The number was most likely written in one notation and read in another; which one is right only the clinician knows.
    """
    codes = {restoration.code for restoration in folder.restorations}
    rows = connection.execute(select(restorations).where(restorations.c.restoration.in_(codes)).order_by(restorations.c.id))
    before = {row.restoration: row for row in rows}
    marks = connection.execute(select(visits).where(visits.c.restoration.in_(codes)).order_by(visits.c.id))
    standing = {(row.restoration, row.on_date, row.stage): row for row in marks}
    seen = {code for (code, _, _), row in standing.items() if not row.withdrawn}
    for now in folder.restorations:
        was = before.get(now.code)
        if was is None or now.code not in seen or was.tooth_notation == now.tooth_notation or was.tooth_iso3950 == now.tooth.iso3950:
            continue
        raise LedgerError(
            f"tooth of {now.code} must stay the tooth it was when its notation changes; got {now.tooth.iso3950} (ISO 3950) from "
            f"{now.tooth_notation or 'no notation'}, recorded was {was.tooth_iso3950} from {was.tooth_notation or 'no notation'}.",
            "Write the notation as before; if that was the mistake, withdraw the days of this restoration first.",
        )


def _event_days_of_whole_histories(connection: Connection, days: Set[Day]) -> set[Day]:
    """Days of known events of the restorations whose visits are all among `days`."""
    known = {(row.restoration, row.on_date) for row in connection.execute(select(visits)) if not row.withdrawn}
    whole = {code for code, _ in days} - {code for code, on in known if (code, on) not in days}
    return {(row.restoration, row.on_date) for row in connection.execute(select(events)) if row.restoration in whole} - known


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


def _store_table(connection: Connection, table: Table, rows: Sequence[Mapping[str, Any]], days: Set[Day]) -> None:
    key = CLINICAL[table]
    listed = {tuple(row[name] for name in key): row for row in rows}
    codes = {row["restoration"] for row in rows} | {code for code, _ in days}
    known = connection.execute(select(table).where(table.c.restoration.in_(codes)).order_by(table.c.id))
    latest = {tuple(getattr(row, name) for name in key): row for row in known}
    added = [row for at, row in listed.items() if not says(latest.get(at), row)]
    if "withdrawn" in table.c:
        gone = (row for at, row in latest.items() if at not in listed and (row.restoration, row.on_date) in days and not row.withdrawn)
        added += [{**_content(row), "withdrawn": True} for row in gone]
    add_all(connection, table, added)


def _content(row: Row[Any]) -> dict[str, Any]:
    return {name: value for name, value in row._mapping.items() if name not in ("id", "recorded_at")}
