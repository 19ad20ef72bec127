"""Photographs on their way in, and rows on their way into the tables: whole or not at all."""

from __future__ import annotations

import csv
import shutil
from pathlib import Path

import practice
import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit import api
from audit.api.practice_tables import FORMER


@pytest.fixture
def desk(tmp_path: Path, template: Path) -> api.Desk:
    return api.Desk(str(tmp_path / "ledger.sqlite"), Path(shutil.copytree(template, tmp_path / "practice")))


def arrive(desk: api.Desk, name: str) -> str:
    """A photo of the demo club that is not in this practice, under a camera's name."""
    place = api.place_for(desk, name)
    shutil.copy(practice.DEMO / f"photos/{practice.CODE}/2020-05-22_facial.jpg", place)
    return place.relative_to(desk.folder).as_posix()


def table(desk: api.Desk, name: str) -> list[dict[str, str]]:
    with (desk.folder / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


def test_a_guess_comes_from_the_file_and_the_visits_on_record(desk: api.Desk) -> None:
    file = arrive(desk, "DSC_0042 facial.JPG")
    assert api.waiting_photos(desk) == (file,)
    guess = api.guess_photo(desk, api.read_case_folder(desk.folder), file)
    assert (guess.on, guess.certainty, guess.restoration, guess.view, guess.stage) == (
        "2020-05-22",
        "exact",
        practice.CODE,
        "facial",
        "recall",
    )
    assert guess.usable and not guess.twin


def test_a_picture_that_is_entered_already_is_told(desk: api.Desk) -> None:
    shutil.copy(desk.folder / practice.FACIAL, api.place_for(desk, "again.jpg"))
    guess = api.guess_photo(desk, api.read_case_folder(desk.folder), "incoming/again.jpg")
    assert guess.twin == practice.FACIAL


def test_a_broken_file_is_told_and_stays_out(desk: api.Desk) -> None:
    api.place_for(desk, "bad.jpg").write_bytes(b"\xff\xd8\xff nothing")
    guess = api.guess_photo(desk, api.read_case_folder(desk.folder), "incoming/bad.jpg")
    assert not guess.usable and guess.remarks[0].startswith("bad.jpg: ")


def test_entered_photos_are_moved_unchanged_and_listed_with_a_new_visit(desk: api.Desk) -> None:
    file = arrive(desk, "a.jpg")
    content = (desk.folder / file).read_bytes()
    row = {"file": file, "restoration": practice.CODE, "on": "2020-07-01", "view": "facial", "stage": "recall"}
    (name,) = api.take_in(desk, [row])
    assert name == f"photos/{practice.CODE}/2020-07-01_facial.jpg" and (desk.folder / name).read_bytes() == content
    assert {"restoration": practice.CODE, "on": "2020-07-01", "stage": "recall", "examiner": "", "note": ""} in table(desk, "visits.csv")
    cases = api.read_case_folder(desk.folder)
    assert name in [photo.file for photo in cases.photos] and not cases.refused_rows
    assert api.waiting_photos(desk) == ()


def test_one_bad_row_and_nothing_has_changed(desk: api.Desk) -> None:
    good, bad = arrive(desk, "a.jpg"), arrive(desk, "b.jpg")
    before = {path.name: path.read_bytes() for path in desk.folder.glob("*.csv")}
    common = {"restoration": practice.CODE, "view": "facial", "stage": "recall"}
    with pytest.raises(api.AuditError, match="on must"):
        api.take_in(desk, [{"file": good, "on": "2020-07-01", **common}, {"file": bad, "on": "2020-02-31", **common}])
    assert {path.name: path.read_bytes() for path in desk.folder.glob("*.csv")} == before
    assert sorted(api.waiting_photos(desk)) == sorted([good, bad])


def test_a_row_takes_the_place_of_the_one_with_its_key_and_the_former_table_is_kept(desk: api.Desk) -> None:
    before = (desk.folder / "findings.csv").read_bytes()
    rows = table(desk, "findings.csv")
    changed = {**next(row for row in rows if row["finding"] == "explorer"), "value": "catches"}
    api.put_rows(desk, {"findings.csv": [changed]})
    after = table(desk, "findings.csv")
    assert [row for row in after if row not in rows] == [changed] and len(after) == len(rows)
    assert before in [path.read_bytes() for path in (desk.folder / FORMER).iterdir()]
    visit = next(v for v in api.tooth_record(desk.ledger_url, practice.CODE).visits if v.visit.on == changed["on"])
    assert "catches" in [f.value for f in visit.findings if (f.finding, f.surface) == ("explorer", changed["surface"])]


def test_a_table_with_semicolons_stays_one(desk: api.Desk) -> None:
    path = desk.folder / "visits.csv"
    with path.open(encoding="utf-8") as file:
        rows = list(csv.reader(file))
    with path.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file, delimiter=";").writerows(rows)
    api.put_rows(desk, {"visits.csv": [{"restoration": practice.CODE, "on": "2020-07-01", "stage": "recall", "note": "a; b"}]})
    assert path.read_text(encoding="utf-8").splitlines()[-1] == f'{practice.CODE};2020-07-01;recall;;"a; b"'
    assert not api.read_case_folder(desk.folder).refused_rows


@given(name=st.text(max_size=40))
def test_no_name_leads_out_of_the_folder(tmp_path_factory: pytest.TempPathFactory, name: str) -> None:
    desk = api.Desk("nowhere.sqlite", tmp_path_factory.getbasetemp())
    try:
        place = api.place_for(desk, name + ".jpg")
    except api.AuditError:
        return
    assert place.parent == desk.folder / "incoming" and place.name[0] not in ".-"


def test_what_was_measured_is_held_back_until_it_has_been_rated(desk: api.Desk) -> None:
    for name in ("findings.csv", "grades.csv"):
        (desk.folder / name).unlink()
    day = (practice.CODE, practice.ON)
    held = api.held_back(desk, api.read_case_folder(desk.folder), *day)
    assert {"widest_marginal_opening", "perforation_area"} <= held and "visible_metal_area" not in held
    grade = {
        "restoration": day[0],
        "on": day[1],
        "system": "ryge",
        "criterion": "marginal_adaptation",
        "grade": "alfa",
        "seen_before": "no",
    }
    api.put_rows(desk, {"grades.csv": [grade]})
    assert api.held_back(desk, api.read_case_folder(desk.folder), *day) == {"perforation_area"}
    assert api.was_shown(desk, *day) == set()
    api.mark_shown(desk, *day, {"perforation_area"})
    assert api.was_shown(desk, *day) == {"anatomic_form"}
    assert api.held_back(desk, api.read_case_folder(desk.folder), *day) == set()
