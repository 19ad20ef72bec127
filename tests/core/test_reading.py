"""What a reading may never be: a number that is none, a value outside of its own interval."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.core.quantity import Quantity
from audit.core.records import Reading
from audit.errors import Refused

ANY = st.floats(allow_nan=True, allow_infinity=True)
SPREAD = st.one_of(st.floats(min_value=0.0, allow_infinity=True), st.just(math.nan))


def um(value, u):
    return Quantity(value, "um", {"noise/a": u})


@given(ANY, SPREAD, st.booleans())
def test_a_measured_value_lies_in_a_finite_interval_or_is_refused(value, u, non_negative):
    try:
        reading = Reading.measured("radiographic_gap_width", um(value, u), "m@1", non_negative=non_negative)
    except Refused as refused:
        assert refused.code in ("not_finite", "negative") and "radiographic_gap_width" in refused.message and refused.hint
        return
    low, high = reading.interval95
    assert all(map(math.isfinite, (low, high, reading.value.value, reading.value.u)))
    assert low <= reading.value.value <= high
    assert low >= 0.0 or not non_negative


@given(ANY, ANY, ANY, SPREAD)
def test_a_detected_estimate_lies_in_its_interval_or_is_refused(low, high, value, u):
    try:
        reading = Reading.detected("radiographic_gap_width", um(value, u), (low, high), "m@1")
    except Refused as refused:
        assert refused.code in ("not_finite", "interval_missed")
        return
    assert reading.value is None and reading.status == "detected"
    assert low <= reading.signed.value <= high


@pytest.mark.parametrize(("value", "u"), [(math.nan, 1.0), (math.inf, 1.0), (1.0, math.nan), (1.0, math.inf)])
def test_no_number_is_refused_in_words(value, u):
    with pytest.raises(Refused, match="finite number"):
        Reading.measured("radiographic_step", um(value, u), "m@1", non_negative=False)


def test_a_negative_gap_is_refused():
    # what a hostile scene once drew: a width of -2737.7 with u 44.2, its interval (0, -2651)
    with pytest.raises(Refused, match="must not be negative"):
        Reading.measured("widest_radiographic_gap", um(-2737.7, 44.2), "m@1")
