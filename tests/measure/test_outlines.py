"""One click on a tooth, outlines that hold more or less than one tooth, and strokes that correct a region."""

import numpy as np
import pytest
from metal_scenes import Sketch, draw
from plain_teeth import Tooth, picture
from shapely import affinity
from shapely.geometry import Polygon, box, mapping

from audit.core.annotations import parse_annotations
from audit.core.quantity import Quantity
from audit.core.records import Calibration, Photo
from audit.errors import Refused
from audit.imaging.segment import propose_metal
from audit.imaging.strokes import Stroke, correct_metal
from audit.imaging.tooth_outline import propose_outline
from audit.measure.metal import measure_metal

PHOTO = Photo("cd" * 32, 600, 600, None, "unknown", "photo")


def overlap(one, two):
    return one.intersection(two).area / one.union(two).area


def test_a_click_on_sound_enamel_outlines_the_tooth():
    """Off the middle, sometimes on a highlight or beside a cavity; figures: 11 of 12 overlap by more than 0.93."""
    overlaps = []
    for seed in range(12):
        drawn = picture(Tooth(seed, sound=("clean", "yellow_wet", "caries", "stained_fissure")[seed % 4], upper=seed % 2 == 0))
        truth = Polygon(drawn.outline)
        overlaps.append(overlap(propose_outline(drawn.pixels, (truth.centroid.x - 20, truth.centroid.y + 15)), truth))
    assert np.sum(np.array(overlaps) > 0.85) >= 11


def test_a_click_keeps_its_place_when_the_photo_is_larger():
    drawn = picture(Tooth(3))
    large = np.kron(drawn.pixels, np.ones((3, 3, 1), np.uint8))
    here = propose_outline(drawn.pixels, (192, 190))
    there = propose_outline(large, (192 * 3 + 1, 190 * 3 + 1))
    assert overlap(affinity.scale(here, 3, 3, origin=(-0.5, -0.5)), there) > 0.9


@pytest.mark.parametrize(
    ("pixels", "point"),
    [
        (np.full((300, 300, 3), 140, np.uint8), (150, 150)),
        (np.full((300, 300, 3), 3, np.uint8), (150, 150)),
        (picture(Tooth(1)).pixels, (-4, 10)),
        (picture(Tooth(1)).pixels[..., 0], (190, 190)),
    ],
)
def test_a_click_on_nothing_is_refused_in_words(pixels, point):
    with pytest.raises(Refused) as no:
        propose_outline(pixels, point)
    assert no.value.code == "outline_not_found" and "lick" in no.value.hint


def refused(pixels, outline, blur_px=None):
    one = Quantity(0.04, "mm/px", {"graduation/T": 1e-9})
    blur = None if blur_px is None else Quantity(blur_px, "px", {"blur/T": 0.1})
    calibration = Calibration("rule", one, one, 0.0, None, blur, "direct", "test@1")
    feature = {"type": "Feature", "geometry": mapping(outline), "properties": {"role": "facial_surface"}}
    readings, refusals = measure_metal(pixels, PHOTO, calibration, parse_annotations({"type": "FeatureCollection", "features": [feature]}))
    assert {r.measurand for r in readings} <= {"facial_surface_area"}
    return {r.code: r.reason + " " + r.hint for r in refusals}


def test_an_outline_that_includes_the_gum_is_refused():
    drawn = picture(Tooth(2))
    tooth = Polygon(drawn.outline)
    words = refused(drawn.pixels, tooth.union(affinity.translate(tooth, 0.0, -60.0)).intersection(box(0, 0, *drawn.pixels.shape[:2])))
    assert list(words) == ["outline_includes_gum"] and "along the gum's edge" in words["outline_includes_gum"]


def test_an_outline_round_two_teeth_is_refused():
    one = picture(Tooth(5))
    half = int(one.outline[:, 0].max()) + 1
    start = int(one.outline[:, 0].min())
    pair = np.hstack([one.pixels[:, :half], one.pixels[:, start:]])
    second = one.outline + np.array([half - start, 0.0])
    both = Polygon(one.outline).buffer(2.0).union(Polygon(second).buffer(2.0)).union(box(half - 20.0, 120.0, half + 20.0, 260.0))
    words = refused(pair, both)
    assert list(words) == ["outline_not_one_tooth"] and "two teeth" in words["outline_not_one_tooth"]


def test_an_outline_outside_the_photo_or_lost_in_its_blur_is_refused():
    drawn = picture(Tooth(2))
    words = refused(drawn.pixels, affinity.translate(Polygon(drawn.outline), 200.0, 0.0))
    assert list(words) == ["outline_outside"] and "full size" in words["outline_outside"]
    words = refused(drawn.pixels, Polygon(drawn.outline), blur_px=25.0)
    assert list(words) == ["outline_too_small"] and "blurred by 25 px" in words["outline_too_small"]


def missed():
    """White metal that mirrors a lit mouth: a part of it is not found."""
    drawn = picture(Tooth(6, 20.0, "white", where="frame"))
    return drawn, Polygon(drawn.outline)


def test_strokes_bring_the_region_nearer_to_the_truth():
    drawn, outline = missed()
    before = propose_metal(drawn.pixels, outline)
    ring = affinity.scale(outline, 0.92, 0.92).exterior
    inner = affinity.scale(outline, 0.6, 0.6).exterior
    strokes = [Stroke(np.asarray(ring.coords), True), Stroke(np.asarray(inner.coords), False)]
    after = correct_metal(drawn.pixels, outline, before, strokes)
    truth = drawn.metal.sum()
    assert abs(after.region.area - truth) < min(0.12 * truth, abs(before.region.area - truth))
    assert after.region.covers(affinity.scale(ring, 0.999, 0.999).interpolate(10.0))


def test_a_stroke_of_not_metal_takes_it_away_and_no_stroke_changes_nothing():
    drawn = draw(Sketch(38, "bevel", "gold", 30.0, upper=True, light=0.9, confounders=(), blur_px=1.0, jitter_px=0.0))
    outline = Polygon(drawn.outline)
    before = propose_metal(drawn.pixels, outline, "onlay", "gold", True)
    assert correct_metal(drawn.pixels, outline, before, []) is before
    inside = np.argwhere(drawn.metal > 0.9)[:, ::-1][::40].astype(float)
    after = correct_metal(drawn.pixels, outline, before, [Stroke(inside, False, 12.0)])
    assert after.region.area < 0.2 * before.region.area


def test_a_point_is_a_stroke_and_its_order_does_not_matter():
    drawn, outline = missed()
    before = propose_metal(drawn.pixels, outline)
    strokes = [Stroke(np.array([[190.0, 290.0]]), True), Stroke(np.array([[150.0, 190.0]]), False)]
    one, two = (correct_metal(drawn.pixels, outline, before, s) for s in (strokes, strokes[::-1]))
    assert one.region.equals(two.region) and one.region.area > before.region.area
