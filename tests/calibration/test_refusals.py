"""Every reason for which a scale is refused, each provoked, its text matched."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from reference_scenes import HALF_MM, Drawn, RuleScene, draw_rule
from rod_scenes import RodScene, draw_rod
from shapely.geometry import LineString, MultiLineString

from audit.calibration.calibrate import calibrate
from audit.core.annotations import Feature
from audit.core.clinical import KnownLength
from audit.core.records import Photo
from audit.errors import Refused

BLANK = np.full((200, 300, 3), 128, np.uint8)
PHOTO = Photo("a" * 64, 300, 200, None, "unknown", "photo")


def refused(pixels: np.ndarray, photo: Photo, feature: Feature | None, code: str, text: str, **more: Any) -> None:
    with pytest.raises(Refused, match=text) as caught:
        calibrate(pixels, photo, feature, **{"tooth_seen_in": "direct", **more})
    assert caught.value.code == code
    assert caught.value.hint


def reference(line: list[list[float]] | None, **properties: object) -> Feature:
    return Feature("reference", None if line is None else LineString(line), properties)


LINE = [[50.0, 100.0], [250.0, 100.0]]


@pytest.mark.parametrize(
    ("feature", "code", "text"),
    [
        (None, "no_reference", "rest on a reference"),
        (reference(LINE, kind="known_length", length_mm=0, u_mm=0.1), "bad_length", "length_mm must lie"),
        (reference(LINE, kind="known_length", length_mm=-9, u_mm=0.1), "bad_length", "length_mm must lie"),
        (reference(LINE, kind="known_length", length_mm=9), "length_without_uncertainty", "must have its uncertainty"),
        (reference(LINE, kind="known_length", name="buccal"), "unknown_length", "must be named or given"),
        (reference(LINE, kind="two_points"), "bad_length", "must have length_mm"),
        (reference([[50.0, 50.0], [60.0, 50.0]], kind="two_points", length_mm=5), "landmarks_too_close", "at least 20 px apart"),
        (reference(None, kind="two_points", length_mm=5), "bad_geometry", "line between two points"),
        (reference(LINE, kind="rule", tick_mm=0), "bad_length", "tick_mm must lie"),
        (reference(LINE, kind="rule", tick_mm=-1), "bad_length", "tick_mm must lie"),
        (reference(LINE, kind="rule"), "no_rule_found", "must repeat along the line"),
        (reference(None, kind="rule"), "no_rule_found", "got none that is beyond doubt"),
        (reference(LINE, kind="rod"), "bad_length", "diameter_mm must lie"),
        (reference(LINE, kind="rod", diameter_mm=-2), "bad_length", "diameter_mm must lie"),
        (reference(None, kind="rod", diameter_mm=2), "reference_not_marked", "must be marked by its two edges"),
        (reference(LINE, kind="rod", diameter_mm=2), "rod_edges_not_found", "must be clear"),
        (reference(LINE, kind="probe", marks_mm=[3, 2, 1, 5]), "bad_marks", "rising order"),
        (reference(LINE, kind="probe", marks_mm=[1, 2, 3, 5, 7]), "too_few_marks", "marks of the probe must be found"),
        (reference(LINE, kind="coin"), "reference_kind_not_supported", "kind must be known_length"),
        (reference(LINE, kind="two_points", length_mm=5, offset_mm=80), "bad_offset", "within 50 mm"),
        (reference(LINE, kind="two_points", length_mm=5, tilt_deg=80), "bad_tilt", "under 60"),
    ],
)  # fmt: skip
def test_refusal(feature: Feature | None, code: str, text: str) -> None:
    refused(BLANK, PHOTO, feature, code, text)


def test_tooth_and_reference_seen_by_different_ways() -> None:
    feature = reference(LINE, kind="two_points", length_mm=5, seen_in="mirror")
    refused(BLANK, PHOTO, feature, "mixed_light_path", "got the tooth directly and the reference in the mirror")
    assert calibrate(BLANK, PHOTO, feature, tooth_seen_in="mirror").seen_in == "mirror"


def test_a_scale_of_equal_ticks_is_ambiguous_until_its_worth_is_stated() -> None:
    drawn = draw_rule(RuleScene(ticks=((1.0, 2.0),), digits="none"))
    refused(drawn.pixels, drawn.photo, drawn.feature(), "ambiguous_pitch", "no 5 or 10 mm mark stands out")
    found = calibrate(drawn.pixels, drawn.photo, drawn.feature(tick_mm=1), tooth_seen_in="direct")
    assert "graduation_as_stated" in found.flags
    refused(drawn.pixels, drawn.photo, drawn.feature(unaided=True), "ambiguous_pitch", "no 5 or 10 mm mark stands out")


def test_an_inch_scale_is_ambiguous_even_when_millimetres_are_stated() -> None:
    inch = 25.4
    ticks = tuple((inch / n, length) for n, length in ((16, 1.6), (8, 2.3), (4, 3.1), (2, 4.0), (1, 5.0)))
    drawn = draw_rule(RuleScene(ticks=ticks, digits="none", px_per_mm=18.0, line_mm=(-22.0, 22.0)))
    refused(drawn.pixels, drawn.photo, drawn.feature(), "ambiguous_pitch", "inch")
    refused(drawn.pixels, drawn.photo, drawn.feature(tick_mm=1), "ambiguous_pitch", "inch")
    refused(drawn.pixels, drawn.photo, drawn.feature(unaided=True), "ambiguous_pitch", "inch|worth")
    reads_as_laid(drawn, inch / 16)


def reads_as_laid(drawn: Drawn, tick_mm: float) -> None:
    found = calibrate(drawn.pixels, drawn.photo, drawn.feature(tick_mm=tick_mm), tooth_seen_in="direct")
    assert found.evidence["mm_per_px_as_laid"] == pytest.approx(drawn.as_laid(np.array(found.evidence["middle_xy"])), rel=2e-3)
    assert "graduation_as_stated" in found.flags


@pytest.mark.parametrize("lengths", [(2.2, 3.4, 3.4), (2.2, 3.4, 4.6)], ids=["two lengths", "three lengths"])
@pytest.mark.parametrize("tick_mm", [2.0, 2.54], ids=["2 mm", "tenths of an inch"])
def test_every_fifth_tick_longer_does_not_prove_millimetres(tick_mm: float, lengths: tuple[float, float, float]) -> None:
    ticks = tuple((tick_mm * n, length) for n, length in zip((1, 5, 10), lengths))
    drawn = draw_rule(RuleScene(ticks=ticks, digits="none", px_per_mm=18.0, line_mm=(-24.0, 24.0)))
    refused(drawn.pixels, drawn.photo, drawn.feature(), "ambiguous_pitch", "may be 2 mm or tenths of an inch")
    refused(drawn.pixels, drawn.photo, drawn.feature(tick_mm=0.5), "ambiguous_pitch", "tick_mm must fit the scale")
    with pytest.raises(Refused, match=r"may be 2 mm or tenths of an inch|beyond doubt"):
        calibrate(drawn.pixels, drawn.photo, drawn.feature(unaided=True), tooth_seen_in="direct")
    reads_as_laid(drawn, tick_mm)


def test_millimetres_with_long_marks_of_one_length_must_be_stated() -> None:
    drawn = draw_rule(RuleScene(ticks=((1.0, 2.2), (5.0, 4.0)), digits="none"))
    refused(drawn.pixels, drawn.photo, drawn.feature(), "ambiguous_pitch", "they are of one length")
    reads_as_laid(drawn, 1.0)


def test_twentieths_of_an_inch_are_not_half_millimetres() -> None:
    inch = 25.4
    ticks = ((inch / 20, 1.4), (inch / 10, 2.2), (inch / 2, 3.4), (inch, 4.6))
    drawn = draw_rule(RuleScene(ticks=ticks, digits="none", px_per_mm=18.0, line_mm=(-24.0, 24.0)))
    refused(drawn.pixels, drawn.photo, drawn.feature(), "ambiguous_pitch", "may be parts of an inch")
    reads_as_laid(drawn, inch / 20)


def test_a_worth_told_from_lengths_alone_is_flagged() -> None:
    drawn = draw_rule(RuleScene())
    assert "graduation_told_from_lengths" in calibrate(drawn.pixels, drawn.photo, drawn.feature(), tooth_seen_in="direct").flags
    assert not calibrate(drawn.pixels, drawn.photo, drawn.feature(tick_mm=1), tooth_seen_in="direct").flags


@pytest.mark.parametrize("seed", range(4))
def test_one_5_and_one_10_mm_mark_along_a_line_tell_millimetres(seed: int) -> None:
    """A short stretch of scale, as at 1:1: two long marks of two lengths, where nobody stated what a tick is worth."""
    drawn = draw_rule(RuleScene(seed=seed, line_mm=(-5.2, 5.2), digits="none"))
    found = calibrate(drawn.pixels, drawn.photo, drawn.feature(), tooth_seen_in="direct")
    assert found.evidence["tick_mm"] == 1.0 and "graduation_told_from_lengths" in found.flags


def test_a_stated_worth_that_contradicts_the_lengths() -> None:
    drawn = draw_rule(RuleScene())
    refused(drawn.pixels, drawn.photo, drawn.feature(tick_mm=0.5), "ambiguous_pitch", "tick_mm must fit the scale")


def test_three_ticks_are_not_a_scale() -> None:
    drawn = draw_rule(RuleScene(px_per_mm=90.0, line_mm=(-1.6, 1.6)))
    with pytest.raises(Refused) as caught:
        calibrate(drawn.pixels, drawn.photo, drawn.feature(tick_mm=1), tooth_seen_in="direct")
    assert caught.value.code in ("too_few_marks", "no_rule_found")
    drawn = draw_rule(RuleScene(line_mm=(-2.4, 2.4)))
    refused(drawn.pixels, drawn.photo, drawn.feature(tick_mm=1), "too_few_marks", "at least six ticks")


def test_a_row_of_teeth_is_not_a_rule() -> None:
    drawn = draw_rule(RuleScene(length=0.0))
    refused(drawn.pixels, drawn.photo, drawn.feature(unaided=True), "no_rule_found", "beyond doubt")


@pytest.mark.parametrize("at", [0.5, 1.7, 2.9])
def test_half_millimetres_are_never_read_as_millimetres(at: float) -> None:
    """The line lies where all ticks are crossed, where only millimetres are, and where only the long marks are."""
    drawn = draw_rule(RuleScene(ticks=HALF_MM, line_at=at, line_mm=(-15.0, 15.0), px_per_mm=28.0))
    for properties in ({}, {"tick_mm": 1}, {"tick_mm": 0.5}):
        try:
            found = calibrate(drawn.pixels, drawn.photo, drawn.feature(**properties), tooth_seen_in="direct")
        except Refused:
            assert at == 2.9
            continue
        assert found.mm_per_px_across.value == pytest.approx(drawn.at_tooth(np.array(found.evidence["middle_xy"])), rel=0.02)
        assert found.evidence["tick_mm"] == 0.5


def test_a_taper_is_not_a_rod() -> None:
    scene = RodScene(taper_deg=8.0, ground=(0.5, 0.45))
    pixels, photo, marks, _ = draw_rod(scene)
    feature = Feature("reference", MultiLineString(marks["edges"]), {"kind": "rod", "diameter_mm": 2.35})
    with pytest.raises(Refused) as caught:
        calibrate(pixels, photo, feature, tooth_seen_in="direct")
    assert caught.value.code in ("rod_edges_not_parallel", "rod_edges_not_found")


def test_parallel_text() -> None:
    scene = RodScene(taper_deg=4.0, ground=(0.5, 0.45), hand_px=0.0)
    pixels, photo, marks, _ = draw_rod(scene)
    feature = Feature("reference", MultiLineString(marks["edges"]), {"kind": "rod", "diameter_mm": 2.35})
    refused(pixels, photo, feature, "rod_edges_not_parallel", "must be parallel")


def test_an_optics_record_that_lies_falls_back_to_the_stated_default() -> None:
    drawn = draw_rule(RuleScene())
    lying = replace(drawn.photo, optics=replace(drawn.photo.optics, focal_length_mm=0.0))
    found = calibrate(drawn.pixels, lying, drawn.feature(), tooth_seen_in="direct")
    assert "object_distance_assumed" in found.flags
    assert "object_distance_assumed" not in calibrate(drawn.pixels, drawn.photo, drawn.feature(), tooth_seen_in="direct").flags


def test_a_named_length_comes_from_the_restoration() -> None:
    known = (KnownLength("mesiodistal", 10.0, 0.05),)
    found = calibrate(BLANK, PHOTO, reference(LINE, kind="known_length", name="mesiodistal"), tooth_seen_in="direct", known_lengths=known)
    assert found.mm_per_px.value == pytest.approx(10.0 / 200.0, rel=0.01)
    assert any(name.startswith("known_length/mesiodistal") for name in found.mm_per_px.parts)
