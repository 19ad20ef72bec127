"""Readings of visible metal: what is read where, and every refusal."""

from functools import cache

import numpy as np
import pytest
from metal_scenes import Sketch, draw
from shapely import affinity
from shapely.geometry import Point, Polygon, box, mapping

from audit.core.annotations import parse_annotations
from audit.core.quantity import Quantity
from audit.core.records import Calibration, Photo
from audit.measure.metal import measure_metal, propose_metal

MM_PER_PX = 0.04
PHOTO = Photo("ab" * 32, 400, 400, None, "unknown", "photo")
ID = PHOTO.identity


def scale(mm_per_px=MM_PER_PX, u=0.0, seen_in="direct"):
    q = Quantity(mm_per_px, "mm/px", {"graduation/T": u})
    return Calibration("rule", q, q, 0.0, None, None, seen_in, "test@1")


def marks(outline, metal=None, role="facial_surface", properties=None, **members):
    features = [{"type": "Feature", "geometry": mapping(outline), "properties": {"role": role, **(properties or {})}}]
    if metal is not None:
        features.append({"type": "Feature", "geometry": mapping(metal), "properties": {"role": "metal", "source": "reader"}})
    return parse_annotations({"type": "FeatureCollection", "features": features, **members})


def read(pixels, annotations, calibration=None):
    readings, refusals = measure_metal(pixels, PHOTO, calibration, annotations)
    return {r.measurand: r for r in reversed(readings)}, {r.measurand: r for r in refusals}


@cache
def golden():
    return draw(
        Sketch(seed=38, metal="bevel", alloy="gold", band_px=30.0, upper=True, light=0.9, confounders=(), blur_px=1.0, jitter_px=0.0)
    )


@cache
def sound():
    return draw(Sketch(seed=32, metal="none", upper=True, light=0.9, confounders=(), blur_px=1.0, jitter_px=0.0))


GREY = np.full((400, 400, 3), 128, np.uint8)
TOOTH = box(100, 80, 300, 320)


def test_a_readers_ellipse_is_measured_as_it_stands():
    """pi a b at a sub-pixel place; never segmented again, so the pixels may be blank."""
    ellipse = affinity.translate(affinity.scale(Point(0, 0).buffer(1, quad_segs=64), 60, 20), 200.31, 280.77)
    got, refused = read(GREY, marks(TOOTH, ellipse), scale())
    truth = np.pi * 60 * 20
    assert got["visible_metal_area"].value.value == pytest.approx(truth * MM_PER_PX**2, rel=1e-3)
    assert abs(got["visible_metal_area"].value.value - truth * MM_PER_PX**2) < got["visible_metal_area"].value.u
    assert got["visible_metal_fraction"].value.value == pytest.approx(truth / TOOTH.area, rel=1e-3)
    assert got["visible_metal_height"].value.value == pytest.approx(40 * MM_PER_PX, rel=0.01)
    assert got["visible_metal_extent"].value.value == pytest.approx(120 * MM_PER_PX, rel=1e-3)
    assert got["facial_surface_area"].value.value == pytest.approx(200 * 240 * MM_PER_PX**2)
    assert not refused and all("projected" in r.flags for r in got.values())
    assert "region_by_reader" in got["visible_metal_area"].flags


def test_fraction_needs_no_reference_and_the_rest_is_refused_in_words():
    got, refused = read(GREY, marks(TOOTH, box(150, 280, 250, 310)))
    assert list(got) == ["visible_metal_fraction"]
    assert set(refused) == {"facial_surface_area", "visible_metal_area", "visible_metal_height", "visible_metal_extent"}
    assert {r.code for r in refused.values()} == {"no_reference"} and "scale" in refused["visible_metal_area"].reason


def test_a_reference_outside_the_mirror_does_not_scale_a_tooth_in_it():
    _, refused = read(GREY, marks(TOOTH, box(150, 280, 250, 310), properties={"seen_in": "mirror"}), scale())
    assert refused["visible_metal_area"].code == "reference_seen_differently" and "mirror" in refused["visible_metal_area"].reason


def test_metal_is_not_asked_of_a_complete_crown():
    got, refused = read(golden().pixels, marks(Polygon(golden().outline), design="complete_crown"), scale())
    assert list(got) == ["facial_surface_area"]
    assert {r.code for r in refused.values()} == {"not_applicable"} and len(refused) == 4
    assert "complete cast crown" in refused["visible_metal_height"].reason


def test_sources_are_named_and_a_named_reader_owns_the_trace():
    region = box(150, 280, 250, 310)
    got, _ = read(GREY, marks(TOOTH, region), scale(u=0.0004))
    assert set(got["visible_metal_area"].value.parts) == {f"boundary/{ID}:metal", f"outline/{ID}", f"pose/{ID}", "graduation/T"}
    got, _ = read(GREY, marks(TOOTH, region, reader="R2"), scale())
    assert f"trace/R2/{ID}" in got["visible_metal_area"].value.parts


def test_the_scale_enters_an_area_twice_and_a_height_once():
    got, _ = read(GREY, marks(TOOTH, box(150, 280, 250, 310)), scale(u=0.0004))
    area, height = got["visible_metal_area"].value, got["visible_metal_height"].value
    assert area.relative_parts["graduation/T"] == pytest.approx(0.02, rel=1e-3)
    assert height.relative_parts["graduation/T"] == pytest.approx(0.01, rel=1e-3)


def test_a_given_slope_replaces_the_default_of_the_bevel():
    flat = {
        "type": "Feature",
        "geometry": mapping(box(150, 280, 250, 310)),
        "properties": {"role": "metal", "slope_deg": 0, "u_slope_deg": 2},
    }
    given = marks(TOOTH)
    with_slope = parse_annotations({"type": "FeatureCollection", "features": [
        {"type": "Feature", "geometry": mapping(TOOTH), "properties": {"role": "facial_surface"}}, flat]})  # fmt: skip
    default, _ = read(GREY, marks(TOOTH, box(150, 280, 250, 310)), scale())
    got, _ = read(GREY, with_slope, scale())
    assert given.first("metal") is None
    part = got["visible_metal_height"].value.relative_parts[f"pose/{ID}"]
    assert part < 0.01 < 0.08 < default["visible_metal_height"].value.relative_parts[f"pose/{ID}"]


@pytest.mark.parametrize(
    ("tooth", "seen_in", "right"), [("16", "direct", True), ("26", "direct", False), ("16", "mirror", False), ("46", "direct", True)]
)
def test_the_bevel_of_a_seven_eighths_is_read_on_the_mesial_side(tooth, seen_in, right):
    """Seen from in front the midline lies to the right of quadrants 1 and 4; a mirror reverses it."""
    bevel = Polygon([(100, 320), (300, 320), (300, 310), (200, 310), (200, 260), (100, 260)])
    annotations = marks(TOOTH, bevel, properties={"seen_in": seen_in}, tooth=tooth, tooth_notation="iso3950", design="seven_eighths")
    readings, _ = measure_metal(GREY, PHOTO, scale(seen_in=seen_in), annotations)
    heights = [r for r in readings if r.measurand == "visible_metal_height"]
    assert len(heights) == 2 and "site:mesiofacial_bevel" not in heights[0].flags
    assert heights[1].flags[-1] == "site:mesiofacial_bevel"
    assert heights[1].value.value == pytest.approx((10 if right else 60) * MM_PER_PX, rel=0.01)


def test_the_distal_half_is_uncertain_by_the_direction_of_view():
    """Metal of the slope of the surface, on one side of it: a camera 5 degrees aside sees 5 deg x tan(45 deg / 2) = 3.6 % more."""
    got, _ = read(GREY, marks(TOOTH, box(100, 80, 200, 320), design="seven_eighths"), scale())
    assert got["visible_metal_fraction"].value.relative_parts[f"pose/{ID}"] == pytest.approx(0.036, abs=0.002)
    assert got["visible_metal_area"].value.relative_parts[f"pose/{ID}"] > 0.036


@pytest.mark.parametrize("members", [{"design": "onlay", "tooth": "16", "tooth_notation": "iso3950"}, {"design": "seven_eighths"}])
def test_no_bevel_is_read_on_other_designs_or_an_unknown_tooth(members):
    readings, _ = measure_metal(GREY, PHOTO, scale(), marks(TOOTH, box(150, 280, 250, 310), **members))
    assert sum(r.measurand == "visible_metal_height" for r in readings) == 1


def test_gold_is_proposed_and_measured_within_its_uncertainty():
    drawn = golden()
    got, _ = read(drawn.pixels, marks(Polygon(drawn.outline), alloy="gold"), scale())
    area, truth = got["visible_metal_area"], drawn.metal.sum() * MM_PER_PX**2
    assert area.status == "measured" and "region_by_proposal" in area.flags
    assert abs(area.value.value - truth) < 2.0 * area.value.u
    assert area.details["region"]["type"] == "MultiPolygon"


def test_gold_that_looks_like_gum_and_shadow_is_refused_not_called_absent():
    drawn = draw(
        Sketch(seed=31, metal="bevel", alloy="gold", band_px=30.0, upper=True, light=0.9, confounders=(), blur_px=1.0, jitter_px=0.0)
    )
    got, refused = read(drawn.pixels, marks(Polygon(drawn.outline), alloy="gold"), scale())
    assert set(got) == {"facial_surface_area"}
    assert {r.code for r in refused.values()} == {"metal_undecided"} and "by hand" in refused["visible_metal_area"].hint


def test_a_tooth_without_metal_is_below_detection_with_a_limit():
    drawn = sound()
    got, _ = read(drawn.pixels, marks(Polygon(drawn.outline)), scale())
    for name in ("visible_metal_area", "visible_metal_fraction", "visible_metal_height", "visible_metal_extent"):
        reading = got[name]
        assert reading.status == "below_detection" and reading.value is None
        assert reading.interval95[0] == 0.0 < reading.interval95[1] and reading.signed.u > 0
    assert got["visible_metal_fraction"].interval95[1] < 0.08
    assert got["visible_metal_extent"].interval95[1] >= MM_PER_PX * np.ptp(drawn.outline[:, 0])


def test_no_lower_bound_is_negative():
    got, _ = read(GREY, marks(TOOTH, box(150, 318, 160, 319)), scale())
    assert all(r.interval95[0] >= 0.0 for r in got.values())


def test_the_proposal_moves_with_the_photo():
    drawn = golden()
    outline = Polygon(drawn.outline)
    moved = np.pad(drawn.pixels, ((37, 0), (52, 0), (0, 0)), mode="edge")
    here, there = propose_metal(drawn.pixels, outline), propose_metal(moved, affinity.translate(outline, 52, 37))
    assert there.region.area == pytest.approx(here.region.area, rel=0.02)


def test_a_proposal_carries_its_mask_and_evidence():
    proposal = propose_metal(golden().pixels, Polygon(golden().outline), "onlay", "gold", True)
    assert proposal.mask.shape == proposal.probability.shape == proposal.grid.inside.shape
    assert proposal.mask.sum() * proposal.grid.cell_px2 == pytest.approx(proposal.region.area, rel=0.05)
    assert 0.2 < proposal.evidence["enamel_share"] <= 1.0 and proposal.evidence["alloy"] == "gold"


def _tooth(light):
    return (sound().pixels * light).clip(0, 255).astype(np.uint8)


@pytest.mark.parametrize(
    ("pixels", "outline", "code", "word"),
    [
        (lambda: sound().pixels, box(150, 150, 165, 170), "outline_too_small", "px across"),
        (lambda: np.repeat(sound().pixels.mean(axis=2, keepdims=True).astype(np.uint8), 3, axis=2), None, "greyscale", "no colour"),
        (lambda: np.maximum(_tooth(1.0), np.array([255, 255, 252], np.uint8)), None, "overexposed", "white"),
        (lambda: _tooth(0.06), None, "underexposed", "black"),
        (lambda: np.full((400, 400, 3), [150, 40, 45], np.uint8), None, "enamel_not_found", "colour of a tooth"),
    ],
)
def test_photos_that_cannot_be_judged_are_refused(pixels, outline, code, word):
    got, refused = read(pixels(), marks(outline or Polygon(sound().outline)), scale())
    assert set(got) == {"facial_surface_area"}
    assert {r.code for r in refused.values()} == {code} and word in refused["visible_metal_area"].reason
    assert all(r.hint.endswith(".") for r in refused.values())


def test_nothing_is_read_without_an_outline():
    assert measure_metal(GREY, PHOTO, scale(), parse_annotations({"type": "FeatureCollection", "features": []})) == ([], [])


def test_metal_drawn_past_the_outline_or_twice_counts_once_and_inside():
    wide = box(*TOOTH.bounds).buffer(20.0)
    got, _ = read(GREY, {**marks(TOOTH, wide)} if isinstance(marks(TOOTH, wide), dict) else marks(TOOTH, wide), scale())
    assert got["visible_metal_fraction"].value.value == pytest.approx(1.0)
