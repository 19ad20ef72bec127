"""Opening a database as a ledger: address, durability, transactions.

References
----------
SQLite: write-ahead logging (https://www.sqlite.org/wal.html), pragmas ``foreign_keys``, ``recursive_triggers`` and
``synchronous`` (https://www.sqlite.org/pragma.html).
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, create_engine, event, make_url
from sqlalchemy.exc import ArgumentError, SQLAlchemyError

from audit.errors import LedgerError
from audit.ledger.chain import extend_chain, highest_ids
from audit.ledger.migrations import bring_up_to_date, version_of

__all__ = ["connect", "making", "open_engine", "reading", "writing"]

WAIT_S = 60.0


def open_engine(url: str, *, must_exist: bool = False) -> Engine:
    """A database that is a ledger of this version, made or brought up to date where need be.

    Parameters
    ----------
    url : str
        ``sqlite:///path``, a bare path, or ``postgresql://...``.
    must_exist : bool
        Whether a place without a ledger is refused instead of made one.

    Raises
    ------
    LedgerError
        No such place, not a ledger, or one of a newer version.
    """
    engine = connect(url, must_exist=must_exist)
    try:
        with making(engine) as connection:
            if must_exist and version_of(connection) == 0:
                raise LedgerError(
                    f"ledger must be there already; got an empty database at {url}.", "Check its name, or audit a folder first."
                )
            bring_up_to_date(connection)
    except LedgerError:
        engine.dispose()
        raise
    return engine


def connect(url: str, *, must_exist: bool = False) -> Engine:
    """A database as it is, whatever is in it.

    Raises
    ------
    LedgerError
        No such place, or no driver for it.
    """
    address = _address(url)
    try:
        if address.get_backend_name() == "sqlite":
            if must_exist and not Path(str(address.database)).is_file():
                raise LedgerError(f"ledger must be a file that exists; got {address.database}.", "Check its name, or audit a folder first.")
            engine = create_engine(address, connect_args={"timeout": WAIT_S})
            event.listen(engine, "connect", _prepare_sqlite)
        else:
            engine = create_engine(address.set(drivername="postgresql+psycopg"))
    except ImportError as error:
        raise LedgerError(f"ledger on PostgreSQL must have its driver; got {error}.", "Install psycopg, or use a file.") from error
    event.listen(engine, "begin", _begin)
    return engine


@contextmanager
def writing(engine: Engine) -> Iterator[Connection]:
    """One transaction that writes: all of it is stored and chained when this returns, or nothing; writers take turns."""
    with making(engine) as connection:
        before = highest_ids(connection)
        yield connection
        extend_chain(connection, before)


@contextmanager
def making(engine: Engine) -> Iterator[Connection]:
    """One transaction that writes and leaves the chain to its caller."""
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
