"""Margin to gingiva against plane geometry."""

import numpy as np
import pytest

from audit.core.annotations import parse_annotations
from audit.core.quantity import Quantity
from audit.core.records import Calibration, Photo
from audit.measure.gingiva import measure_gingiva

PHOTO = Photo("ab" * 32, 1000, 800, "2021-01-01", "exact", "photo")
PIXELS = np.zeros((800, 1000, 3), np.uint8)


def _calibration(along=0.02, across=0.02):
    scale, scale_across = (Quantity(v, "mm/px", {"graduation/R7": 0.005 * v}) for v in (along, across))
    return Calibration("rule", scale, scale_across, 0.0, None, None, "direct", "rule_comb@1")


def _marks(margin, gingiva):
    def feature(role, xy):
        geometry = None if xy is None else {"type": "LineString", "coordinates": np.asarray(xy, float).tolist()}
        return {"type": "Feature", "properties": {"role": role}, "geometry": geometry}

    lines = [feature("margin", xy) for xy in margin] + [feature("gingival_margin", xy) for xy in gingiva]
    return parse_annotations({"type": "FeatureCollection", "features": lines})


LINE = [[100, 300], [600, 300]]


def test_parallel_lines_give_their_distance():
    readings, refusals = measure_gingiva(PIXELS, PHOTO, _calibration(), _marks([LINE], [[[50, 250], [650, 250]]]))
    assert not refusals
    value = readings[0].value
    assert value.value == pytest.approx(50 * 0.02, abs=1e-6)
    # 5 permille of graduation, hand traces of 2 px over 20 stretches on both lines, 1 px of the reader, 3 % of pose
    expected = np.sqrt((0.005 * 1.0) ** 2 + (0.04 * np.sqrt(2 / 20)) ** 2 + 0.02**2 + 0.03**2)
    assert value.u == pytest.approx(expected, rel=0.02)


def test_each_direction_has_its_own_scale():
    readings, _ = measure_gingiva(PIXELS, PHOTO, _calibration(0.02, 0.018), _marks([LINE], [[[50, 250], [650, 250]]]))
    assert readings[0].value.value == pytest.approx(50 * 0.018, abs=1e-6)


def test_concentric_arcs_give_the_difference_of_radii():
    angle = np.linspace(0.3, 2.8, 200)
    inner, outer = (np.stack([500 + r * np.cos(angle), 600 - r * np.sin(angle)], axis=1) for r in (200, 260))
    readings, _ = measure_gingiva(PIXELS, PHOTO, _calibration(), _marks([inner], [outer]))
    assert readings[0].value.value == pytest.approx(60 * 0.02, rel=0.005)


def test_only_the_part_that_faces_counts():
    closed = [[100, 300], [600, 300], [600, 500], [100, 500], [100, 300]]
    readings, _ = measure_gingiva(PIXELS, PHOTO, _calibration(), _marks([closed], [[[50, 250], [650, 250]]]))
    assert readings[0].value.value == pytest.approx(1.0, abs=0.02)


def test_lines_that_cross_are_flagged_and_signed():
    readings, _ = measure_gingiva(PIXELS, PHOTO, _calibration(), _marks([[[100, 320], [600, 240]]], [[[50, 260], [650, 260]]]))
    reading = readings[0]
    assert "partly_subgingival" in reading.flags
    assert reading.details["least_mm"] == pytest.approx(-20 * 0.02, abs=0.02)
    assert reading.details["greatest_mm"] == pytest.approx(60 * 0.02, abs=0.02)


@pytest.mark.parametrize("draw", ["up", "down"])
def test_direction_of_drawing_changes_nothing(draw):
    gingiva = [[50, 250], [650, 250]]
    readings, _ = measure_gingiva(PIXELS, PHOTO, _calibration(), _marks([LINE], [gingiva if draw == "up" else gingiva[::-1]]))
    assert readings[0].value.value == pytest.approx(1.0)


def test_refusals_say_what_is_missing():
    def codes(calibration, marks):
        readings, refusals = measure_gingiva(PIXELS, PHOTO, calibration, marks)
        assert not readings
        return [(r.code, r.reason) for r in refusals]

    gingiva = [[50, 250], [650, 250]]
    assert codes(_calibration(), _marks([], [gingiva]))[0] == ("no_margin", "margin must be traced beside the gingival margin; got none.")
    assert codes(None, _marks([LINE], [gingiva]))[0][0] == "no_reference"
    assert codes(_calibration(), _marks([LINE], [None]))[0][0] == "no_gingival_margin"
    assert codes(_calibration(), _marks([LINE], [[[700, 250], [900, 250]]]))[0][0] == "does_not_face"
    assert codes(_calibration(), _marks([LINE], [])) == []
