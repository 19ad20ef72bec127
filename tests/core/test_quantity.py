"""Quantities: parts by source, correlation through shared sources, propagation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.core.quantity import Quantity, combine, correlated, source

finite = st.floats(-1e3, 1e3)
parts = st.dictionaries(st.sampled_from(["comb/a", "comb/b", "offset/a", "trace/r/a"]), st.floats(-10, 10), max_size=4)


def test_a_shared_source_cancels_in_a_difference_and_an_unshared_one_does_not() -> None:
    first = Quantity(10.0, "mm", {"graduation/R7:10-30": 0.3, "comb/one": 0.4})
    second = Quantity(11.0, "mm", {"graduation/R7:10-30": 0.3, "comb/two": 0.3})
    assert (second - first).u == pytest.approx(0.5)
    assert (second - first).parts["graduation/R7:10-30"] == pytest.approx(0.0, abs=1e-9)
    assert (second + first).u == pytest.approx(math.sqrt(0.6**2 + 0.4**2 + 0.3**2))


@given(finite, parts, finite, parts)
def test_difference_agrees_with_the_covariance_form(a: float, pa: dict[str, float], b: float, pb: dict[str, float]) -> None:
    """JCGM 100:2008 eq. 13: u2(y) = u2(a) + u2(b) - 2 cov(a, b), with cov the sum over shared sources."""
    x, y = Quantity(a, "mm", pa), Quantity(b, "mm", pb)
    covariance = sum(pa[k] * pb[k] for k in pa.keys() & pb.keys())
    assert (x - y).u ** 2 == pytest.approx(x.u**2 + y.u**2 - 2 * covariance, abs=1e-6, rel=1e-6)


@given(finite, parts)
def test_json_round_trip_is_identity(value: float, p: dict[str, float]) -> None:
    quantity = Quantity(value, "um", p, {"comb/a": 5.0})
    assert Quantity.from_dict(quantity.to_dict()) == quantity


def test_propagation_agrees_with_monte_carlo() -> None:
    """JCGM 101:2008, by simulation of a product of two quantities that share a source."""
    a = Quantity(3.0, "mm", {"comb/a": 0.02, "offset/a": 0.03})
    b = Quantity(2.0, "mm", {"comb/b": 0.01, "offset/a": 0.02})
    area = combine(lambda x, y: x * y, a, b, unit="mm2")
    draw = np.random.default_rng(1).standard_normal((3, 200_000))
    sample = (3.0 + 0.02 * draw[0] + 0.03 * draw[1]) * (2.0 + 0.01 * draw[2] + 0.02 * draw[1])
    assert area.u == pytest.approx(sample.std(), rel=0.01)


def test_a_given_covariance_is_carried() -> None:
    covariance = np.array([[4.0, 1.0], [1.0, 9.0]])
    x, y = correlated([1.0, 2.0], covariance, ["mm", "mm"], ["model/1", "model/2"])
    assert (x.u, y.u) == (pytest.approx(2.0), pytest.approx(3.0))
    assert (x - y).u ** 2 == pytest.approx(4 + 9 - 2)


def test_a_source_is_named_and_never_doubled() -> None:
    assert source("comb", "ab12") == "comb/ab12"
    with pytest.raises(ValueError, match="source must be one of"):
        source("magic", "ab12")
    with pytest.raises(ValueError, match="new to the quantity"):
        Quantity(1.0, "mm", {"comb/a": 0.1}).with_part("comb/a", 0.2)
    with pytest.raises(ValueError, match="units must be equal"):
        Quantity(1.0, "mm") + Quantity(1.0, "um")
