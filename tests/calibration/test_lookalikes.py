"""A wrong scale accepted is the worst fault: what repeats like a rule and is none is refused when a rule is looked for."""

from __future__ import annotations

import pytest
from lookalikes import LOOKALIKES, draw_lookalike

from audit.calibration.calibrate import calibrate
from audit.core.annotations import Feature
from audit.core.records import Photo
from audit.errors import Refused


@pytest.mark.parametrize("name", LOOKALIKES)
def test_a_lookalike_is_refused(name: str) -> None:
    pixels = draw_lookalike(name, 11)
    photo = Photo("c" * 64, pixels.shape[1], pixels.shape[0], None, "unknown", "photo")
    with pytest.raises(Refused) as caught:
        calibrate(pixels, photo, Feature("reference", None, {"kind": "rule"}), tooth_seen_in="direct")
    assert caught.value.code in ("no_rule_found", "ambiguous_pitch")
