"""Against a limit from the interval alone; equivalence by two one-sided tests."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from invented_history import below, measured
from statsmodels.stats.weightstats import ttost_paired

from audit.analysis.decision import against_limit, equivalence
from audit.core.quantity import Quantity


@given(st.floats(-300, 300), st.floats(1, 100), st.floats(10, 250))
def test_a_verdict_is_told_by_the_interval_and_never_by_the_point(value: float, u: float, limit: float) -> None:
    got = against_limit(measured(value, u, "widest_marginal_opening", "um"), limit)
    expected = "below" if value + 1.959964 * u < limit else "above" if value - 1.959964 * u > limit else "cannot_tell"
    assert got.verdict == expected and got.to_frame().loc[0, "limit"] == limit


def test_a_limit_of_detection_is_below_only_where_it_is() -> None:
    assert [against_limit(below(57.0), limit).verdict for limit in (50.0, 120.0)] == ["cannot_tell", "below"]


def test_a_wrong_below_has_a_chance_of_two_and_a_half_percent_at_most() -> None:
    """Guarded acceptance with a guard band of 1.96 u, truth at the limit: JCGM 106, 8.3.2."""
    rng = np.random.default_rng(1)
    verdicts = [against_limit(measured(rng.normal(120.0, 15.0), 15.0, unit="um"), 120.0).verdict for _ in range(3000)]
    assert verdicts.count("below") / 3000 == pytest.approx(0.025, abs=0.0075)


def test_equivalence_agrees_with_statsmodels() -> None:
    rng = np.random.default_rng(2)
    for margin in (0.1, 0.3, 0.6):
        first, second = rng.normal(1.0, 0.3, 12), rng.normal(1.1, 0.3, 12)
        d = second - first
        p, *_ = ttost_paired(second, first, -margin, margin)
        got = equivalence(Quantity(d.mean(), "mm", {"noise/a": d.std(ddof=1) / 12**0.5}, {"noise/a": 11.0}), margin)
        assert got.p == pytest.approx(p, abs=1e-9) and got.equivalent == (p < 0.05) and got.to_frame().shape == (1, 6)


def test_equivalence_needs_a_margin_and_an_uncertainty() -> None:
    with pytest.raises(ValueError, match="margin and uncertainty"):
        equivalence(Quantity(0.0, "mm", {"noise/a": 0.1}), 0.0)
    with pytest.raises(ValueError, match="margin and uncertainty"):
        equivalence(Quantity(0.0, "mm"), 0.1)
