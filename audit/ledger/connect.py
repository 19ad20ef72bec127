"""Opening a database as a ledger: address, durability, and the numbered schema.

References
----------
SQLite: write-ahead logging (https://www.sqlite.org/wal.html), pragmas ``foreign_keys``, ``recursive_triggers`` and
``synchronous`` (https://www.sqlite.org/pragma.html).
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, create_engine, event, func, insert, inspect, make_url, select
from sqlalchemy.exc import ArgumentError, SQLAlchemyError

from audit.errors import LedgerError
from audit.ledger.schema import MIGRATIONS, schema_versions

__all__ = ["now", "open_engine", "reading", "writing"]

WAIT_S = 60.0


def now() -> str:
    """The time of recording, UTC."""
    return datetime.now(UTC).isoformat(timespec="seconds")


def open_engine(url: str) -> Engine:
    """A database that is a ledger of this version, made or brought up to date where need be.

    Parameters
    ----------
    url : str
        ``sqlite:///path``, a bare path, or ``postgresql://...``.

    Raises
    ------
    LedgerError
        No such place, not a ledger, or one of a newer version.
    """
    address = _address(url)
    try:
        if address.get_backend_name() == "sqlite":
            engine = create_engine(address, connect_args={"timeout": WAIT_S})
            event.listen(engine, "connect", _prepare_sqlite)
        else:
            engine = create_engine(address.set(drivername="postgresql+psycopg"))
    except ImportError as error:
        raise LedgerError(f"ledger on PostgreSQL must have its driver; got {error}.", "Install psycopg, or use a file.") from error
    event.listen(engine, "begin", _begin)
    try:
        _bring_up_to_date(engine)
    except LedgerError:
        engine.dispose()
        raise
    return engine


@contextmanager
def writing(engine: Engine) -> Iterator[Connection]:
    """One transaction that writes: all of it is stored when this returns, or nothing; writers take turns."""
    with _transaction(engine, writes=True) as connection:
        yield connection


@contextmanager
def reading(engine: Engine) -> Iterator[Connection]:
    """One consistent view; a writer does not wait for it."""
    with _transaction(engine, writes=False) as connection:
        yield connection


@contextmanager
def _transaction(engine: Engine, *, writes: bool) -> Iterator[Connection]:
    try:
        with engine.connect().execution_options(ledger_writes=writes) as connection, connection.begin():
            yield connection
    except SQLAlchemyError as error:
        cause = getattr(error, "orig", None) or error
        raise LedgerError(f"ledger must be readable and writable; got: {' '.join(str(cause).split())}.",
                          "Check the file's place, its rights and the free space; what was stored before is safe.") from error  # fmt: skip


def _address(url: str) -> URL:
    try:
        address = make_url(url) if "://" in url else URL.create("sqlite", database=url)
    except ArgumentError as error:
        raise LedgerError(f"ledger must be a path or a database URL; got {url!r}.", "Write it as sqlite:///path or as a path.") from error
    if address.get_backend_name() not in ("sqlite", "postgresql"):
        raise LedgerError(f"ledger must be on SQLite or PostgreSQL; got {address.get_backend_name()!r}.", "Write it as sqlite:///path.")
    if address.get_backend_name() == "sqlite":
        if not address.database:
            raise LedgerError("ledger must be a file; got no path.", "Write it as sqlite:///path.")
        if not Path(address.database).parent.is_dir():
            raise LedgerError(f"ledger must lie in a folder that exists; got {address.database}.", "Make the folder first.")
    return address


def _prepare_sqlite(raw: Any, _: Any) -> None:
    raw.isolation_level = None  # transactions are begun in `_begin`, not by the driver
    for pragma in ("journal_mode = WAL", "synchronous = FULL", "foreign_keys = ON", "recursive_triggers = ON"):
        raw.execute(f"PRAGMA {pragma}")


def _begin(connection: Connection) -> None:
    writes = bool(connection.get_execution_options().get("ledger_writes"))
    if connection.dialect.name == "sqlite":
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")
    elif writes:
        connection.exec_driver_sql("SELECT pg_advisory_xact_lock(7368)")


def _bring_up_to_date(engine: Engine) -> None:
    with writing(engine) as connection:
        tables = inspect(connection).get_table_names()
        if tables and schema_versions.name not in tables:
            raise LedgerError(f"ledger must be a database of this program; got tables {', '.join(sorted(tables)[:3])}.",
                              "Name another file.")  # fmt: skip
        version = connection.scalar(select(func.max(schema_versions.c.version))) or 0 if tables else 0
        if version > len(MIGRATIONS):
            raise LedgerError(f"ledger must be of version {len(MIGRATIONS)} or older; got version {version}.",
                              "Install the newer program that wrote it; this one would not understand it.")  # fmt: skip
        for number in range(version + 1, len(MIGRATIONS) + 1):
            MIGRATIONS[number - 1](connection)
            connection.execute(insert(schema_versions).values(version=number, recorded_at=now()))
