"""What keeps the tables append-only and the readings sound, inside the database and against any program.

References
----------
SQLite: ``REPLACE`` fires delete triggers only with ``recursive_triggers`` (https://www.sqlite.org/lang_conflict.html), hence the third
trigger. PostgreSQL: ``TRUNCATE`` has triggers of its own (https://www.postgresql.org/docs/current/sql-createtrigger.html).
"""

from __future__ import annotations

from collections.abc import Iterable

from sqlalchemy import Connection, Table
from sqlalchemy import UniqueConstraint as Unique

__all__ = ["forbid_changes", "forbid_unsound_readings"]

_UNSOUND = "a reading must have finite numbers, low not above high and u not below zero"


def forbid_changes(connection: Connection, tables: Iterable[Table]) -> None:
    """Refuse UPDATE, DELETE, TRUNCATE and INSERT OR REPLACE on these tables."""
    triggers = _sqlite_triggers if connection.dialect.name == "sqlite" else _postgresql_triggers
    for statement in triggers(tables):
        connection.exec_driver_sql(statement)


def forbid_unsound_readings(connection: Connection) -> None:
    """Refuse a reading whose interval is turned round, whose u is negative, or with a number that is none."""
    rule = (
        "NEW.low <= NEW.high AND abs(NEW.low) <= 1e308 AND abs(NEW.high) <= 1e308 AND coalesce(NEW.u, 0) BETWEEN 0 AND 1e308 "
        "AND abs(coalesce(NEW.value, 0)) <= 1e308"
    )
    if connection.dialect.name == "sqlite":  # which keeps text in a column of numbers
        rule += "".join(f" AND typeof(NEW.{name}) IN ('real', 'integer', 'null')" for name in ("low", "high", "u", "value"))
        connection.exec_driver_sql(
            f"CREATE TRIGGER readings_sound BEFORE INSERT ON readings WHEN NOT ({rule}) BEGIN SELECT RAISE(ABORT, '{_UNSOUND}'); END"
        )
        return
    connection.exec_driver_sql(
        "CREATE FUNCTION ledger_readings_sound() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN RAISE EXCEPTION USING MESSAGE = '{_UNSOUND}'; END $$"
    )
    connection.exec_driver_sql(
        f"CREATE TRIGGER readings_sound BEFORE INSERT ON readings FOR EACH ROW WHEN (NOT ({rule})) EXECUTE FUNCTION ledger_readings_sound()"
    )


def _sqlite_triggers(tables: Iterable[Table]) -> list[str]:
    """UPDATE, DELETE, and INSERT over a row that is there (INSERT OR REPLACE deletes it without asking)."""
    statements = []
    for table in tables:
        says = f"SELECT RAISE(ABORT, '{table.name} is append-only: a correction is a new row');"
        for verb in ("UPDATE", "DELETE"):
            statements.append(f"CREATE TRIGGER {table.name}_no_{verb.lower()} BEFORE {verb} ON {table.name} BEGIN {says} END")
        unique: list[tuple[str, ...]] = [("id",), *((c.name,) for c in table.columns if c.unique)]
        unique += [tuple(c.name for c in u.columns) for u in table.constraints if isinstance(u, Unique)]
        same = " OR ".join("(" + " AND ".join(f"{name} = NEW.{name}" for name in names) + ")" for names in dict.fromkeys(unique))
        statements.append(
            f"CREATE TRIGGER {table.name}_no_replace BEFORE INSERT ON {table.name} "
            f"WHEN EXISTS (SELECT 1 FROM {table.name} WHERE {same}) BEGIN {says} END"
        )
    return statements


def _postgresql_triggers(tables: Iterable[Table]) -> list[str]:
    """UPDATE, DELETE and TRUNCATE; INSERT over a row that is there breaks its key, and ON CONFLICT DO UPDATE is an UPDATE."""
    statements = [
        "CREATE OR REPLACE FUNCTION ledger_append_only() RETURNS trigger LANGUAGE plpgsql AS "
        "$$ BEGIN RAISE EXCEPTION USING MESSAGE = TG_TABLE_NAME || ' is append-only: a correction is a new row'; END $$"
    ]
    for table in tables:
        run = "EXECUTE FUNCTION ledger_append_only()"
        statements.append(f"CREATE TRIGGER {table.name}_rows BEFORE UPDATE OR DELETE ON {table.name} FOR EACH ROW {run}")
        statements.append(f"CREATE TRIGGER {table.name}_all BEFORE TRUNCATE ON {table.name} FOR EACH STATEMENT {run}")
    return statements
