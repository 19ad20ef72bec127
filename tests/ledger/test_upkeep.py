"""The chain finds whatever was done behind the program's back; a backup is the ledger; a wrong day can be taken back."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from invented import CODE, RESTORATION, document, entry, fill, folder
from server import Server
from sqlalchemy import create_engine

from audit.core.clinical import CaseFolder, Event, Finding, Visit
from audit.errors import LedgerError
from audit.ledger.store import Ledger, open_ledger
from audit.ledger.upkeep import copy_ledger, verify_ledger, withdraw_visit

UNGUARD_SQLITE = "SELECT 'DROP TRIGGER ' || name FROM sqlite_master WHERE type = 'trigger'"


def filled(url: str) -> None:
    with open_ledger(url) as ledger:
        fill(ledger)


def tamper(url: str, statement: str) -> None:
    """What someone with the rights of an owner can do: drop the guards, then change a row."""
    with create_engine(url.replace("postgresql://", "postgresql+psycopg://")).begin() as connection:
        if url.startswith("sqlite"):
            for drop in connection.exec_driver_sql(UNGUARD_SQLITE).scalars().all():
                connection.exec_driver_sql(drop)
        else:
            connection.exec_driver_sql("SET session_replication_role = replica")
        connection.exec_driver_sql(statement)


@pytest.mark.parametrize(
    "statement, found",
    [("UPDATE findings SET value = 'enters' WHERE id = 1", "row 1 of findings is not what was recorded on 20"),
     ("UPDATE readings SET value = value + 1e-15 WHERE id = 4", "row 4 of readings is not what was recorded on 20"),
     ("UPDATE readings SET signed = NULL WHERE id = 5", "row 5 of readings is not what was recorded on 20"),
     ("DELETE FROM readings WHERE id = 2", "row 2 of readings is missing"),
     ("DELETE FROM readings WHERE id = 6", "row 6 of readings is missing"),
     ("DELETE FROM chain WHERE id = 9", "was added by another program|is not what was recorded"),
     ("UPDATE chain SET digest = 'beef' WHERE id = 9", "is not what was recorded"),
     ("INSERT INTO cases (code, recorded_at) VALUES ('M01-009', '2021')", "row 2 of cases was added by another program")],
)  # fmt: skip
def test_the_first_broken_row_is_named(url: str, statement: str, found: str) -> None:
    filled(url)
    assert verify_ledger(url).broken == ""
    tamper(url, statement)
    with pytest.raises(LedgerError, match=found) as caught:
        verify_ledger(url)
    assert "rows before it are sound" in caught.value.message and "backup" in caught.value.hint


def test_a_row_that_another_program_added_is_never_blessed(url: str) -> None:
    filled(url)
    tamper(url, "INSERT INTO refused_rows (line, recorded_at) VALUES ('slipped in', '2021')")
    with open_ledger(url) as ledger:
        ledger.store_folder(replace(folder(), refused_rows=("a later row",)))
    with pytest.raises(LedgerError, match="row 1 of refused_rows was added by another program"):
        verify_ledger(url)


def test_a_noted_head_finds_rows_that_were_taken_from_the_end(url: str) -> None:
    filled(url)
    noted = verify_ledger(url).head
    with open_ledger(url) as ledger:
        same = folder(photos=(entry(1), entry(2, on="2021-01-20"), entry(3)))
        ledger.store_folder(replace(same, refused_rows=("one more",)))
    assert verify_ledger(url, noted).head != noted
    later = verify_ledger(url).head
    tamper(url, "DELETE FROM refused_rows")
    tamper(url, "DELETE FROM chain WHERE table_name = 'refused_rows'")
    assert verify_ledger(url, noted).broken == "", "by itself the shorter chain is whole"
    with pytest.raises(LedgerError, match="must pass the head that was noted"):
        verify_ledger(url, later)


def test_the_chain_is_what_its_description_says(sqlite_path: Path) -> None:
    """Walked again by twenty lines that share nothing with the program."""
    filled(str(sqlite_path))
    raw = sqlite3.connect(sqlite_path)
    raw.row_factory = sqlite3.Row
    digest = "0" * 64
    for link in raw.execute("SELECT * FROM chain ORDER BY id").fetchall():
        row = dict(raw.execute(f"SELECT * FROM {link['table_name']} WHERE id = ?", (link["row_id"],)).fetchone())
        for name in ("withdrawn", "seen_before"):
            row |= {name: bool(row[name])} if name in row else {}
        told = [digest, link["table_name"], {name: value for name, value in row.items() if value is not None}]
        text = json.dumps(told, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
        digest = hashlib.sha256(text.encode()).hexdigest()
        assert digest == link["digest"]
    assert digest == verify_ledger(str(sqlite_path)).head


def test_a_backup_is_the_ledger_and_a_restored_one_goes_on(new_place: Callable[[], str], tmp_path: Path, server: Server) -> None:
    url, backup, elsewhere, back = new_place(), str(tmp_path / "backup.sqlite"), server.new(), new_place()
    filled(url)
    walk = copy_ledger(url, backup)
    assert walk == copy_ledger(backup, elsewhere) == copy_ledger(elsewhere, back) == verify_ledger(back)
    with open_ledger(url) as first, open_ledger(back) as last:
        assert first.history(CODE) == last.history(CODE) and first.counts() == last.counts()
        for ledger in (first, last):
            ledger.store_document(entry(7, on="2021-01-20"), document(7), None, "marks-7")
        assert first.history(CODE) == last.history(CODE)
    assert verify_ledger(back).rows == verify_ledger(url).rows > walk.rows


def test_a_copy_never_overwrites_and_never_copies_a_broken_ledger(new_place: Callable[[], str], tmp_path: Path) -> None:
    url, there, target = new_place(), new_place(), tmp_path / "b.sqlite"
    filled(url)
    filled(there)
    with pytest.raises(LedgerError, match=r"place where nothing is|empty database"):
        copy_ledger(url, there)
    tamper(url, "DELETE FROM readings WHERE id = 2")
    with pytest.raises(LedgerError, match="row 2 of readings is missing"):
        copy_ledger(url, str(target))
    assert not target.exists()
    with pytest.raises(LedgerError, match="must be"):
        verify_ledger(new_place())


def test_a_visit_under_a_wrong_date_is_taken_back_with_its_reason(ledger: Ledger, url: str) -> None:
    """The folder was corrected, so that no row of the wrong day is left in it."""
    fill(ledger)
    right = (Visit(CODE, "2020-03-01", "baseline", "E1"), Visit(CODE, "2021-02-10", "recall", "E1"))
    ledger.store_folder(folder(visits=right, photos=(entry(1), entry(2, on="2021-02-10"), entry(3))))
    ledger.store_document(entry(2, on="2021-02-10"), document(2), None, "marks-0")
    assert [r.visit.on for r in ledger.history(CODE)] == ["2020-03-01", "2021-01-20", "2021-02-10"], "a folder may hold a part of the days"
    before = ledger.counts()
    assert withdraw_visit(url, CODE, "2021-01-20", "wrong date, see 2021-02-10") == 1
    assert [(r.visit.on, len(r.photos)) for r in ledger.history(CODE)] == [("2020-03-01", 2), ("2021-02-10", 1)]
    after = ledger.counts()
    assert after["withdrawals"] == 1 and all(after[name] >= count for name, count in before.items()), "nothing is erased"
    assert verify_ledger(url).broken == ""
    with pytest.raises(LedgerError, match="M01-001 on 2021-01-20"):
        withdraw_visit(url, CODE, "2021-01-20", "again")
    with pytest.raises(LedgerError, match="say why"):
        withdraw_visit(url, CODE, "2020-03-01", " ")
    with pytest.raises(LedgerError, match="M09-999"):
        withdraw_visit(url, "M09-999", "2020-03-01", "no such case")


def test_all_of_a_day_is_taken_back_and_may_come_back(ledger: Ledger, url: str) -> None:
    day = "2020-03-01"
    ledger.store_folder(folder(events=(Event(CODE, day, "refinished"),), photos=(entry(1),)))
    ledger.store_document(entry(1), document(1), None, "marks-1")
    assert withdraw_visit(url, CODE, day, "another patient") == 5, "visit, finding, grade, event, photo"
    (left,) = ledger.history(CODE)
    assert left.visit.on == "2021-01-20" and (left.findings, left.photos, left.events) == ((), (), ())
    ledger.store_folder(CaseFolder((RESTORATION,), (Visit(CODE, day, "recall"),), (Finding(CODE, day, "retention", "firm"),)))
    assert [f.finding for f in ledger.history(CODE)[0].findings] == ["retention"]
