"""Several references in one photo."""

from __future__ import annotations

import numpy as np
import pytest
from shapely.geometry import LineString

from audit.calibration.several import calibrate_by_all
from audit.core.annotations import Feature
from audit.core.records import Photo
from audit.errors import Refused

BLANK = np.full((600, 900, 3), 128, np.uint8)
PHOTO = Photo("a" * 64, 900, 600, None, "unknown", "photo")


def length(mm: float, u_mm: float, **more: object) -> Feature:
    """A known length that is 500 px long."""
    return Feature(
        "reference", LineString([(200, 300), (700, 300)]), {"kind": "known_length", "length_mm": mm, "u_mm": u_mm, "offset_mm": 0, **more}
    )


def test_the_surest_of_several_gives_the_scale() -> None:
    found = calibrate_by_all(BLANK, PHOTO, [length(10.1, 0.3), length(10.0, 0.02)], tooth_seen_in="direct")
    alone = calibrate_by_all(BLANK, PHOTO, [length(10.0, 0.02)], tooth_seen_in="direct")
    assert found == alone


@pytest.mark.parametrize("mm", [8.0, 11.0, 20.0])
def test_references_that_disagree_are_refused(mm: float) -> None:
    with pytest.raises(Refused, match="must agree; got known_length and known_length that differ by") as caught:
        calibrate_by_all(BLANK, PHOTO, [length(10.0, 0.05), length(mm, 0.05)], tooth_seen_in="direct")
    assert caught.value.code == "references_disagree"


def test_honest_pairs_agree() -> None:
    """Independent errors as claimed: at 2.58 standard uncertainties one pair in a hundred is refused by chance."""
    rng = np.random.default_rng(2)
    scale = calibrate_by_all(BLANK, PHOTO, [length(10.0, 0.1)], tooth_seen_in="direct").mm_per_px
    refused = 0
    for _ in range(400):
        one, other = 10.0 * (1 + scale.u / scale.value * rng.standard_normal(2))
        try:
            calibrate_by_all(BLANK, PHOTO, [length(one, 0.1), length(other, 0.1)], tooth_seen_in="direct")
        except Refused:
            refused += 1
    assert 0 < refused <= 12


def test_a_reference_that_cannot_be_read_is_told() -> None:
    mixed = length(10.0, 0.05, seen_in="mirror")
    found = calibrate_by_all(BLANK, PHOTO, [mixed, length(10.0, 0.05)], tooth_seen_in="direct")
    assert "other_reference_refused" in found.flags
    with pytest.raises(Refused, match="seen the same way"):
        calibrate_by_all(BLANK, PHOTO, [mixed, mixed], tooth_seen_in="direct")
    with pytest.raises(Refused, match="rest on a reference"):
        calibrate_by_all(BLANK, PHOTO, [], tooth_seen_in="direct")
