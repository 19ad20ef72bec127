"""Drafts and confirming, without a browser: nothing is lost, nothing is taken silently."""

from __future__ import annotations

import itertools
import json
import math
import shutil
import sqlite3
from pathlib import Path

import practice
import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit import api
from audit.api.desk import load_draft, save_draft
from audit.api.shapes import checked_shape, collection_of, shapes_of
from audit.core.annotations import parse_annotations
from audit.errors import Refused
from audit.imaging.livewire import snap_path
from audit.imaging.viewing import region_jpeg, shown


@pytest.fixture
def desk(tmp_path: Path, template: Path) -> api.Desk:
    return api.Desk(str(tmp_path / "ledger.sqlite"), Path(shutil.copytree(template, tmp_path / "practice")))


def test_the_marks_beside_a_photo_are_where_drawing_begins(desk: api.Desk) -> None:
    draft = api.draft_marks(desk, practice.FACIAL)
    assert draft.revision == 0
    assert [shape["role"] for shape in draft.body["shapes"]] == ["reference", "facial_surface", "metal", "margin", "gingival_margin"]


def test_every_demo_mark_comes_back_as_it_was() -> None:
    for path in sorted(practice.DEMO.rglob("*.geojson")):
        before = json.loads(path.read_text(encoding="utf-8"))
        after = collection_of(shapes_of(before), {})
        one, other = parse_annotations(before), parse_annotations(after)
        assert len(one.features) == len(other.features), path.name
        for a, b in zip(one.features, other.features):
            assert a.properties == b.properties and (a.geometry is None) == (b.geometry is None)
            assert a.geometry is None or b.geometry is None or a.geometry.equals(b.geometry)


def test_of_two_windows_the_later_is_told(desk: api.Desk) -> None:
    first = api.draft_marks(desk, practice.FACIAL)
    saved = api.save_marks(desk, practice.FACIAL, first.revision, first.body)
    with pytest.raises(api.DraftConflict, match="revision 1"):
        api.save_marks(desk, practice.FACIAL, first.revision, {"shapes": []})
    assert api.draft_marks(desk, practice.FACIAL) == saved


def test_earlier_drafts_stay_in_the_store(desk: api.Desk) -> None:
    for revision in range(5):
        save_draft(desk, "marks", "x", revision, {"n": revision})
    assert load_draft(desk, "marks", "x").body == {"n": 4}
    assert sqlite3.connect(desk.store).execute("SELECT count(*) FROM drafts").fetchone() == (5,)


def test_confirming_keeps_the_former_file_and_changes_the_record(desk: api.Desk) -> None:
    beside = (desk.folder / practice.FACIAL).with_suffix(".geojson")
    former = beside.read_bytes()
    draft = api.draft_marks(desk, practice.FACIAL)
    shapes = [shape for shape in draft.body["shapes"] if shape["role"] != "gingival_margin"]
    api.save_marks(desk, practice.FACIAL, 0, {"shapes": shapes})
    measured = api.measure_draft(desk, practice.FACIAL, "M09")
    document = api.confirm_marks(desk, practice.FACIAL, measured)
    assert beside.with_name(beside.name + ".1").read_bytes() == former
    written = json.loads(beside.read_text(encoding="utf-8"))
    assert written["reader"] == "M09" and written["sha256"] == document.photo.sha256 and len(written["features"]) == 4
    record = api.tooth_record(desk.ledger_url, practice.CODE)
    photo = next(photo for visit in record.visits for photo in visit.photos if photo.file == practice.FACIAL)
    assert [r.measurand for r in photo.readings] == [r.measurand for r in document.readings]
    assert "margin_to_gingiva" not in [r.measurand for r in photo.readings]


def test_a_confirmed_photo_is_not_measured_again_by_an_audit_of_the_folder(desk: api.Desk) -> None:
    from audit import batch

    api.confirm_marks(desk, practice.FACIAL, api.measure_draft(desk, practice.FACIAL))
    cases = api.read_case_folder(desk.folder)
    with api.open_ledger(desk.ledger_url) as ledger:
        jobs, _ = batch._jobs(desk.folder, cases, ledger)
    assert practice.FACIAL not in [job.entry.file for job in jobs] and len(jobs) == 2


def test_marks_that_changed_since_cannot_be_confirmed(desk: api.Desk) -> None:
    measured = api.measure_draft(desk, practice.FACIAL)
    api.save_marks(desk, practice.FACIAL, 0, api.draft_marks(desk, practice.FACIAL).body)
    with pytest.raises(api.DraftConflict, match="changed since"):
        api.confirm_marks(desk, practice.FACIAL, measured)


def test_unfinished_marks_are_named_and_left_out(desk: api.Desk) -> None:
    shapes = [{"id": "a", "role": "facial_surface", "closed": True, "parts": [[[1, 1], [5, 5]]]}]
    draft = api.save_marks(desk, practice.BARE, 0, {"shapes": shapes})
    assert api.incomplete_marks(draft) == ["facial_surface"]
    assert api.measure_draft(desk, practice.BARE).collection["features"] == []


def test_the_proposed_metal_becomes_the_readers_to_correct(desk: api.Desk) -> None:
    measured = api.measure_draft(desk, practice.FACIAL)
    api.add_proposed_metal(desk, practice.FACIAL, measured)
    again = api.measure_draft(desk, practice.FACIAL)
    by = {r.details.get("by") for r in again.document.readings if r.measurand == "visible_metal_area"}
    assert by == {"reader"}


@pytest.mark.parametrize("file", ["../x.jpg", "/etc/passwd", "photos/none.jpg", "visits.csv", "a\0.jpg", "C:\\x.jpg"])
def test_only_images_of_the_folder_are_served(desk: api.Desk, file: str) -> None:
    with pytest.raises(api.AuditError):
        desk.image(file)


@given(st.dictionaries(st.text(max_size=6), st.one_of(st.none(), st.booleans(), st.floats(), st.text(max_size=4)), max_size=4))
def test_what_is_no_shape_is_refused(data: dict[str, object]) -> None:
    with pytest.raises(api.AuditError):
        checked_shape(data)


@pytest.mark.parametrize("kind", ["step_edge", "dark_line", "light_line"])
def test_a_snapped_path_has_the_length_of_its_curve(kind: str, tmp_path: Path) -> None:
    import cv2
    import numpy as np

    y, x = np.mgrid[0:700, 0:900]
    away = np.hypot(x - 450.3, y - 350.6) - 250
    line = 60 * np.exp(-((away / 4) ** 2) / 2)
    drawn = {"step_edge": 90 + 100 / (1 + np.exp(-away / 1.5)), "dark_line": 170 - line, "light_line": 100 + line}[kind]
    noise = np.random.default_rng(2).normal(0, 4, away.shape)
    picture = np.repeat(np.clip(drawn + noise, 0, 255).astype(np.uint8)[..., None], 3, axis=2)
    turns = np.linspace(0, math.pi, 7)
    points = [(450.3 + 250 * math.cos(t), 350.6 + 250 * math.sin(t)) for t in turns]
    cv2.imwrite(str(tmp_path / "ring.png"), picture)
    photo = shown(tmp_path / "ring.png")
    pieces = [snap_path(photo, a, b, kind) for a, b in itertools.pairwise(points)]
    length = sum(float(np.hypot(*np.diff(piece, axis=0).T).sum()) for piece in pieces)
    assert abs(length / (math.pi * 250) - 1) < 0.005
    off = np.concatenate([np.hypot(*(piece - [450.3, 350.6]).T) - 250 for piece in pieces])
    assert np.abs(off).max() < 4 and np.sqrt((off**2).mean()) < 1.5
    assert all(tuple(piece[0]) == a and tuple(piece[-1]) == b for piece, a, b in zip(pieces, points, points[1:]))


def test_a_window_of_the_photo_is_at_the_resolution_asked_for(desk: api.Desk) -> None:
    import cv2
    import numpy as np

    photo = shown(desk.image(practice.CURVE))
    window = cv2.imdecode(np.frombuffer(region_jpeg(photo, 800, 900, 400, 200, 1), np.uint8), cv2.IMREAD_COLOR)
    assert window is not None and window.shape == (200, 400, 3)
    assert np.abs(window.astype(int) - photo.pixels[900:1100, 800:1200, ::-1]).mean() < 3
    with pytest.raises(ValueError, match="window must lie in the photo"):
        region_jpeg(photo, 5000, 0, 10, 10, 1)


def test_marks_are_carried_over_to_where_the_tooth_lies(desk: api.Desk) -> None:
    cases = api.read_case_folder(desk.folder)
    entry = next(one for one in cases.photos if one.file == practice.BARE)
    source = api.earlier_photo(desk, cases, entry)
    assert source is not None and source.file == practice.FACIAL
    shapes = api.carry_marks(desk, practice.BARE, source).body["shapes"]
    assert [shape["role"] for shape in shapes] == ["facial_surface", "margin", "gingival_margin", "metal", "reference"]
    reference = shapes[-1]  # never where it lay, nor how far from the tooth: only what kind is to be looked for
    assert reference["found"] and reference["parts"] == [] and set(reference["props"]) <= {"kind", "tick_mm", "seen_in"}
    carried = parse_annotations(collection_of(shapes, {})).first("facial_surface")
    drawn = parse_annotations(json.loads((practice.DEMO / practice.BARE).with_suffix(".geojson").read_text())).first("facial_surface")
    assert carried is not None and drawn is not None and carried.geometry is not None and drawn.geometry is not None
    common = carried.geometry.intersection(drawn.geometry).area / carried.geometry.union(drawn.geometry).area
    assert common > 0.95  # of what another invented reader drew on this very photo
    assert {shape["props"]["carried_from"] for shape in shapes[:3]} == {practice.ON}


def test_marks_are_not_carried_to_a_picture_of_something_else(desk: api.Desk) -> None:
    cases = api.read_case_folder(desk.folder)
    source = next(one for one in cases.photos if one.file == practice.FACIAL)
    with pytest.raises(api.AuditError, match="too little agrees"):
        api.carry_marks(desk, practice.CURVE, source)


def test_the_practices_own_references_are_kept_and_begin_a_mark(desk: api.Desk) -> None:
    rows = [
        {"name": "R7", "kind": "rule", "size_mm": "0.5"},
        {"name": "bur 12", "kind": "rod", "size_mm": "2.35", "u_mm": "0.005"},
        {"name": "P1", "kind": "probe", "size_mm": "3 6 9 12.1", "u_mm": "0.05"},
    ]
    api.put_rows(desk, {"instruments.csv": rows})
    rule, rod, probe = (one.properties() for one in api.read_case_folder(desk.folder).instruments)
    assert rule == {"kind": "rule", "id": "R7", "tick_mm": 0.5}
    assert rod == {"kind": "rod", "id": "bur 12", "diameter_mm": 2.35, "u_mm": 0.005}
    assert probe == {"kind": "probe", "id": "P1", "marks_mm": [3.0, 6.0, 9.0, 12.1], "u_mm": 0.05}


@pytest.mark.parametrize(
    ("kind", "size"), [("rod", "1 2"), ("probe", "3"), ("probe", "6 3"), ("rule", "-1"), ("rule", "one"), ("rod", "0")]
)
def test_a_reference_of_no_size_is_refused_and_nothing_written(desk: api.Desk, kind: str, size: str) -> None:
    with pytest.raises(api.AuditError, match="size_mm must be a number, for a probe two or more that rise"):
        api.put_rows(desk, {"instruments.csv": [{"name": "x", "kind": kind, "size_mm": size}]})
    assert not (desk.folder / "instruments.csv").exists()


def test_a_reference_is_seen_at_a_glance_or_not(desk: api.Desk) -> None:
    truth = json.loads((practice.DEMO / practice.FACIAL).with_suffix(".truth.json").read_text())
    glance = api.reference_at_a_glance(desk, practice.FACIAL)
    found = float(glance.words.split("found, ")[1].split(" ")[0]) / 1000
    assert glance.word == "found" and found == pytest.approx(truth["mm_per_px"], rel=0.1)  # the rule may lie nearer than the tooth
    assert api.reference_at_a_glance(desk, practice.CURVE).word == "not_found"


def test_a_reference_that_leans_is_told_apart_from_none(desk: api.Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    def leaning(*_: object) -> None:
        raise Refused("reference_leans_too_much", "A rule must lie within 30 degrees of square to the camera; got more.", "Lay it flat.")

    monkeypatch.setattr("audit.api.at_a_glance.unaided", leaning)
    assert api.reference_at_a_glance(desk, practice.FACIAL).word == "leans"


def test_nothing_of_what_is_held_back_is_drawn_over_the_photo(desk: api.Desk) -> None:
    measured = api.measure_draft(desk, practice.FACIAL)
    states = {"continuous", "open", "step", "stained", "unassessable"}
    drawn, held = (
        {line["pen"] for line in api.found_lines(measured, what)} for what in (set(), set(api.HELD_UNTIL["marginal_adaptation"]))
    )
    assert drawn & states and not held & states and held == drawn - states
