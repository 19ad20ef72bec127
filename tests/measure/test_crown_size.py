"""A scale that makes the outlined tooth wider than teeth are is refused; a narrower one is told.

Widths of crowns: Wheeler's tables of measurements, from memory.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from PIL import Image
from shapely.geometry import box, mapping

from audit import api
from audit.core.annotations import parse_annotations
from audit.core.quantity import Quantity
from audit.core.records import Calibration, Refusal
from audit.measure.crown_size import NARROW_FLAG, judge_crown_size

CROWNS_MM = {"11": 8.5, "13": 7.5, "14": 7.0, "16": 10.0, "17": 9.0, "34": 7.0, "36": 11.0, "47": 10.5, "85": 10.0}


def marks(width_px: float, height_px: float, tooth: str | None, **reference: Any) -> dict[str, Any]:
    outline = mapping(box(100, 100, 100 + width_px, 100 + height_px))
    features = [{"type": "Feature", "geometry": outline, "properties": {"role": "facial_surface"}}]
    if reference:
        line = {"type": "LineString", "coordinates": [[100, 700], [600, 700]]}
        features.append({"type": "Feature", "geometry": line, "properties": {"role": "reference", **reference}})
    known = {"tooth": tooth, "tooth_notation": "iso3950"} if tooth else {}
    return {"type": "FeatureCollection", **known, "features": features}


def judged(width_mm: float, tooth: str | None, reference: str = "rule") -> Calibration | Refusal:
    scale = Quantity(0.02, "mm/px", {"graduation/T": 0.0002})
    calibration = Calibration(reference, scale, scale, 0.0, None, None, "direct", "test@1")
    return judge_crown_size(calibration, parse_annotations(marks(width_mm / 0.02, 350, tooth)))


@pytest.mark.parametrize("tooth", CROWNS_MM)
def test_a_crown_of_usual_width_passes_and_doubled_it_is_refused(tooth: str) -> None:
    """Three standard deviations of 8 % to either side still pass."""
    for share in (0.76, 1.0, 1.24):
        found = judged(share * CROWNS_MM[tooth], tooth)
        assert isinstance(found, Calibration) and not found.flags
    twice = judged(2.0 * CROWNS_MM[tooth], tooth)
    assert isinstance(twice, Refusal) and twice.code == "implausible_scale" and "tick_mm" in twice.hint


@pytest.mark.parametrize("tooth", CROWNS_MM)
def test_half_of_a_crown_is_told_but_not_refused(tooth: str) -> None:
    found = judged(0.5 * CROWNS_MM[tooth], tooth)
    assert isinstance(found, Calibration) and found.flags == (NARROW_FLAG,)


def test_an_unknown_tooth_is_between_4_and_15_mm() -> None:
    flags = [found.flags if isinstance(found := judged(mm, None), Calibration) else found.code for mm in (3.5, 4.5, 14.5, 16.0)]
    assert flags == [(NARROW_FLAG,), (), (), "implausible_scale"]


def test_every_millimetre_is_refused_and_shares_are_still_read(tmp_path: Any) -> None:
    """A length of 10 mm that is given as 20 mm, on a premolar of 7 mm."""
    photo = tmp_path / "grey.png"
    Image.fromarray(np.full((800, 800, 3), 128, np.uint8)).save(photo)
    metal = {"type": "Feature", "geometry": mapping(box(150, 400, 300, 440)), "properties": {"role": "metal", "source": "reader"}}
    for length_mm, expected in ((10.0, None), (20.0, "implausible_scale")):
        body = marks(350, 400, "14", kind="known_length", length_mm=length_mm, u_mm=0.05)
        document = api.measure_photo(photo, {**body, "features": [*body["features"], metal]})
        codes = {refusal.measurand: refusal.code for refusal in document.refusals}
        assert any(r.measurand == "visible_metal_fraction" for r in document.readings)
        assert (document.calibration is None) == (expected is not None)
        for name in ("mm_per_px", "visible_metal_area", "facial_surface_area"):
            assert codes.get(name) == expected
        assert all(reading.unit == "1" for reading in document.readings) or expected is None
