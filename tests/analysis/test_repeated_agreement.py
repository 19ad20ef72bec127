"""Limits of agreement with several teeth a patient, repeatability, and intervals of the ICC: as wide as they must be."""

from __future__ import annotations

import numpy as np
import pytest

from audit.analysis.agreement import icc, limits_of_agreement
from audit.analysis.repeated_agreement import limits_by_patient, repeatability
from audit.errors import Refused


def teeth(rng: np.random.Generator, patients: int, each: int, between: float, within: float) -> tuple[np.ndarray, np.ndarray]:
    who = np.repeat(np.arange(patients), each)
    return 0.1 + rng.normal(0.0, between, patients)[who] + rng.normal(0.0, within, len(who)), who


def test_a_balanced_table_split_by_hand() -> None:
    """Differences 1 3 | 2 4 | 6 8: within 2, means 2 3 7 with variance 7, between 7 - 2/2 = 6."""
    got = limits_by_patient([1, 3, 2, 4, 6, 8], [0] * 6, list("aabbcc"))
    assert (got.sd_within**2, got.sd_between**2, got.bias) == pytest.approx((2.0, 6.0, 4.0)) and (got.patients, got.teeth) == (3, 6)
    assert (got.lower, got.upper) == pytest.approx((4 - 1.959964 * 8**0.5, 4 + 1.959964 * 8**0.5)) and got.to_frame().shape == (1, 10)


def test_one_tooth_each_is_almost_the_plain_method() -> None:
    rng = np.random.default_rng(1)
    d = rng.normal(0.0, 1.0, 80)
    got, plain = limits_by_patient(d, 0 * d, [*range(79), 78]), limits_of_agreement(d, 0 * d)
    assert (got.lower, got.upper) == pytest.approx((plain.lower, plain.upper), abs=0.06)


def test_limits_and_their_intervals_hold_what_they_say() -> None:
    rng, inside, plain_bias, bias = np.random.default_rng(2), [], [], []
    for _ in range(300):
        d, who = teeth(rng, 15, 5, 0.3, 0.2)
        got, plain = limits_by_patient(d, 0 * d, who), limits_of_agreement(d, 0 * d)
        true = 0.1 + 1.959964 * (0.3**2 + 0.2**2) ** 0.5
        inside.append(got.upper_ci[0] <= true <= got.upper_ci[1])
        bias.append(got.bias_ci[0] <= 0.1 <= got.bias_ci[1])
        plain_bias.append(plain.bias_ci[0] <= 0.1 <= plain.bias_ci[1])
    assert np.mean(inside) == pytest.approx(0.95, abs=0.03) and np.mean(bias) == pytest.approx(0.95, abs=0.03)
    assert np.mean(plain_bias) < 0.8, "teeth taken as patients claim too much"


def test_repeatability_of_bland_and_altman_1986() -> None:
    """Two readings of the Wright meter by 17 subjects; the paper takes 2 sqrt(sum d^2 / n) = 43.2, here 1.96 sqrt(2) s_w = 42.4."""
    first = (494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427)
    again = (490, 397, 512, 401, 470, 611, 415, 431, 638, 429, 420, 633, 275, 492, 165, 372, 421)
    got = repeatability(list(zip(first, again, strict=True)))
    assert got.sd_within == pytest.approx(15.31, abs=0.005) and got.repeatability == pytest.approx(42.4, abs=0.05)
    assert got.low < got.sd_within < got.high and (got.subjects, got.readings) == (17, 34) and got.to_frame().shape == (1, 6)


def test_intervals_of_the_icc_hold_the_truth() -> None:
    rng, inside = np.random.default_rng(5), []
    for _ in range(400):
        x = rng.normal(0.0, 2.0, (20, 1)) + rng.normal(0.0, 0.3, (1, 4)) + rng.normal(0.0, 1.0, (20, 4))
        got = icc(x)
        true = 4.0 / (4.0 + 0.09 + 1.0)
        inside.append((got.icc21_ci[0] <= true <= got.icc21_ci[1], got.icc31_ci[0] <= 0.8 <= got.icc31_ci[1]))
    assert np.mean(inside, axis=0) == pytest.approx([0.95, 0.95], abs=0.03)


def test_what_cannot_be_split_is_refused() -> None:
    with pytest.raises(Refused, match="3 patients and one with two teeth"):
        limits_by_patient([1, 2, 3], [0, 0, 0], list("abc"))
    with pytest.raises(Refused, match="got 2 and 4 teeth"):
        limits_by_patient([1, 2, 3, 4], [0] * 4, list("aabb"))
    with pytest.raises(Refused, match="read twice; none was"):
        repeatability([[1.0], [2.0]])
