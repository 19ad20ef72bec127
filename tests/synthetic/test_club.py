"""The demonstration club: its tables read back without a refused row, its drawing repeats, its stories hold."""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from shapely.geometry import shape

from audit.core.vocabulary import DESIGNS
from audit.folder import read_folder, unlisted_images
from audit.imaging.codec import read_image
from audit.intake import accept
from audit.synthetic import club
from audit.synthetic.club_cases import BASELINE, CASES
from audit.synthetic.club_days import seed_of, visit_day
from audit.synthetic.club_marks import confirmed_metal

TODAY = date(2026, 11, 24)


@pytest.fixture(scope="module")
def tiny(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("club")
    case = replace(CASES[0], recalls=(), stages=(), margin_months=(), smile_months=(), bitewing_months=(BASELINE,))
    done: list[tuple[int, int]] = []
    assert club.draw_club(folder, lambda *at: done.append(at), cases=[case]) == 2
    assert done == [(1, 2), (2, 2)]
    return folder


def test_a_drawn_club_reads_back_whole(tiny):
    case = read_folder(tiny, TODAY)
    assert case.refused_rows == ()
    assert (len(case.restorations), len(case.visits), len(case.photos)) == (1, 2, 2)
    assert unlisted_images(tiny, case) == ()


def test_each_image_carries_its_own_hash_date_tooth_and_truth(tiny):
    for photo in read_folder(tiny, TODAY).photos:
        path = tiny / photo.file
        marks = json.loads(path.with_suffix(".geojson").read_text())
        assert marks["sha256"] == hashlib.sha256(path.read_bytes()).hexdigest()
        assert (marks["tooth"], marks["tooth_notation"], marks["restoration"]) == ("16", "iso3950", "M01-004")
        assert json.loads(path.with_suffix(".truth.json").read_text())["measurands"]
        file = read_image(path)
        if photo.view == "facial":
            accepted = accept(file, radiograph=False, today=TODAY)
            assert (accepted.captured_on, accepted.date_certainty) == (photo.on, "exact")
            assert "soft" not in accepted.flags and "clipped" not in accepted.flags


def test_drawing_again_gives_the_same_bytes(tiny, tmp_path):
    order = next(o for o in club._orders(CASES[0]) if o.view == "bitewing")
    (tmp_path / order.file).parent.mkdir(parents=True)
    club._draw(tmp_path, order)
    assert (tmp_path / order.file).read_bytes() == (tiny / order.file).read_bytes()


def test_the_whole_clubs_tables_have_no_refused_row(tmp_path):
    orders = [order for case in CASES for order in club._orders(case)]
    for order in orders:
        (tmp_path / order.file).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / order.file).touch()
    club.write_tables(tmp_path, CASES, [(o.file, o.code, o.on, o.view) for o in orders])
    case = read_folder(tmp_path, TODAY)
    assert case.refused_rows == ()
    assert len(case.photos) == len(orders) == len({o.file for o in orders})
    assert {r.design for r in case.restorations} == set(DESIGNS) - {"inlay"}
    assert {r.code.partition("-")[0] for r in case.restorations} == {"M01", "M02", "M03"}
    assert Counter(e.kind for e in case.events) == {"refinished": 1, "perforation_sealed": 1, "recemented": 1, "extracted": 1}
    assert {r.tooth.iso3950 for r in case.restorations if r.plan.bevel_mm} == {"16", "26", "17", "27"}


def test_visits_fall_on_weekdays_and_the_baseline_at_2_to_6_weeks():
    for case in CASES:
        days = [date.fromisoformat(visit_day(case, month)) for month in case.months]
        assert days == sorted(days) and days[-1] <= TODAY
        assert all(day.isoweekday() <= 5 for day in days)
        weeks = (date.fromisoformat(visit_day(case, BASELINE)) - date.fromisoformat(case.placed_on)).days / 7
        assert 2 <= weeks <= 6


def test_what_is_found_agrees_with_what_is_drawn():
    """The examiner of the story finds what is there: enters a crevice over 100 um, sees the chip and the perforation."""
    for case in CASES:
        for month in (m for m in case.months if m >= BASELINE):
            mouth = club._mouth(case, month, "facial")
            found = {**club.at_month(case.findings, month)}
            widest = max((opening.width_um for opening in mouth.openings), default=0.0)
            assert (found.get(("explorer", "facial")) == "enters") == (widest > 100)
            assert (found.get(("uncovered_cusp", "facial")) == "chip") == (mouth.chip_mm > 0)
            assert (found.get(("perforation", "occlusal")) == "present") == (mouth.perforation_mm > 0)


def test_a_confirmed_outline_keeps_the_area_and_wanders_as_the_hand_does():
    """A band of 300 x 14 px: the area keeps to within its hand's error, vertices lie off the border by about `hand_px`."""
    mask = np.zeros((200, 400), bool)
    mask[90:104, 50:350] = True
    areas = []
    for seed in range(8):
        feature = confirmed_metal(mask, 0.8, np.random.default_rng(seed), "direct")
        areas.append(shape(feature["geometry"]).area)
        ring = np.array(feature["geometry"]["coordinates"][0][0])
        upper = ring[(ring[:, 1] < 97) & (ring[:, 0] > 60) & (ring[:, 0] < 340), 1]
        assert 0.4 < np.std(upper) < 1.2
    assert np.mean(areas) == pytest.approx(300 * 14, rel=0.03)
    assert confirmed_metal(np.zeros((50, 50), bool), 0.8, np.random.default_rng(1), "direct") is None


def test_seeds_are_the_same_on_every_machine():
    """CRC-32 of the ISO 3309 check string "123456789" is cbf43926."""
    assert seed_of("123456789") == 0xCBF43926
