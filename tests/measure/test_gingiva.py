"""Margin to gingiva against plane geometry."""

from dataclasses import replace

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


GUM, TOOTH = (0.45, 0.16, 0.15), (0.55, 0.47, 0.33)  # linear light; from memory


def _mouth(gingiva_y=400, upper=False):
    """A tooth of enamel's colour on a gingiva; `upper` puts the gingiva above. sRGB by its formula (IEC 61966-2-1)."""
    light = np.empty((800, 1000, 3))
    light[:gingiva_y], light[gingiva_y:] = (GUM, TOOTH) if upper else (TOOTH, GUM)
    return np.round(255 * (1.055 * light ** (1 / 2.4) - 0.055)).astype(np.uint8)


def _with_outline(marks, box):
    left, top, right, bottom = box
    ring = [[left, top], [right, top], [right, bottom], [left, bottom], [left, top]]
    outline = {"type": "Feature", "properties": {"role": "facial_surface"}, "geometry": {"type": "Polygon", "coordinates": [ring]}}
    return replace(marks, features=(*marks.features, *parse_annotations({"type": "FeatureCollection", "features": [outline]}).features))


def _turned(xy, degrees):
    a = np.radians(degrees)
    return (np.asarray(xy, float) - 400) @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]]) + 400


@pytest.mark.parametrize("degrees", [0, 35, 90, 180, 270])
@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("below_px", [25, -25])
def test_a_margin_wholly_below_the_gingiva_is_negative_by_the_outline_however_the_picture_is_turned(degrees, mirrored, below_px):
    """Lower tooth, gingiva at y = 400; turned by 180 degrees it is an upper one. Plane geometry."""
    margin, gingiva = [[200, 400 + below_px], [600, 400 + below_px]], [[150, 400], [650, 400]]
    tooth = [[150, 200], [650, 200], [650, 399], [150, 399], [150, 200]]
    shapes = [_turned(xy, degrees) * ([-1, 1] if mirrored else [1, 1]) + ([1000, 0] if mirrored else [0, 0])
              for xy in (margin, gingiva, tooth)]  # fmt: skip
    marks = _marks([shapes[0]], [shapes[1][::-1]])
    outline = {"type": "Feature", "properties": {"role": "facial_surface"},
               "geometry": {"type": "Polygon", "coordinates": [shapes[2].tolist()]}}  # fmt: skip
    outlined = parse_annotations({"type": "FeatureCollection", "features": [outline]})
    reading = measure_gingiva(PIXELS, PHOTO, _calibration(), replace(marks, features=marks.features + outlined.features))[0][0]
    assert reading.value.value == pytest.approx(-below_px * 0.02, abs=1e-3)
    assert ("subgingival" in reading.flags) is (below_px > 0) and "side_assumed" not in reading.flags


@pytest.mark.parametrize("upper", [False, True])
def test_without_an_outline_the_redder_side_is_the_gingiva(upper):
    sign = -1 if upper else 1
    margin = [[200, 400 + sign * 25], [600, 400 + sign * 25]]
    reading = measure_gingiva(_mouth(upper=upper), PHOTO, _calibration(), _marks([margin], [[[150, 400], [650, 400]]]))[0][0]
    assert reading.value.value == pytest.approx(-0.5, abs=1e-3) and "side_assumed" not in reading.flags


def test_the_outline_of_another_light_path_does_not_tell_the_side_and_an_assumed_side_is_said():
    marks = _with_outline(_marks([[[200, 425], [600, 425]]], [[[150, 400], [650, 400]]]), (150, 410, 650, 600))
    mirrored = replace(marks, features=tuple(
        replace(f, properties={**f.properties, "seen_in": "mirror"}) if f.role == "facial_surface" else f for f in marks.features
    ))  # fmt: skip
    reading = measure_gingiva(PIXELS, PHOTO, _calibration(), mirrored)[0][0]
    assert "side_assumed" in reading.flags and reading.value.value == pytest.approx(0.5, abs=1e-3)
    assert "side_assumed" not in measure_gingiva(PIXELS, PHOTO, _calibration(), marks)[0][0].flags


def test_the_edge_of_a_rod_and_the_edge_of_the_gingiva_are_two_sources():
    calibration = _calibration()
    rod = replace(calibration.mm_per_px, parts={**calibration.mm_per_px.parts, f"boundary/{PHOTO.identity}:rod": 0.0004})
    calibration = replace(calibration, mm_per_px=rod, mm_per_px_across=rod)
    parts = measure_gingiva(PIXELS, PHOTO, calibration, _marks([LINE], [[[50, 250], [650, 250]]]))[0][0].value.parts
    assert parts[f"boundary/{PHOTO.identity}:rod"] == pytest.approx(0.0004 / 0.02 * 1.0)
    assert parts[f"boundary/{PHOTO.identity}:gingiva"] == pytest.approx(0.02)
