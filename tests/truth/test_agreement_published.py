"""Agreement statistics against the tables of the papers that define them, and against second implementations."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pingouin
import pytest
from statsmodels.stats.inter_rater import cohens_kappa

from audit.analysis.agreement import icc, limits_of_agreement, weighted_kappa

# Bland & Altman, Lancet 1986;i:307-310, table: peak expiratory flow, first readings with two meters, l/min
WRIGHT = (494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427)
MINI = (512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451)


def test_bland_altman_1986() -> None:
    got = limits_of_agreement(WRIGHT, MINI)
    assert (round(got.bias, 1), round(got.sd, 1), got.n) == (-2.1, 38.8, 17)
    # the paper takes 2 standard deviations, from rounded figures: -79.7 and 75.5, intervals -114.3 to -45.1 and 41.1 to 109.9
    assert got.bias - 2 * got.sd == pytest.approx(-79.7, abs=0.15) and got.bias + 2 * got.sd == pytest.approx(75.5, abs=0.15)
    assert (round(got.lower, 1), round(got.upper, 1)) == (-78.1, 73.9)
    assert got.se_limit == pytest.approx(16.3, abs=0.05) and got.se_bias == pytest.approx(9.4, abs=0.05)
    half = got.lower_ci[1] - got.lower
    assert got.bias - 2 * got.sd - half == pytest.approx(-114.3, abs=0.2) and got.bias - 2 * got.sd + half == pytest.approx(-45.1, abs=0.2)
    assert got.bias_ci == pytest.approx((-22.0, 17.8), abs=0.1)  # as the paper prints it
    assert got.to_frame().loc[0, "bias"] == got.bias


# Shrout & Fleiss, Psychol Bull 1979;86:420-428, table 2: six targets, four judges
RATINGS = ((9, 2, 5, 8), (6, 1, 3, 2), (8, 4, 6, 8), (7, 1, 2, 6), (10, 5, 6, 9), (6, 2, 4, 7))


def test_shrout_fleiss_1979() -> None:
    got = icc(RATINGS)
    assert (round(got.icc21, 2), round(got.icc31, 2)) == (0.29, 0.71)
    assert got.sem_consistency**2 == pytest.approx(1.02, abs=0.005)  # EMS of their table 3
    assert (got.subjects, got.readers) == (6, 4)
    assert got.icc21_ci == pytest.approx((0.019, 0.761), abs=1e-3) and got.icc31_ci == pytest.approx(
        (0.342, 0.946), abs=1e-3
    )  # from memory


def test_icc_agrees_with_pingouin() -> None:
    rng = np.random.default_rng(5)
    for _ in range(10):
        x = rng.normal(size=(8, 1)) * 2 + rng.normal(size=(1, 3)) + rng.normal(size=(8, 3))
        long = pd.DataFrame(x).reset_index().melt(id_vars="index")
        table = pingouin.intraclass_corr(long, targets="index", raters="variable", ratings="value")
        got = icc(x)
        assert (got.icc21, got.icc31) == pytest.approx((table["ICC"].iloc[1], table["ICC"].iloc[2]), abs=1e-9)
        intervals = table[next(name for name in table.columns if name.startswith("CI95"))]
        assert [*got.icc21_ci, *got.icc31_ci] == pytest.approx([*intervals.iloc[1], *intervals.iloc[2]], abs=6e-3)


# Cohen, Psychol Bull 1968;70:213-220: proportions of 200 diagnoses by two judges; weights of disagreement
COHEN = 200 * np.array([[0.44, 0.07, 0.09], [0.05, 0.20, 0.05], [0.01, 0.03, 0.06]])
DISAGREEMENT = np.array([[0, 1, 3], [1, 0, 6], [3, 6, 0]])


def test_cohen_1968() -> None:
    plain = weighted_kappa(COHEN, "unweighted")
    assert round(plain.kappa, 3) == 0.492 and plain.agreement == pytest.approx(0.70) and plain.expected == pytest.approx(0.41)
    assert round(weighted_kappa(COHEN, 1 - DISAGREEMENT / 6).kappa, 3) == 0.348
    asymmetric = np.array([[0, 1, 4], [1, 0, 6], [2, 2, 0]])
    assert round(weighted_kappa(COHEN, 1 - asymmetric / 6).kappa, 3) == 0.353
    assert [round(weighted_kappa(COHEN, w).kappa, 3) for w in ("linear", "quadratic")] == [0.474, 0.455]


# Fleiss, Cohen & Everitt, Psychol Bull 1969;72:323-327: 200 subjects; weights of agreement
FLEISS = np.array([[106, 10, 4], [22, 28, 10], [2, 12, 6]])
AGREEMENT = np.array([[1, 0, 0.4444], [0, 1, 0.6667], [0.4444, 0.6667, 1]])


def test_fleiss_cohen_everitt_1969() -> None:
    plain, weighted = weighted_kappa(FLEISS, "unweighted"), weighted_kappa(FLEISS, AGREEMENT)
    assert [round(x, 3) for x in (plain.kappa, plain.se, plain.se_null)] == [0.429, 0.054, 0.056]
    assert [round(x, 3) for x in (weighted.kappa, weighted.se, weighted.se_null)] == [0.507, 0.057, 0.065]


@pytest.mark.parametrize("name, power", [("linear", "linear"), ("quadratic", "quadratic")])
def test_kappa_agrees_with_statsmodels(name: str, power: str) -> None:
    rng = np.random.default_rng(3)
    for _ in range(10):
        counts = rng.integers(1, 30, size=(4, 4)) + 20 * np.eye(4)
        got, other = weighted_kappa(counts, name), cohens_kappa(counts, wt=power)
        assert (got.kappa, got.se) == pytest.approx((other.kappa, other.std_kappa), abs=1e-9)
        assert got.se_null == pytest.approx(other.std_kappa0, abs=1e-9)


def test_what_has_no_agreement_to_measure_is_refused() -> None:
    with pytest.raises(ValueError, match="more than one grade"):
        weighted_kappa([[10, 0], [0, 0]])
    with pytest.raises(ValueError, match="3 pairs"):
        limits_of_agreement([1, 2], [1, 2])
    with pytest.raises(ValueError, match="complete table"):
        icc([[1, 2, np.nan], [1, 2, 3]])
    with pytest.raises(ValueError, match="linear"):
        weighted_kappa(COHEN, "cubic")


def test_nearly_all_of_one_grade_is_told_by_prevalence() -> None:
    """Where 92 % is Alfa, 85 % of agreement comes for free; kappa alone would not say so."""
    got = weighted_kappa([[86, 6], [6, 2]], "unweighted")
    assert got.agreement == pytest.approx(0.88) and got.expected == pytest.approx(0.8528) and got.prevalence == pytest.approx(0.92)
    assert got.ci[0] < got.kappa < got.ci[1] and got.kappa < 0.3
