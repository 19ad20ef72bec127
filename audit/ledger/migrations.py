"""The numbered steps from an empty database, or an older ledger, to the schema of this program.

Notes
-----
Each step is applied once, in the transaction that opens the ledger, and its number is recorded. A step that was released never changes.
"""

from __future__ import annotations

from collections.abc import Callable

from sqlalchemy import Connection, func, insert, inspect, select

from audit.errors import LedgerError
from audit.ledger.append_only import forbid_changes, forbid_unsound_readings
from audit.ledger.chain import extend_chain, highest_ids
from audit.ledger.moment import now
from audit.ledger.schema import metadata, schema_versions

__all__ = ["LATEST", "bring_up_to_date", "make_tables", "version_of"]

CHAINED_SINCE = 2
"""From this version on every row is in the chain; the rows of older ledgers join it when they are brought up to date."""


def bring_up_to_date(connection: Connection) -> None:
    """Apply the steps that a database has not seen yet; refuse what is no ledger or a newer one.

    Raises
    ------
    LedgerError
        Tables of another program, or of a newer version of this one.
    """
    version = version_of(connection)
    if version > LATEST:
        raise LedgerError(f"ledger must be of version {LATEST} or older; got version {version}.",
                          "Install the newer program that wrote it; this one would not understand it.")  # fmt: skip
    if version == LATEST:
        return
    known = connection.scalar(select(func.max(schema_versions.c.id))) if version >= CHAINED_SINCE else None
    for number in range(version + 1, LATEST + 1):
        _STEPS[number - 1](connection)
        connection.execute(insert(schema_versions).values(version=number, recorded_at=now()))
    chained = None if known is None else {**highest_ids(connection), schema_versions.name: known}
    extend_chain(connection, chained)


def make_tables(connection: Connection, version: int) -> None:
    """All tables of one version and what guards them, without a row."""
    for step in _STEPS[:version]:
        step(connection)


def version_of(connection: Connection) -> int:
    """Version of the schema; 0 where the database is empty.

    Raises
    ------
    LedgerError
        Tables of another program.
    """
    tables = inspect(connection).get_table_names()
    if not tables:
        return 0
    if schema_versions.name not in tables:
        raise LedgerError(f"ledger must be a database of this program; got tables {', '.join(sorted(tables)[:3])}.", "Name another file.")
    return connection.scalar(select(func.max(schema_versions.c.version))) or 0


def _version_1(connection: Connection) -> None:
    """All tables, append-only."""
    _create(connection, 1)


def _version_2(connection: Connection) -> None:
    """The chain over all rows, withdrawals with a reason, and only sound readings."""
    _create(connection, 2)
    forbid_unsound_readings(connection)


def _version_3(connection: Connection) -> None:
    """Intervals of bitewings as the clinician set them."""
    _create(connection, 3)


def _create(connection: Connection, version: int) -> None:
    tables = [table for table in metadata.sorted_tables if table.info["since"] == version]
    metadata.create_all(connection, tables=tables)
    forbid_changes(connection, tables)


_STEPS: tuple[Callable[[Connection], None], ...] = (_version_1, _version_2, _version_3)
LATEST = len(_STEPS)
