"""What could be there unseen: limits below detection hold the truth, scene by scene, on teeth that the project did not draw."""

from collections import Counter

import numpy as np
import pytest
from plain_teeth import SOUND, Tooth, picture
from shapely.geometry import Polygon, box, mapping

from audit.core.annotations import parse_annotations
from audit.core.quantity import Quantity
from audit.core.records import Calibration, Photo
from audit.measure.metal import measure_metal

PHOTO = Photo("ab" * 32, 400, 400, None, "unknown", "photo")
ONE = Quantity(1.0, "mm/px", {"graduation/T": 1e-9})
PIXELS_AS_MM = Calibration("rule", ONE, ONE, 0.0, None, None, "direct", "test@1")
GREY = np.full((400, 400, 3), 128, np.uint8)


def read(pixels, outline, metal=None, **members):
    features = [{"type": "Feature", "geometry": mapping(outline), "properties": {"role": "facial_surface"}}]
    if metal is not None:
        features.append({"type": "Feature", "geometry": mapping(metal), "properties": {"role": "metal", "source": "reader"}})
    annotations = parse_annotations({"type": "FeatureCollection", "features": features, "tooth_notation": "iso3950", **members})
    return measure_metal(pixels, PHOTO, PIXELS_AS_MM, annotations)[0]


def thin_band(seed):
    """From a hairline to a band of 16 px, dark as the throat to bright, on all that a tooth may look like."""
    rng = np.random.default_rng([5, seed])
    return Tooth(
        seed, float(np.exp(rng.uniform(0.0, np.log(16.0)))), str(rng.choice(["gold", "pale_gold", "white"])), "edge",
        str(rng.choice(SOUND)), float(rng.choice([0.05, 0.1, 0.3, 1.0])), float(rng.uniform(150, 200)), bool(rng.random() < 0.5),
        float(rng.uniform(0.5, 1.3)), float(rng.uniform(0.8, 2.0)),
    )  # fmt: skip


def test_a_band_that_is_not_seen_lies_below_each_of_its_four_limits():
    unseen, outside = 0, Counter()
    for seed in range(24):
        tooth = thin_band(seed)
        drawn = picture(tooth)
        outline = Polygon(drawn.outline)
        area = float(drawn.metal.sum())
        truth = {
            "visible_metal_area": area,
            "visible_metal_fraction": area / outline.area,
            "visible_metal_height": drawn.height_px,
            "visible_metal_extent": drawn.extent_px,
        }
        alloy = "white" if tooth.metal == "white" else "gold"
        readings = read(drawn.pixels, outline, design="onlay", alloy=alloy, tooth="16" if tooth.upper else "46")
        below = {r.measurand: r.interval95[1] for r in readings if r.status == "below_detection"}
        unseen += bool(below)
        outside.update(name for name, limit in below.items() if truth[name] > limit)
    assert unseen >= 6
    assert sum(outside.values()) <= 1, outside


def test_a_photo_that_stands_on_its_head_does_not_hide_the_band():
    """A lower tooth recorded as an upper one: gum below, gold at the upper end, where an upper tooth has none."""
    drawn = picture(Tooth(4, 20.0, "gold", level=1.0, upper=False))
    area = next(
        r
        for r in read(drawn.pixels, Polygon(drawn.outline), design="onlay", alloy="gold", tooth="16")
        if r.unit == "mm2" and "metal" in r.measurand
    )
    assert area.status == "measured" and abs(area.value.value - drawn.metal.sum()) < 2.0 * area.value.u


def test_metal_drawn_only_distally_leaves_the_mesiofacial_bevel_below_what_the_hand_can_draw():
    outline = box(100, 80, 300, 320)
    readings = read(GREY, outline, box(100, 200, 180, 320), design="seven_eighths", tooth="16")
    bevel = next(r for r in readings if r.flags[-1] == "site:mesiofacial_bevel")
    assert bevel.status == "below_detection" and bevel.value is None
    assert bevel.interval95[0] == 0.0 and 3.0 < bevel.interval95[1] < 8.0 and bevel.signed.u > 1.0


def test_metal_drawn_wholly_outside_the_outline_is_none_seen_with_limits():
    for reading in read(GREY, box(100, 80, 300, 320), box(310, 100, 350, 200)):
        if reading.measurand != "facial_surface_area":
            assert reading.status == "below_detection" and reading.interval95[1] > 0.0
            assert reading.measurand != "visible_metal_extent" or reading.interval95[1] >= 200.0


@pytest.mark.parametrize("design", [None, "onlay"])
def test_a_sound_tooth_has_limits_that_say_something(design):
    """A hairline of about 3 px all round, or along the occlusal half, is what the picture leaves open."""
    drawn = picture(Tooth(3))
    limit = {r.measurand: r.interval95[1] for r in read(drawn.pixels, Polygon(drawn.outline), design=design, tooth="16")}
    assert limit["visible_metal_fraction"] < (0.08 if design is None else 0.04)
    assert limit["visible_metal_height"] < 8.0
