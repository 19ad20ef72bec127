"""A digest over every row and the digest before it: what was changed, taken out or slipped in behind the program's back is found.

Notes
-----
:math:`d_n = \\mathrm{SHA256}(d_{n-1}, \\text{table}, \\text{row})`, the row as JSON of its columns that are not null, numbers to the
last digit and without a negative zero, which not every database keeps. Rows that another program adds are never taken into the chain.
Whoever can rewrite rows *and* chain can make both agree: note the head of the chain elsewhere now and then, and hold the ledger against
it.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, Connection, Row, Table, Text, insert, select, text, type_coerce

from audit.ledger.schema import Json, chain, metadata

__all__ = ["START", "Walk", "as_stored", "extend_chain", "highest_ids", "walk_chain"]

START = "0" * 64
_BATCH = 1000
_CHAINED = tuple(table for table in metadata.sorted_tables if table is not chain)
_HIGHEST = text(" UNION ALL ".join(f"SELECT '{table.name}' AS name, max(id) AS id FROM {table.name}" for table in _CHAINED))


@dataclass(frozen=True)
class Walk:
    """What walking the chain found.

    Parameters
    ----------
    rows : int
        Rows that are as they were when they were added, up to the first that is not.
    head : str
        Digest after the last of them.
    broken : str
        The first row that is not, and what is wrong with it; empty where all is well.
    passed : bool
        Whether the digest that was asked for is in the chain.
    """

    rows: int
    head: str
    broken: str
    passed: bool


def as_stored(table: Table) -> list[ColumnElement[Any]]:
    """Columns of a table, JSON as the text that is stored."""
    return [type_coerce(column, Text).label(column.name) if isinstance(column.type, Json) else column for column in table.columns]


def highest_ids(connection: Connection) -> dict[str, int]:
    """The last row of every table, by its name."""
    return {row.name: row.id or 0 for row in connection.execute(_HIGHEST)}


def extend_chain(connection: Connection, since: Mapping[str, int] | None = None) -> None:
    """Add to the chain every row above these, table by table.

    Parameters
    ----------
    connection : Connection
        In the transaction that added the rows.
    since : mapping of str to int, optional
        `highest_ids` from the start of the transaction; without, every row there is.
    """
    before, after = since or {}, highest_ids(connection)
    digest = connection.scalar(select(chain.c.digest).order_by(chain.c.id.desc()).limit(1)) or START
    for table in _CHAINED:
        links = []
        if after[table.name] > before.get(table.name, 0):
            for row in _rows(connection, table, before.get(table.name, 0)):
                digest = _digest(digest, table, row)
                links.append({"table_name": table.name, "row_id": row.id, "digest": digest, "recorded_at": row.recorded_at})
        if links:
            connection.execute(insert(chain), links)


def walk_chain(connection: Connection, passing: str = START) -> Walk:
    """Compare every row with the chain, in the order in which they were added.

    Parameters
    ----------
    connection : Connection
    passing : str
        A head of the chain that was noted before.
    """
    rows, digest, passed = 0, START, passing == START
    tables = {table.name: table for table in _CHAINED}
    waiting = {table.name: _rows(connection, table, 0) for table in _CHAINED}
    for link in _stream(connection, select(chain).order_by(chain.c.id)):
        name = link.table_name
        row = next(waiting[name], None) if name in waiting else None
        if row is None or row.id != link.row_id:
            alien = row is not None and row.id < link.row_id
            what = f"row {row.id if row is not None and alien else link.row_id} of {name}"
            return Walk(rows, digest, f"{what} {'was added by another program' if alien else 'is missing'}", passed)
        digest_now = _digest(digest, tables[name], row)
        if digest_now != link.digest:
            return Walk(rows, digest, f"row {row.id} of {name} is not what was recorded on {link.recorded_at}", passed)
        rows, digest, passed = rows + 1, digest_now, passed or digest_now == passing
    for name, rest in waiting.items():
        row = next(rest, None)
        if row is not None:
            return Walk(rows, digest, f"row {row.id} of {name} was added by another program", passed)
    return Walk(rows, digest, "", passed)


def _rows(connection: Connection, table: Table, above: int) -> Iterator[Row[Any]]:
    return _stream(connection, select(*as_stored(table)).where(table.c.id > above).order_by(table.c.id))


def _stream(connection: Connection, query: Any) -> Iterator[Row[Any]]:
    return iter(connection.execute(query, execution_options={"yield_per": _BATCH}))


def _digest(before: str, table: Table, row: Row[Any]) -> str:
    content = {name: value + 0.0 if isinstance(value, float) else value for name, value in row._mapping.items() if value is not None}
    told = json.dumps([before, table.name, content], ensure_ascii=False, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(told.encode("utf-8", "surrogatepass")).hexdigest()
