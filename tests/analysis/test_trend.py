"""Slopes hold the truth as often as they say, shared errors do not tilt them, limits never stand for values."""

from __future__ import annotations

import math

import numpy as np
import pytest
import statsmodels.api as sm

from audit.analysis.trend import Trend, censored_trend, trend
from audit.core.quantity import Quantity
from audit.errors import Refused

YEARS = np.array([0.1, 0.5, 1.0, 2.0, 3.0, 5.0])


def read(rng: np.random.Generator, truth: np.ndarray, u: float = 12.0, shared: float = 0.0) -> list[Quantity]:
    common = rng.normal() * shared
    return [
        Quantity(v + rng.normal(0.0, u) + common, "um", {f"noise/{n}": u} | ({"graduation/R7": shared} if shared else {}))
        for n, v in enumerate(truth)
    ]


def test_the_line_is_that_of_generalised_least_squares() -> None:
    values = [Quantity(v, "um", {f"noise/{n}": 5.0 + n, "graduation/R7": 0.3 * v}) for n, v in enumerate((40.0, 44, 61, 80, 118, 180))]
    covariance = np.diag([(5.0 + n) ** 2 for n in range(6)]) + 0.09 * np.outer([v.value for v in values], [v.value for v in values])
    other = sm.GLS([v.value for v in values], sm.add_constant(YEARS), sigma=covariance).fit()
    got = trend(YEARS, values)
    assert got.per_year == pytest.approx(other.params[1]) and got.scatter**2 == pytest.approx(other.scale)
    assert got.u == pytest.approx(np.sqrt(other.normalized_cov_params[1, 1]) * max(1.0, got.scatter))


@pytest.mark.parametrize("forgotten", [1.0, 2.0], ids=["u as claimed", "u half of what it is"])
def test_slopes_hold_the_truth_as_often_as_they_say(forgotten: float) -> None:
    rng, inside = np.random.default_rng(4), []
    for _ in range(400):
        true = read(rng, 20.0 + 8.0 * YEARS, 12.0 * forgotten, 10.0)
        claimed = [Quantity(v.value, "um", {f"noise/{n}": 12.0, "graduation/R7": 10.0}) for n, v in enumerate(true)]
        got = trend(YEARS, claimed)
        inside.append(got.low <= 8.0 <= got.high)
    assert np.mean(inside) == pytest.approx(0.955, abs=0.035) if forgotten == 1.0 else np.mean(inside) >= 0.85


def test_an_error_that_all_visits_share_does_not_tilt_the_line() -> None:
    straight = [Quantity(20.0 + 8.0 * t, "um", {f"noise/{t}": 2.0, "offset/all": 50.0}) for t in YEARS]
    got = trend(YEARS, straight)
    alone = trend(YEARS, [Quantity(v.value, "um", {name: p for name, p in v.parts.items() if name != "offset/all"}) for v in straight])
    assert got.per_year == pytest.approx(8.0) and got.u == pytest.approx(alone.u, rel=1e-3)


def opening(rng: np.random.Generator, years: np.ndarray, u: float = 15.0) -> tuple[np.ndarray, np.ndarray]:
    """A margin that opens by 20 um a year: readings, and which of them are above the limit of detection."""
    seen = 20.0 * years - 10.0 + rng.normal(0.0, u, len(years))
    return seen, seen > 1.645 * u


def fit(years: np.ndarray, seen: np.ndarray, above: np.ndarray, u: float = 15.0) -> Trend:
    values = [Quantity(v, "um", {f"noise/{n}": u}) for n, v in enumerate(seen[above])]
    return censored_trend(years[above], values, [(t, 1.645 * u) for t in years[~above]])


RECALLS = np.array([0.1, 0.5, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0])


def test_the_censored_slope_holds_the_truth_as_often_as_it_says() -> None:
    rng, inside = np.random.default_rng(6), []
    for _ in range(60):
        seen, above = opening(rng, RECALLS)
        if above.sum() >= 3:
            got = fit(RECALLS, seen, above)
            inside.append(got.low <= 20.0 <= got.high)
            assert got.low < got.per_year < got.high and math.isnan(got.u) and got.below_detection == (~above).sum()
    assert len(inside) > 50 and np.mean(inside) >= 0.95 - 2.3 * (0.05 * 0.95 / len(inside)) ** 0.5


def test_the_censored_slope_settles_on_the_truth_and_half_the_limit_does_not() -> None:
    rng, years, slopes, halves = np.random.default_rng(7), np.repeat(RECALLS, 12), [], []
    for _ in range(12):
        seen, above = opening(rng, years)
        slopes.append(fit(years, seen, above).per_year)
        halves.append(np.polyfit(years, np.where(above, seen, 0.82 * 15.0), 1)[0])
    assert abs(np.mean(slopes) - 20.0) < 0.8 < 2.0 < abs(np.mean(halves) - 20.0)


def test_without_limits_both_slopes_agree() -> None:
    values = read(np.random.default_rng(1), 30.0 + 9.0 * YEARS)
    plain, likely = trend(YEARS, values), censored_trend(YEARS, values, [])
    assert likely.per_year == pytest.approx(plain.per_year, abs=1e-3)
    if plain.scatter <= 1.0:
        assert (likely.low, likely.high) == pytest.approx((plain.low, plain.high), abs=5e-3)


def test_two_visits_one_time_and_mixed_units_are_refused() -> None:
    values = read(np.random.default_rng(1), 30.0 + 9.0 * YEARS)
    with pytest.raises(Refused, match="needs 3 visits with a value; got 2"):
        trend(YEARS[:2], values[:2])
    with pytest.raises(Refused, match="got 2"):
        censored_trend(YEARS[:2], values[:2], [(0.0, 40.0)] * 5)
    with pytest.raises(Refused, match="different times"):
        trend([1.0] * 3, values[:3])
    with pytest.raises(ValueError, match="units must be equal"):
        trend(YEARS[:3], [*values[:2], Quantity(0.1, "mm", {"noise/a": 0.1})])
