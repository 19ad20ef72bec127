"""Keeping a ledger over the years: verified, backed up, restored, and a wrong day taken back.

Notes
-----
A backup is a ledger of its own: a SQLite file with the same rows under the same numbers and the same chain, from whatever database it
came. Restoring is the same copy into an empty place. A copy counts only after its chain was walked to the same head.
"""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Connection, Engine, Table, select, text

from audit.errors import LedgerError
from audit.ledger.chain import START, Walk, as_stored, walk_chain
from audit.ledger.connect import connect, making, open_engine, reading, writing
from audit.ledger.migrations import LATEST, make_tables, version_of
from audit.ledger.schema import metadata
from audit.ledger.withdraw import withdraw_day

__all__ = ["copy_ledger", "verify_ledger", "withdraw_visit"]

_BATCH = 2000


def verify_ledger(url: str, passing: str = START) -> Walk:
    """Walk the chain over every row.

    Parameters
    ----------
    url : str
        Of a ledger that exists.
    passing : str
        A head that was noted before; the chain must still go through it.

    Raises
    ------
    LedgerError
        The chain is broken, and where; or it does not pass the noted head.
    """
    engine = open_engine(url, must_exist=True)
    try:
        with reading(engine) as connection:
            walk = _unbroken(connection, passing)
    finally:
        engine.dispose()
    if not walk.passed:
        raise LedgerError(f"chain must pass the head that was noted; got {walk.rows} rows that never reach {passing[:12]}.",
                          "Rows were taken from its end, or the head is of another ledger: compare with a backup.")  # fmt: skip
    return walk


def copy_ledger(source_url: str, target_url: str) -> Walk:
    """Copy a ledger whole into an empty place, and walk both chains.

    Parameters
    ----------
    source_url : str
        Of a ledger that exists.
    target_url : str
        A file that does not exist, or an empty database.

    Raises
    ------
    LedgerError
        The source is broken, or there is something at the target.
    """
    target = connect(target_url)
    path = Path(str(target.url.database)) if target.url.get_backend_name() == "sqlite" else None
    if path is not None and path.exists():
        raise LedgerError(f"copy must go to a place where nothing is; got {path}.", "Name another file.")
    source = open_engine(source_url, must_exist=True)
    try:
        with reading(source) as old, making(target) as new:
            return _copy_all(old, new)
    except LedgerError:
        if path is not None:
            _remove(target, path)
        raise
    finally:
        source.dispose()
        target.dispose()


def withdraw_visit(url: str, code: str, on: str, reason: str) -> int:
    """Take back all that was recorded of a restoration on one day; see `withdraw_day`."""
    engine = open_engine(url, must_exist=True)
    try:
        with writing(engine) as connection:
            return withdraw_day(connection, code, on, reason)
    finally:
        engine.dispose()


def _unbroken(connection: Connection, passing: str = START) -> Walk:
    walk = walk_chain(connection, passing)
    if walk.broken:
        raise LedgerError(f"ledger must be as it was recorded; got: {walk.broken}; the {walk.rows} rows before it are sound.",
                          "Keep this ledger as it is, restore the last backup elsewhere and compare.")  # fmt: skip
    return walk


def _copy_all(old: Connection, new: Connection) -> Walk:
    if version_of(new) > 0:
        raise LedgerError("copy must go to an empty database; got a ledger.", "Name another database.")
    walk = _unbroken(old)
    make_tables(new, LATEST)
    for table in metadata.sorted_tables:
        _copy_table(old, new, table)
    if walk_chain(new) != walk:
        raise LedgerError("copy must be equal to the ledger; got another head of its chain.", "Report this as a fault of the program.")
    return walk


def _copy_table(old: Connection, new: Connection, table: Table) -> None:
    rows = old.execute(select(*as_stored(table)).order_by(table.c.id), execution_options={"yield_per": _BATCH})
    names = [column.name for column in table.columns]
    stored = text(f"INSERT INTO {table.name} ({', '.join(names)}) VALUES ({', '.join(f':{name}' for name in names)})")
    for batch in rows.partitions():
        new.execute(stored, [dict(row._mapping) for row in batch])
    if new.dialect.name == "postgresql":
        new.execute(text(f"SELECT setval(pg_get_serial_sequence('{table.name}', 'id'), max(id)) FROM {table.name} HAVING max(id) > 0"))


def _remove(target: Engine, path: Path) -> None:
    """Nothing stays of a copy that failed."""
    target.dispose()
    for suffix in ("", "-wal", "-shm"):
        Path(f"{path}{suffix}").unlink(missing_ok=True)
