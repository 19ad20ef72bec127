"""Slots of any level and colour, drawn without the project: the interval holds the truth by scene, or the reading is refused."""

from functools import cache
from itertools import product

import numpy as np
import pytest
from slot_scenes import GOLD, LENGTH_PX, OPEN, PX_PER_MM, Slot, draw

from audit.core.annotations import parse_annotations
from audit.core.quantity import Quantity
from audit.core.records import Calibration, Photo
from audit.measure.margin import measure_margin

WHITE = (0.50, 0.50, 0.52)
TRACE_PX = LENGTH_PX - 30
OPEN_SHARE = (OPEN[1] - OPEN[0]) * LENGTH_PX / TRACE_PX
DARK, LIGHT = (0.05, 0.2), (0.38, 0.45, 0.52, 0.6)


@cache
def read(slot):
    pixels, trace = draw(slot)
    photo = Photo("ab" * 32, LENGTH_PX, 160, "2021-01-01", "exact", "photo")
    scale = Quantity(1 / PX_PER_MM, "mm/px", {"graduation/R7": 0.003 / PX_PER_MM, f"boundary/{photo.identity}:rod": 0.001 / PX_PER_MM})
    calibration = Calibration("rod", scale, scale, 0.0, None, None, "direct", "rod_silhouette@1")
    feature = {"type": "Feature", "properties": {"role": "margin"}, "geometry": {"type": "LineString", "coordinates": trace.tolist()}}
    readings, segments, _ = measure_margin(
        pixels, photo, calibration, parse_annotations({"type": "FeatureCollection", "features": [feature]})
    )
    return {r.measurand: r for r in readings}, segments


def scenes(levels):
    return [Slot(um, level, blur, seed=int(100 * level) + um) for level, um, blur in product(levels, (60, 130, 300, 400), (1.0, 1.7, 2.5))]


def held(slot):
    """Whether every interval that is claimed of this scene holds the truth."""
    readings, _ = read(slot)
    opened = {"widest_marginal_opening": slot.um, "mean_marginal_opening": slot.um * OPEN_SHARE}
    if fraction := readings.get("continuous_margin_fraction"):
        opened["continuous_margin_fraction"] = 1.0 - OPEN_SHARE * (slot.um > fraction.details["threshold"])
    rest = {"continuous_margin_fraction": 0.03}  # a station at each end of the slot
    return all(
        readings[name].interval95[0] - rest.get(name, 1e-6) <= true <= readings[name].interval95[1] + rest.get(name, 1e-6)
        for name, true in opened.items() if name in readings
    )  # fmt: skip


def test_intervals_hold_the_truth_in_95_percent_of_scenes_whatever_fills_the_slot():
    missed = [slot for slot in scenes(DARK + LIGHT) if not held(slot)]
    assert len(missed) <= 0.05 * len(scenes(DARK + LIGHT)), missed
    assert all(slot.level >= 0.45 for slot in missed)


def test_dark_slots_are_measured_and_seldom_refused():
    refused = [slot for slot in scenes(DARK) if "widest_marginal_opening" not in read(slot)[0]]
    assert len(refused) <= 0.15 * len(scenes(DARK)), refused


@pytest.mark.parametrize("level", [0.45, 0.52])
@pytest.mark.parametrize("um", [200, 300, 400])
def test_a_resolved_slot_filled_with_something_light_is_never_counted_continuous(um, level):
    readings, segments = read(Slot(um, level, 1.3, seed=um))
    inside = [s for s in segments if s.end_mm > 0.33 * LENGTH_PX / PX_PER_MM and s.start_mm < 0.62 * LENGTH_PX / PX_PER_MM]
    blind = sum(s.end_mm - s.start_mm for s in inside if s.state == "unassessable")
    assert blind > 0.5 * OPEN_SHARE * TRACE_PX / PX_PER_MM
    assert (
        "widest_marginal_opening" not in readings and "paler_than_a_crevice" in readings["assessed_margin_length"].details["unassessable"]
    )


def test_the_limit_of_a_line_that_is_called_a_stain_or_a_step_is_never_below_its_width():
    for slot in scenes((0.5, 0.6)):
        widest = read(slot)[0].get("widest_marginal_opening")
        if widest is not None and slot.um / 1000 * PX_PER_MM > 2.5 * slot.blur_px:
            assert widest.interval95[1] >= slot.um, slot


@pytest.mark.parametrize("metal", [tuple(GOLD), WHITE])
@pytest.mark.parametrize("um", [120, 250])
def test_a_line_of_a_pigments_hue_is_flagged_and_not_measured(um, metal):
    """Red over blue of 4 in linear light: dark brown."""
    widest = read(Slot(um, colour=(0.20, 0.10, 0.05), metal=metal, blur_px=1.3, seed=um))[0]["widest_marginal_opening"]
    assert "may_be_stain" in widest.flags
    assert widest.status == "detected" and widest.value is None
    assert widest.interval95[0] == 0.0 and widest.interval95[1] > um


@pytest.mark.parametrize("metal", [tuple(GOLD), WHITE])
@pytest.mark.parametrize("lit", ["unlit", "neutral", "tooth", "metal"])
def test_a_slot_that_is_dark_in_the_hue_of_its_sides_is_measured_without_that_flag(metal, lit):
    colour = {"unlit": (0.02,) * 3, "neutral": (0.06,) * 3, "tooth": (0.066, 0.056, 0.04), "metal": tuple(0.1 * np.array(metal))}[lit]
    widest = read(Slot(200, colour=colour, metal=metal, seed=5))[0]["widest_marginal_opening"]
    assert widest.status == "measured" and "may_be_stain" not in widest.flags
    assert abs(widest.value.value - 200) < 2 * widest.value.u


def test_the_edges_of_the_reference_and_of_the_margin_are_two_sources():
    parts = read(Slot(200, seed=5))[0]["widest_marginal_opening"].value.parts
    names = {name.rsplit(":", 1)[-1] for name in parts if name.startswith("boundary/")}
    assert names == {"rod", "margin"}
