"""Limits of agreement where a patient gives several teeth, and how far one reader repeats a reading.

Notes
-----
Differences of one patient are alike. Their variance is split by one-way analysis of variance into that between patients and that
within; the limits are :math:`\\bar d \\pm 1.96 \\sqrt{s_b^2 + s_w^2}`, the patient being the unit of the mean. Intervals of the limits by
recovering variance estimates (MOVER). Repeatability: within 1.96 sqrt(2) s_w two readings of one reader lie in 95 %.

References
----------
Bland & Altman, J Biopharm Stat 2007;17:571-582 (true value varies). https://doi.org/10.1080/10543400701329422
Zou, Stat Methods Med Res 2013;22:630-642. https://doi.org/10.1177/0962280211402548
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.stats import chi2, t

from audit.errors import Refused

__all__ = ["RepeatedLimits", "Repeatability", "limits_by_patient", "repeatability"]

K = 1.959964


@dataclass(frozen=True)
class RepeatedLimits:
    """Within what two methods differ on 95 % of teeth, in their unit, with teeth in patients.

    Parameters
    ----------
    patients, teeth : int
    bias : float
        Mean over patients.
    sd_between, sd_within : float
        Of the differences, between and within patients.
    lower, upper : float
        Limits of agreement.
    bias_ci, lower_ci, upper_ci : tuple of float
        95 % confidence intervals.
    """

    patients: int
    teeth: int
    bias: float
    sd_between: float
    sd_within: float
    lower: float
    upper: float
    bias_ci: tuple[float, float]
    lower_ci: tuple[float, float]
    upper_ci: tuple[float, float]

    def to_frame(self) -> pd.DataFrame:
        """One row."""
        return pd.DataFrame([vars(self)])


@dataclass(frozen=True)
class Repeatability:
    """How far one reader repeats a reading, in its unit.

    Parameters
    ----------
    subjects, readings : int
    sd_within, low, high : float
        Within-reader standard deviation and its 95 % interval.
    repeatability : float
        Within which two readings of one subject lie in 95 %.
    """

    subjects: int
    readings: int
    sd_within: float
    low: float
    high: float
    repeatability: float

    def to_frame(self) -> pd.DataFrame:
        """One row."""
        return pd.DataFrame([vars(self)])


def limits_by_patient(first: ArrayLike, second: ArrayLike, patients: Sequence[object]) -> RepeatedLimits:
    """Limits of agreement of first minus second, several teeth a patient.

    Parameters
    ----------
    first, second : array_like, shape (n,)
        One pair a tooth, in one unit.
    patients : sequence, length n
        The patient of each tooth.

    Raises
    ------
    Refused
        Fewer than 3 patients, or nowhere two teeth of one.
    """
    d = np.asarray(first, dtype=float) - np.asarray(second, dtype=float)
    groups = [part.to_numpy() for _, part in pd.Series(d).groupby(np.asarray(patients, dtype=object), sort=True)]
    sizes = np.array([len(group) for group in groups])
    n, p = len(d), len(groups)
    if p < 3 or n == p:
        raise Refused("no_repeats", f"Limits by patient need 3 patients and one with two teeth; got {p} and {n} teeth.",
                      "Use the plain limits of agreement.")  # fmt: skip
    means = np.array([group.mean() for group in groups])
    within = sum(float(((group - group.mean()) ** 2).sum()) for group in groups) / (n - p)
    harmonic = p / float((1.0 / sizes).sum())
    of_means = float(means.var(ddof=1))
    between = max(0.0, of_means - within / harmonic)
    total, bias = between + within, float(means.mean())
    reach = float(t.ppf(0.975, p - 1)) * math.sqrt(of_means / p)
    low_total, high_total = _total_interval(of_means, within, 1.0 - 1.0 / harmonic, p - 1, n - p, total)
    half = K * math.sqrt(total)
    inner = math.hypot(reach, K * (math.sqrt(total) - math.sqrt(low_total)))
    outer = math.hypot(reach, K * (math.sqrt(high_total) - math.sqrt(total)))
    return RepeatedLimits(
        p, n, bias, math.sqrt(between), math.sqrt(within), bias - half, bias + half, (bias - reach, bias + reach),
        (bias - half - outer, bias - half + inner), (bias + half - inner, bias + half + outer),
    )  # fmt: skip


def repeatability(readings: Sequence[Sequence[float]]) -> Repeatability:
    """How far one reader repeats a reading.

    Parameters
    ----------
    readings : sequence of sequences of float
        The readings of each subject by one reader, each at least once again.

    Raises
    ------
    Refused
        No subject was read twice.
    """
    again = [np.asarray(values, dtype=float) for values in readings if len(values) > 1]
    dof = sum(len(values) - 1 for values in again)
    if dof < 1:
        raise Refused("no_repeats", "Repeatability needs a subject that was read twice; none was.", "Read some photographs again, blind.")
    variance = sum(float(((values - values.mean()) ** 2).sum()) for values in again) / dof
    low, high = (math.sqrt(dof * variance / float(chi2.ppf(q, dof))) for q in (0.975, 0.025))
    sd = math.sqrt(variance)
    return Repeatability(len(again), dof + len(again), sd, low, high, K * math.sqrt(2.0) * sd)


def _total_interval(of_means: float, within: float, share: float, dof_means: int, dof: int, total: float) -> tuple[float, float]:
    """95 % interval of the variance of one difference, from those of its two parts."""
    down = [part * (1.0 - nu / float(chi2.ppf(0.975, nu))) for part, nu in ((of_means, dof_means), (share * within, dof))]
    up = [part * (nu / float(chi2.ppf(0.025, nu)) - 1.0) for part, nu in ((of_means, dof_means), (share * within, dof))]
    return max(0.0, total - math.hypot(*down)), total + math.hypot(*up)
