"""Survival statistics against the published data that everyone uses, and against second implementations."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from lifelines import AalenJohansenFitter, KaplanMeierFitter
from statsmodels.duration.survfunc import SurvfuncRight
from statsmodels.stats.rates import confint_poisson

from audit.analysis.competing import aalen_johansen
from audit.analysis.kaplan_meier import kaplan_meier
from audit.analysis.rates import annual_failure_rate, poisson_limits, rates_by_end
from audit.analysis.turnbull import turnbull

HERE = Path(__file__).parent


def rows(found: list, free: list, entry: list | float = 0.0, end: list | str = "failed", patient: list | None = None) -> pd.DataFrame:
    table = pd.DataFrame({"free": free, "found": found, "entry": entry})
    table["patient"] = patient if patient is not None else [f"P{n}" for n in range(len(table))]
    table["end"] = end
    table.loc[table["found"].isna(), "end"] = ""
    return table


# Freireich et al., Blood 1963;21:699-716, weeks in remission with 6-mercaptopurine, + censored
MP6 = "6 6 6 6+ 7 9+ 10 10+ 11+ 13 16 17+ 19+ 20+ 22 23 25+ 32+ 32+ 34+ 35+"


def freireich() -> pd.DataFrame:
    weeks = [(float(word.rstrip("+")), word.endswith("+")) for word in MP6.split()]
    return rows([math.nan if censored else at for at, censored in weeks], [at for at, _ in weeks])


def test_freireich_1963_kaplan_meier() -> None:
    got = kaplan_meier(freireich())
    assert got.years == (6, 7, 10, 13, 16, 22, 23) and got.at_risk == (21, 17, 15, 12, 11, 7, 6) and got.median == 23
    assert np.round(got.survival, 3) == pytest.approx([0.857, 0.807, 0.753, 0.690, 0.627, 0.538, 0.448])
    assert np.round(got.se, 3) == pytest.approx([0.076, 0.087, 0.096, 0.107, 0.114, 0.128, 0.135])
    assert math.isnan(got.at(36.0)) and got.at(5.9) == 1.0 and got.at(35.0) == pytest.approx(0.448, abs=5e-4)
    assert list(got.to_frame().columns) == ["years", "at_risk", "ended", "survival", "se", "low", "high"]


def followed_by_chance(rng: np.random.Generator, n: int = 60) -> pd.DataFrame:
    """Years in eighths, so that equal times are equal numbers."""
    entry, life = np.round(rng.uniform(0, 4, n) * (rng.random(n) < 0.6) * 8) / 8, (np.round(rng.exponential(8.0, n) * 8) + 1) / 8
    stop = entry + np.round(rng.uniform(1, 10, n) * 8) / 8
    seen = life > entry
    table = rows(np.where(life <= stop, life, math.nan).tolist(), np.minimum(life, stop).tolist(), entry.tolist())
    table["end"] = np.where(table["found"].notna(), rng.choice(["lost", "caries"], n), "")
    return table[seen].reset_index(drop=True)


def test_kaplan_meier_with_delayed_entry_agrees_with_lifelines() -> None:
    for seed in range(6):
        table = followed_by_chance(np.random.default_rng(seed))
        stop = table["found"].fillna(table["free"])
        other = KaplanMeierFitter().fit(stop, table["found"].notna(), entry=table["entry"])
        got = kaplan_meier(table)
        assert list(got.survival) == pytest.approx(other.survival_function_at_times(got.years).tolist(), abs=1e-12)
        third = SurvfuncRight(stop.to_numpy(), table["found"].notna().to_numpy(dtype=int), entry=table["entry"].to_numpy())
        assert got.at_risk == tuple(third.n_risk) and got.se == pytest.approx(third.surv_prob_se, nan_ok=True)
    table = freireich()
    other = KaplanMeierFitter().fit(table["free"], table["found"].notna())
    interval = other.confidence_interval_.loc[22.0].tolist()
    assert kaplan_meier(table).interval_at(22.0) == pytest.approx(interval, abs=1e-7)


def test_aalen_johansen_agrees_with_lifelines() -> None:
    """With no two times equal, which lifelines does not take."""
    for seed in range(4):
        rng = np.random.default_rng(seed)
        table = followed_by_chance(rng)
        later = rng.uniform(0.01, 0.1, len(table))
        table = table.assign(free=table["free"] + later, found=table["found"] + later)
        kind, got = table["end"].map({"": 0, "lost": 1, "caries": 2}), aalen_johansen(table)
        for number, end in ((1, "lost"), (2, "caries")):
            other = AalenJohansenFitter(calculate_variance=False)
            other.fit(table["found"].fillna(table["free"]), kind, event_of_interest=number, entry=table["entry"])
            at = other.cumulative_density_.iloc[:, 0]
            for years in (1.0, 3.0, 6.0, 9.0):
                assert got.at(years, end) == pytest.approx(float(at[at.index <= years].iloc[-1]), abs=1e-9)


def test_incidences_and_survival_add_to_one() -> None:
    table = followed_by_chance(np.random.default_rng(9))
    survival, incidence = kaplan_meier(table), aalen_johansen(table)
    for years in survival.years:
        assert survival.at(years) + sum(incidence.at(years, end) for end in incidence.by_end) == pytest.approx(1.0, abs=1e-12)


def cosmesis() -> pd.DataFrame:
    table = pd.read_csv(HERE / "cosmesis.csv")
    return rows(table["high_months"].tolist(), table["low_months"].tolist())


def test_breast_cosmesis_1985_turnbull() -> None:
    """Radiotherapy group, mass of each innermost interval: Fay & Shaw, J Stat Softw 2010;36(2) (figures from memory)."""
    got = turnbull(cosmesis())
    assert got.restorations == 46
    assert list(zip(got.low, got.high, strict=True)) == [(4, 5), (6, 7), (7, 8), (11, 12), (24, 25), (33, 34), (38, 40), (46, 48)]
    assert np.round(got.mass, 4) == pytest.approx([0.0463, 0.0334, 0.0887, 0.0708, 0.0926, 0.0818, 0.1209, 0.4656], abs=1.5e-4)
    assert got.between(20.0) == pytest.approx((0.761, 0.761), abs=5e-4) and got.between(4.5) == pytest.approx((0.954, 1.0), abs=5e-4)


def test_turnbull_agrees_with_lifelines() -> None:
    table = cosmesis()
    left = table["free"] + 1e-6  # lifelines takes an interval with its left end
    other = KaplanMeierFitter().fit_interval_censoring(left, table["found"].fillna(np.inf), tol=1e-10)
    upper, lower = (other.survival_function_[f"NPMLE_estimate_{side}"] for side in ("upper", "lower"))
    got = turnbull(table)
    for months in (10.0, 20.0, 30.0, 36.5, 42.0):
        assert got.between(months)[0] == pytest.approx(float(lower[lower.index <= months].iloc[-1]), abs=2e-3)
        assert got.between(months)[1] == pytest.approx(float(upper[upper.index <= months].iloc[-1]), abs=2e-3)


def test_exact_dates_make_turnbull_kaplan_meier() -> None:
    for table in (freireich(), followed_by_chance(np.random.default_rng(3), 40)):
        table = table.assign(free=table["found"].fillna(table["free"]))
        survival, intervals = kaplan_meier(table), turnbull(table)
        late = [years for years in survival.years if years > table["entry"].max() or not table["entry"].any()]
        for years in late:
            assert intervals.between(years + 1e-6)[0] == pytest.approx(survival.at(years), abs=2e-3)


@pytest.mark.parametrize("count", [0, 1, 4, 12, 60])
def test_exact_poisson_limits_agree_with_statsmodels(count: int) -> None:
    """Garwood 1936; 0 gives 3.69, the rule of the largest mean that 95 % two-sided allows."""
    assert poisson_limits(count) == pytest.approx(confint_poisson(count, 1.0, method="exact-c"), abs=1e-9)
    assert poisson_limits(0)[1] == pytest.approx(3.689, abs=5e-4)


def test_annual_failure_rate_and_rates_by_kind() -> None:
    assert annual_failure_rate(0.961, 10.0) == pytest.approx(0.00397, abs=5e-6)  # 1 - S^(1/t); Studer 2000: S(10) of gold inlays 0.961
    assert (1.0 - annual_failure_rate(0.735, 30.0)) ** 30 == pytest.approx(0.735)
    with pytest.raises(ValueError, match="years above 0"):
        annual_failure_rate(0.9, 0.0)
    table = rows([4.0, math.nan, 6.0, math.nan], [3.0, 10.0, 5.0, 5.0], [0.0, 0.0, 2.0, 5.0], ["lost", "", "caries", ""])
    got = rates_by_end(table)
    assert set(got) == {"lost", "caries"} and got["lost"].years == 4.0 + 10.0 + 4.0
    assert got["lost"].per_100_years == pytest.approx(100 / 18) and got["lost"].low == pytest.approx(100 * 0.0253178 / 18, rel=1e-5)
