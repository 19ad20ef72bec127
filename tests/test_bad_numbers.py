"""A property that is no number refuses what rests on it in one line; everything else on the photo is still measured."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest

from audit import api

DEMO = Path(__file__).resolve().parent.parent / "demo_photos" / "photos" / "M01-011"
PHOTO, MARKS = DEMO / "2019-05-06_facial.jpg", DEMO / "2019-05-06_facial.geojson"
BAD = ["10", math.nan, math.inf, True, [1], {"mm": 1}, 10**400, 1e300]
REFERENCES: dict[str, tuple[str, dict[str, Any], Any]] = {
    "rule": ("tick_mm", {}, [[100, 780], [900, 790]]),
    "two_points": ("length_mm", {"u_mm": 0.1}, [[300, 300], [600, 300]]),
    "rod": ("diameter_mm", {}, [[100, 100], [400, 120]]),
    "known_length": ("length_mm", {"u_mm": 0.1}, [[300, 300], [600, 300]]),
}


def measured(change: Any) -> Any:
    marks = json.loads(MARKS.read_text(encoding="utf-8"))
    change(marks["features"])
    return api.measure_photo(PHOTO, marks)


@pytest.mark.parametrize("value", BAD, ids=lambda value: repr(value)[:12])
@pytest.mark.parametrize("kind", REFERENCES)
def test_a_reference_with_a_wrong_number_is_refused_and_the_share_of_metal_still_read(kind: str, value: Any) -> None:
    name, more, line = REFERENCES[kind]

    def change(features: list[dict[str, Any]]) -> None:
        features[:] = [f for f in features if f["properties"]["role"] in ("facial_surface", "metal")]
        geometry = {"type": "LineString", "coordinates": line}
        features.append({"type": "Feature", "properties": {"role": "reference", "kind": kind, name: value, **more}, "geometry": geometry})

    document = measured(change)
    refusal = next(r for r in document.refusals if r.measurand == "mm_per_px")
    assert refusal.code == "bad_number" and f"{name} of a reference must be a number" in refusal.reason
    assert document.calibration is None and "visible_metal_fraction" in {r.measurand for r in document.readings}


@pytest.mark.parametrize(
    ("value", "more"), [*((bad, {}) for bad in BAD), (95.0, {}), (20.0, {"u_slope_deg": -1.0})], ids=lambda value: repr(value)[:12]
)
def test_a_slope_that_is_none_refuses_the_metal_and_not_the_scale(value: Any, more: dict[str, Any]) -> None:
    def change(features: list[dict[str, Any]]) -> None:
        features[:] = [f for f in features if f["properties"]["role"] in ("facial_surface", "metal", "reference")]
        next(f for f in features if f["properties"]["role"] == "facial_surface")["properties"].update({"slope_deg": value, **more})

    document = measured(change)
    assert document.calibration is not None
    assert {r.code for r in document.refusals if r.measurand == "visible_metal_area"} == {"bad_number"}


@pytest.mark.parametrize("name", ["offset_mm", "u_offset_mm", "tilt_deg", "u_mm"])
@pytest.mark.parametrize("value", BAD[:3], ids=repr)
def test_every_other_number_of_a_reference_is_checked(name: str, value: Any) -> None:
    def change(features: list[dict[str, Any]]) -> None:
        reference = next(f for f in features if f["properties"]["role"] == "reference")
        reference["properties"] = {**reference["properties"], "offset_mm": 0.0, name: value}

    document = measured(change)
    assert {r.code for r in document.refusals if r.measurand == "mm_per_px"} == {"bad_number"}
