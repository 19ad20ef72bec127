"""One minute of arc at the distances of an examination and of speech (ISO 8596: acuity 1.0 resolves a gap of 1')."""

from __future__ import annotations

import pytest

from audit.analysis.visibility import one_minute_um


@pytest.mark.parametrize("distance_cm, um", [(40, 116), (60, 175), (80, 233), (100, 291), (150, 436), (300, 873)])
def test_one_minute_of_arc(distance_cm: float, um: int) -> None:
    assert round(one_minute_um(10.0 * distance_cm)) == um
