"""Adding rows, and what the last of them says."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import Connection, Row, Table, insert, select

from audit.ledger.moment import now

__all__ = ["add", "add_all", "add_once", "latest", "says"]


def add(connection: Connection, table: Table, row: Mapping[str, Any]) -> int:
    """Add a row; its id."""
    key = connection.execute(insert(table).values(recorded_at=now(), **row)).inserted_primary_key
    return int(key[0]) if key else 0


def add_all(connection: Connection, table: Table, rows: Sequence[Mapping[str, Any]]) -> None:
    """Add many rows in their order."""
    if rows:
        at = now()
        connection.execute(insert(table), [{"recorded_at": at, **row} for row in rows])


def add_once(connection: Connection, table: Table, row: Mapping[str, Any]) -> int:
    """Add a row unless one says the same; the id of the one that is there."""
    found = latest(connection, table, row)
    return int(found.id) if found is not None else add(connection, table, row)


def latest(connection: Connection, table: Table, match: Mapping[str, Any]) -> Row[Any] | None:
    """The last row with these values."""
    wanted = select(table).where(*(table.c[name] == value for name, value in match.items()))
    return connection.execute(wanted.order_by(table.c.id.desc()).limit(1)).one_or_none()


def says(row: Row[Any] | None, values: Mapping[str, Any]) -> bool:
    """Whether a row is there and has these values."""
    return row is not None and all(getattr(row, name) == value for name, value in values.items())
