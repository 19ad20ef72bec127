"""The database itself refuses what a ledger must never hold, against any program; what is no ledger is refused in words."""

from __future__ import annotations

import math
import sqlite3
from dataclasses import replace
from pathlib import Path

import psycopg
import pytest
from invented import CODE, document, entry, fill, folder
from server import Server
from sqlalchemy import Engine, create_engine, text
from sqlalchemy.exc import DBAPIError

from audit.core.quantity import Quantity
from audit.core.records import Document, Reading, Segment
from audit.errors import LedgerError
from audit.ledger import chain as ledger_chain
from audit.ledger import migrations, schema
from audit.ledger.connect import connect, making
from audit.ledger.schema import metadata
from audit.ledger.store import Ledger, open_ledger
from audit.ledger.upkeep import verify_ledger

TABLES = sorted(table.name for table in metadata.sorted_tables)
FILLED = [name for name in TABLES if name not in ("bitewing_intervals", "recall_intervals", "refused_rows", "withdrawals")]


def raw(url: str) -> Engine:
    """The database as any other program opens it."""
    return create_engine(url.replace("postgresql://", "postgresql+psycopg://"), isolation_level="AUTOCOMMIT")


@pytest.mark.parametrize("pragma", [True, False], ids=["as the program opens it", "as any other program opens it"])
@pytest.mark.parametrize("table", FILLED)
def test_sqlite_refuses_to_change_a_row(sqlite_path: Path, table: str, pragma: bool) -> None:
    with open_ledger(str(sqlite_path)) as ledger:
        fill(ledger)
    raw = sqlite3.connect(sqlite_path)
    raw.execute(f"PRAGMA recursive_triggers = {'ON' if pragma else 'OFF'}")
    before = raw.execute(f"SELECT * FROM {table}").fetchall()
    for statement in (
        f"UPDATE {table} SET recorded_at = 'x'", f"DELETE FROM {table}", f"INSERT OR REPLACE INTO {table} SELECT * FROM {table}",
        f"REPLACE INTO {table} SELECT * FROM {table} LIMIT 1", f"INSERT INTO {table} SELECT * FROM {table}",
        f"INSERT INTO {table} SELECT * FROM {table} WHERE true ON CONFLICT DO UPDATE SET recorded_at = 'x'",
    ):  # fmt: skip
        with pytest.raises(sqlite3.IntegrityError, match="append-only"):
            raw.execute(statement)
        raw.rollback()
    assert before and raw.execute(f"SELECT * FROM {table}").fetchall() == before
    raw.close()


def test_postgresql_refuses_to_change_a_row(server: Server) -> None:
    url = server.new()
    with open_ledger(url) as ledger:
        fill(ledger)
    with psycopg.connect(url, autocommit=True) as raw:
        for table in FILLED:
            before = raw.execute(f"SELECT * FROM {table} ORDER BY id").fetchall()
            for statement in (
                f"UPDATE {table} SET recorded_at = 'x'", f"DELETE FROM {table}", f"TRUNCATE {table} CASCADE",
                f"INSERT INTO {table} SELECT * FROM {table} ON CONFLICT (id) DO UPDATE SET recorded_at = 'x'",
            ):  # fmt: skip
                with pytest.raises(psycopg.errors.RaiseException, match="append-only"):
                    raw.execute(statement)
            with pytest.raises(psycopg.errors.UniqueViolation):
                raw.execute(f"INSERT INTO {table} SELECT * FROM {table}")
            assert before and raw.execute(f"SELECT * FROM {table} ORDER BY id").fetchall() == before


def test_every_table_is_guarded(url: str) -> None:
    open_ledger(url).close()
    query = (
        "SELECT DISTINCT tbl_name FROM sqlite_master WHERE type = 'trigger'"
        if url.startswith("sqlite")
        else "SELECT DISTINCT event_object_table FROM information_schema.triggers WHERE trigger_schema = current_schema()"
    )
    with raw(url).connect() as connection:
        assert sorted(connection.exec_driver_sql(query).scalars()) == TABLES


SOUND = document().readings[0]
UNSOUND: dict[str, Reading] = {
    "turned round": replace(SOUND, interval95=(2.0, 1.0)),
    "interval is nan": replace(SOUND, interval95=(math.nan, 1.0)),
    "to inf": replace(SOUND, interval95=(0.0, math.inf)),
    "interval is 0.0 to None": replace(SOUND, interval95=(0.0, None)),  # type: ignore[arg-type]
    "no finite number": replace(SOUND, value=Quantity(math.nan, "mm", {"pose/a": 0.1})),
    "uncertainty is no finite": replace(SOUND, signed=Quantity(1.0, "mm", {"pose/a": math.inf})),
    "status below_detection": replace(SOUND, status="below_detection"),
    "status measured": replace(SOUND, value=None),
    "plain finite numbers": replace(SOUND, details={"least_mm": math.nan}),
}


@pytest.mark.parametrize("why", UNSOUND)
def test_an_unsound_reading_becomes_a_refusal_and_the_rest_is_stored(ledger: Ledger, why: str) -> None:
    ledger.store_folder(folder())
    ledger.store_document(entry(1), replace(document(1), readings=(UNSOUND[why], *document(1).readings[1:])), None, "marks")
    photo = ledger.history(CODE)[0].photos[0]
    assert photo.readings == document(1).readings[1:]
    (refusal,) = [r for r in photo.refusals if r.code == "unsound"]
    assert refusal.measurand == SOUND.measurand and why in refusal.reason and refusal.hint.endswith(".")


def test_a_turned_stretch_is_refused_and_an_endless_scale_stores_nothing(ledger: Ledger) -> None:
    ledger.store_folder(folder())
    turned: Document = replace(document(1), segments=(Segment(2.0, 1.0, "open"), Segment(2.0, 3.0, "open")))
    ledger.store_document(entry(1), turned, None, "marks")
    photo = ledger.history(CODE)[0].photos[0]
    assert photo.segments == (Segment(2.0, 3.0, "open"),) and photo.refusals[-1].code == "unsound"
    before, scale = ledger.counts(), document(2).calibration
    assert scale is not None
    with pytest.raises(LedgerError, match="scale must be finite"):
        ledger.store_document(
            entry(2), replace(document(2), calibration=replace(scale, mm_per_px=Quantity(math.inf, "mm/px"))), None, "marks"
        )
    assert ledger.counts() == before


FALSE_NUMBERS = (
    ("2", "1", "0.1", "1"), ("0", "1", "-0.1", "1"), ("0", "9e999", "0.1", "1"), ("-9e999", "1", "0.1", "1"), ("0", "1", "0.1", "9e999"),
    ("NULL", "1", "0.1", "1"), ("0", "'NaN'", "0.1", "1"),
)  # fmt: skip


def test_the_database_takes_no_unsound_reading_from_any_program(url: str) -> None:
    with open_ledger(url) as ledger:
        fill(ledger)
    statement = (
        "INSERT INTO readings (recorded_at, audit_id, position, measurand, unit, status, method, low, high, u, value) "
        "VALUES ('2021', 1, 0, 'visible_metal_height', 'mm', 'measured', 'm@1', {})"
    )
    with raw(url).connect() as connection:
        for numbers in map(", ".join, FALSE_NUMBERS):
            if url.startswith("postgresql"):
                numbers = numbers.replace("-9e999", "'-Infinity'").replace("9e999", "'Infinity'")
            with pytest.raises(DBAPIError, match=r"low not above high|(N|n)(ot|OT)(-| )(n|N)(ull|ULL)"):
                connection.exec_driver_sql(statement.format(numbers))
        connection.exec_driver_sql(statement.format("0, 1, 0.1, 1"))


def test_an_older_ledger_is_brought_up_to_date_and_chained(url: str) -> None:
    """Version 1 had no chain: what it holds is chained when the next program opens it."""
    engine = connect(url)
    with making(engine) as connection:
        migrations.make_tables(connection, 1)
        connection.exec_driver_sql("INSERT INTO schema_versions (version, recorded_at) VALUES (1, '2026-01-01T00:00:00+00:00')")
        connection.exec_driver_sql("INSERT INTO cases (code, recorded_at) VALUES ('M01-001', '2026-01-01T00:00:00+00:00')")
    engine.dispose()
    with open_ledger(url) as ledger:
        assert ledger.codes() == (CODE,) and ledger.counts()["schema_versions"] == migrations.LATEST
        fill(ledger)
    rows = verify_ledger(url).rows
    assert rows == sum(count for name, count in open_ledger(url).counts().items() if name not in ("chain", "refused_files"))


@pytest.mark.parametrize("version", range(migrations.CHAINED_SINCE, migrations.LATEST))
def test_a_chain_goes_on_from_where_an_older_program_left_it(url: str, version: int, monkeypatch: pytest.MonkeyPatch) -> None:
    with monkeypatch.context() as older:
        tables = [table for table in metadata.sorted_tables if table.info["since"] <= version]
        chained = [table for table in tables if table is not schema.chain]
        older.setattr(migrations, "LATEST", version)
        older.setattr(ledger_chain, "_CHAINED", tuple(chained))
        union = " UNION ALL ".join(f"SELECT '{t.name}' AS name, max(id) AS id FROM {t.name}" for t in chained)
        older.setattr(ledger_chain, "_HIGHEST", text(union))
        engine = connect(url)
        with making(engine) as connection:
            migrations.bring_up_to_date(connection)
            connection.exec_driver_sql("INSERT INTO cases (code, recorded_at) VALUES ('M01-001', '2026-01-01T00:00:00+00:00')")
            ledger_chain.extend_chain(connection, {**ledger_chain.highest_ids(connection), "cases": 0})
            head = ledger_chain.walk_chain(connection).head
        engine.dispose()
    with open_ledger(url) as ledger:
        assert ledger.codes() == (CODE,) and ledger.counts()["schema_versions"] == migrations.LATEST
        fill(ledger)
    assert verify_ledger(url, head).rows > 2


def test_two_that_open_a_new_place_at_once_make_one_ledger(url: str) -> None:
    first, second = open_ledger(url), open_ledger(url)
    assert first.counts() == second.counts() and first.counts()["schema_versions"] == migrations.LATEST


def test_a_newer_ledger_is_refused(url: str) -> None:
    open_ledger(url).close()
    with raw(url).connect() as connection:
        connection.exec_driver_sql("INSERT INTO schema_versions (version, recorded_at) VALUES (99, 'later')")
    with pytest.raises(LedgerError, match=f"version {migrations.LATEST} or older; got version 99") as caught:
        open_ledger(url)
    assert "newer program" in caught.value.hint


def test_another_database_is_refused(url: str) -> None:
    with raw(url).connect() as connection:
        connection.exec_driver_sql("CREATE TABLE songs (title text)")
    with pytest.raises(LedgerError, match="songs"):
        open_ledger(url)


def test_what_is_no_ledger_of_ours_is_refused_in_words(tmp_path: Path) -> None:
    text = tmp_path / "text.sqlite"
    text.write_text("restorations are not kept in here " * 40, encoding="utf-8")
    for url, says in (
        (str(text), "not a database"), (str(tmp_path / "no" / "such" / "l.sqlite"), "folder that exists"),
        ("mysql://host/x", "SQLite or PostgreSQL"), ("sqlite://", "no path"), ("://", "path or a database URL"),
        (f"postgresql://postgres@/ledger?host={tmp_path}", "readable and writable"),
    ):  # fmt: skip
        with pytest.raises(LedgerError, match=says) as caught:
            open_ledger(url)
        assert caught.value.hint.endswith(".")
