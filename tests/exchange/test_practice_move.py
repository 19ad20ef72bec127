"""A practice carried to another computer: equal on both sides, gone on with after an interruption, never over anything that is there."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from pathlib import Path

import pytest

from audit import api
from audit.api import practice_move
from audit.core.clinical import PhotoEntry
from audit.core.records import Document, Photo
from audit.errors import AuditError, ExchangeError, LedgerError
from audit.exchange import practice_box
from audit.ledger.upkeep import verify_ledger

PICTURE = b"\xff\xd8 not much of a picture \xff\xd9"


def state(folder: Path) -> dict[str, str]:
    return {p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest() for p in folder.rglob("*") if p.is_file()}


@pytest.fixture
def practice(tmp_path: Path) -> Path:
    folder = tmp_path / "old" / "practice"
    (folder / "photos" / ".former").mkdir(parents=True)
    (folder / "restorations.csv").write_text("code,tooth,tooth_notation,design,alloy,placed_on\nM01-004,16,iso3950,onlay,gold,2019-05-06\n")
    (folder / "visits.csv").write_text("restoration,on,stage\nM01-004,2019-06-06,baseline\n")
    (folder / "photos" / "a.jpg").write_bytes(PICTURE)
    (folder / "photos" / ".former" / "kept.csv").write_text("x")
    entry = PhotoEntry("photos/a.jpg", "M01-004", "2019-06-06", "facial")
    photo = Photo(hashlib.sha256(PICTURE).hexdigest(), 40, 30, None, "unknown", "photo")
    with api.open_ledger(str(folder.parent / "ledger.sqlite")) as ledger:
        ledger.store_folder(api.read_case_folder(folder))
        ledger.store_document(entry, Document(photo, None, (), (), ()), {"type": "FeatureCollection", "features": []}, "h")
    api.save_draft(api.Desk(str(folder.parent / "ledger.sqlite"), folder), "marks", "photos/a.jpg", 0, {"open": True})
    return folder


def exported(practice: Path) -> Path:
    box = practice.parent.parent / "box"
    moved = api.export_practice(str(practice.parent / "ledger.sqlite"), practice, box)
    assert moved.missing == () and moved.files == 6
    return box


def test_what_arrives_is_what_left(practice: Path, tmp_path: Path) -> None:
    box = exported(practice)
    (tmp_path / "new").mkdir()
    moved = api.import_practice(box, tmp_path / "new" / "practice", tmp_path / "new" / "ledger.sqlite")
    assert state(tmp_path / "new" / "practice") == state(practice)
    assert (
        moved.head
        == verify_ledger(str(practice.parent / "ledger.sqlite")).head
        == verify_ledger(str(tmp_path / "new" / "ledger.sqlite")).head
    )
    desk = api.Desk(str(tmp_path / "new" / "ledger.sqlite"), tmp_path / "new" / "practice")
    assert api.load_draft(desk, "marks", "photos/a.jpg").body == {"open": True}
    assert api.tooth_record(desk.ledger_url, "M01-004") == api.tooth_record(str(practice.parent / "ledger.sqlite"), "M01-004")


def test_the_same_import_again_changes_nothing(practice: Path, tmp_path: Path) -> None:
    box = exported(practice)
    for _ in range(2):
        api.import_practice(box, tmp_path / "n", tmp_path / "n.sqlite")
        first = state(tmp_path / "n")
    assert state(tmp_path / "n") == first and verify_ledger(str(tmp_path / "n.sqlite")).rows


def stop_after(monkeypatch: pytest.MonkeyPatch, count: int) -> None:
    left, real = [count], practice_box.copy_file

    def copy(source: Path, target: Path, sha256: str = "") -> str:
        left[0] -= 1
        if left[0] < 0:
            target.parent.mkdir(parents=True, exist_ok=True)
            target.with_name(target.name + ".part-of-a-copy").write_bytes(b"half")
            raise KeyboardInterrupt
        return real(source, target, sha256)

    monkeypatch.setattr(practice_move, "copy_file", copy)


@pytest.mark.parametrize("count", range(1, 5))
def test_an_export_that_was_stopped_goes_on(practice: Path, monkeypatch: pytest.MonkeyPatch, count: int) -> None:
    with monkeypatch.context() as patch, pytest.raises(KeyboardInterrupt):
        stop_after(patch, count)
        exported(practice)
    box = practice.parent.parent / "box"
    with pytest.raises(ExchangeError, match="export must be finished"):
        api.import_practice(box, box.parent / "n", box.parent / "n.sqlite")
    assert api.check_practice(exported(practice)).files == 6


@pytest.mark.parametrize("count", range(1, 7))
def test_an_import_that_was_stopped_goes_on(practice: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, count: int) -> None:
    box = exported(practice)
    with monkeypatch.context() as patch, pytest.raises(KeyboardInterrupt):
        stop_after(patch, count)
        api.import_practice(box, tmp_path / "n", tmp_path / "n.sqlite")
    api.import_practice(box, tmp_path / "n", tmp_path / "n.sqlite")
    assert {name: digest for name, digest in state(tmp_path / "n").items() if "part-of-a-copy" not in name} == state(practice)


@pytest.mark.parametrize("there", ["n/photos/a.jpg", "n/visits.csv", "n.sqlite", "drafts.sqlite"])
def test_nothing_is_overwritten_and_then_nothing_written(practice: Path, tmp_path: Path, there: str) -> None:
    box = exported(practice)
    (tmp_path / there).parent.mkdir(parents=True, exist_ok=True)
    (tmp_path / there).write_text("mine")
    before = state(tmp_path)
    with pytest.raises(ExchangeError, match="must not overwrite"):
        api.import_practice(box, tmp_path / "n", tmp_path / "n.sqlite")
    assert state(tmp_path) == before


def test_an_export_does_not_go_over_another_one_or_into_the_practice(practice: Path, tmp_path: Path) -> None:
    exported(practice)
    for target, why in ((tmp_path / "box", "holds a finished one"), (practice / "box", "outside"), (practice.parent, "outside")):
        with pytest.raises(ExchangeError, match=why):
            api.export_practice(str(practice.parent / "ledger.sqlite"), practice, target)


@pytest.mark.parametrize("name", ["ledger.sqlite", "drafts.sqlite", "folder/photos/a.jpg", "folder/restorations.csv"])
def test_one_changed_byte_or_a_lost_file_stops_the_import(practice: Path, tmp_path: Path, name: str) -> None:
    box = exported(practice)
    data = bytearray((box / name).read_bytes())
    data[len(data) // 2] ^= 1
    (box / name).write_bytes(data)
    for _ in range(2):
        with pytest.raises(ExchangeError, match=name):
            api.import_practice(box, tmp_path / "n", tmp_path / "n.sqlite")
        assert not (tmp_path / "n").exists() and not (tmp_path / "n.sqlite").exists()
        (box / name).unlink(missing_ok=True)


@pytest.mark.parametrize(
    "name", ["../evil", "folder/../../evil", "/etc/evil", "folder/a\\b", "folder/c:evil", "folder//x", "other.sqlite", "folder", ""]
)
def test_names_that_lead_elsewhere_are_refused(practice: Path, tmp_path: Path, name: str) -> None:
    box = exported(practice)
    body = json.loads((box / "manifest.json").read_text())
    body["files"][name] = "0" * 64
    (box / "manifest.json").write_text(json.dumps(body))
    before = state(tmp_path)
    with pytest.raises(ExchangeError, match="must name files of the export"):
        api.import_practice(box, tmp_path / "n", tmp_path / "n.sqlite")
    assert state(tmp_path) == before


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"schema": 2, "files": {}, "ledger": {"rows": 1, "head": ""}}', "[" * 9000, "\xff"])
def test_a_manifest_that_is_none_is_refused(practice: Path, tmp_path: Path, text: str) -> None:
    box = exported(practice)
    (box / "manifest.json").write_text(text, encoding="latin-1")
    with pytest.raises(ExchangeError):
        api.import_practice(box, tmp_path / "n", tmp_path / "n.sqlite")


def test_another_ledger_of_the_same_size_is_told_by_its_chain(practice: Path, tmp_path: Path) -> None:
    box = exported(practice)
    body = json.loads((box / "manifest.json").read_text())
    body["ledger"]["head"] = "f" * 64
    (box / "manifest.json").write_text(json.dumps(body))
    with pytest.raises(AuditError, match="chain"):
        api.import_practice(box, tmp_path / "n", tmp_path / "n.sqlite")


def test_a_broken_ledger_is_not_exported(practice: Path, tmp_path: Path) -> None:
    raw = sqlite3.connect(practice.parent / "ledger.sqlite")
    for (name,) in raw.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        raw.execute(f"DROP TRIGGER {name}")
    raw.execute("UPDATE visits SET stage = 'recall'")
    raw.commit()
    raw.close()
    with pytest.raises(LedgerError, match="as it was recorded"):
        api.export_practice(str(practice.parent / "ledger.sqlite"), practice, tmp_path / "box")
    assert not (tmp_path / "box" / "manifest.json").exists()


def test_a_link_is_not_followed(practice: Path, tmp_path: Path) -> None:
    (practice / "photos" / "b.jpg").symlink_to("/etc/hostname")
    with pytest.raises(ExchangeError, match=r"b\.jpg is a link"):
        exported(practice)


def test_a_photograph_that_is_lost_or_another_now_is_named(practice: Path, tmp_path: Path) -> None:
    (practice / "photos" / "a.jpg").write_bytes(b"another")
    moved = api.export_practice(str(practice.parent / "ledger.sqlite"), practice, tmp_path / "box")
    assert moved.missing == ("photos/a.jpg",)


def test_a_ledger_in_the_practice_folder_goes_once(practice: Path, tmp_path: Path) -> None:
    inside = practice / "ledger.sqlite"
    (practice.parent / "ledger.sqlite").rename(inside)
    (practice.parent / "drafts.sqlite").rename(practice / "drafts.sqlite")
    api.export_practice(str(inside), practice, tmp_path / "box")
    assert not any("sqlite" in name for name in state(tmp_path / "box" / "folder"))
