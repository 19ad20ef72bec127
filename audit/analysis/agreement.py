"""How well two methods, or several examiners, agree.

Notes
-----
Subjects are taken as independent; several restorations of one patient are not, and want limits for repeated measures
(`audit.analysis.repeated_agreement`). Intervals of the ICC by McGraw & Wong.

References
----------
Bland & Altman, Lancet 1986;i:307-310. https://doi.org/10.1016/S0140-6736(86)90837-8
Shrout & Fleiss, Psychol Bull 1979;86:420-428. https://doi.org/10.1037/0033-2909.86.2.420
McGraw & Wong, Psychol Methods 1996;1:30-46. https://doi.org/10.1037/1082-989X.1.1.30
Cohen, Psychol Bull 1968;70:213-220. https://doi.org/10.1037/h0026256
Fleiss, Cohen & Everitt, Psychol Bull 1969;72:323-327. https://doi.org/10.1037/h0028106
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.stats import f, t

__all__ = ["IntraclassCorrelations", "Kappa", "LimitsOfAgreement", "icc", "limits_of_agreement", "weighted_kappa"]

K = 1.959964


@dataclass(frozen=True)
class _Result:
    def to_frame(self) -> pd.DataFrame:
        """One row, a column a figure."""
        return pd.DataFrame([vars(self)])


@dataclass(frozen=True)
class LimitsOfAgreement(_Result):
    """Within what two methods differ on 95 % of subjects, in their unit.

    Parameters
    ----------
    n : int
    bias, sd : float
        Mean and standard deviation of the differences.
    lower, upper : float
        Bias minus and plus 1.96 standard deviations.
    se_bias, se_limit : float
        Standard errors.
    bias_ci, lower_ci, upper_ci : tuple of float
        95 % confidence intervals.
    """

    n: int
    bias: float
    sd: float
    lower: float
    upper: float
    se_bias: float
    se_limit: float
    bias_ci: tuple[float, float]
    lower_ci: tuple[float, float]
    upper_ci: tuple[float, float]


def limits_of_agreement(first: ArrayLike, second: ArrayLike) -> LimitsOfAgreement:
    """Limits of agreement of first minus second.

    Parameters
    ----------
    first, second : array_like, shape (n,)
        One pair a subject, n >= 3, in one unit.

    Notes
    -----
    The standard error of a limit is taken as :math:`\\sqrt{3 s^2 / n}`, as in the paper.
    """
    d = np.asarray(first, dtype=float) - np.asarray(second, dtype=float)
    n = len(d)
    if d.ndim != 1 or n < 3:
        raise ValueError(f"first and second must hold at least 3 pairs; got shape {d.shape}")
    bias, sd = float(d.mean()), float(d.std(ddof=1))
    se_bias, se_limit, reach = sd / n**0.5, sd * (3.0 / n) ** 0.5, float(t.ppf(0.975, n - 1))
    lower, upper = bias - K * sd, bias + K * sd

    def around(value: float, se: float) -> tuple[float, float]:
        return value - reach * se, value + reach * se

    return LimitsOfAgreement(
        n, bias, sd, lower, upper, se_bias, se_limit, around(bias, se_bias), around(lower, se_limit), around(upper, se_limit)
    )


@dataclass(frozen=True)
class IntraclassCorrelations(_Result):
    """Single-measurement intraclass correlations, and the standard error of measurement beside them.

    Parameters
    ----------
    subjects, readers : int
    icc21 : float
        Absolute agreement, readers drawn from many (two-way random).
    icc31 : float
        Consistency of these readers (two-way mixed).
    icc21_ci, icc31_ci : tuple of float
        95 % confidence intervals.
    sem_agreement, sem_consistency : float
        Standard error of one measurement, in the unit of the ratings, with and without differences between readers.
    """

    subjects: int
    readers: int
    icc21: float
    icc21_ci: tuple[float, float]
    icc31: float
    icc31_ci: tuple[float, float]
    sem_agreement: float
    sem_consistency: float


def icc(ratings: ArrayLike) -> IntraclassCorrelations:
    """Intraclass correlations (2,1) and (3,1).

    Parameters
    ----------
    ratings : array_like, shape (subjects, readers)
        Complete; at least 2 of each.
    """
    x = np.asarray(ratings, dtype=float)
    if x.ndim != 2 or min(x.shape) < 2 or not np.isfinite(x).all():
        raise ValueError(f"ratings must be a complete table of at least 2 subjects and 2 readers; got shape {x.shape}")
    n, k = x.shape
    between = k * float(((x.mean(axis=1) - x.mean()) ** 2).sum()) / (n - 1)
    readers = n * float(((x.mean(axis=0) - x.mean()) ** 2).sum()) / (k - 1)
    residual = x - x.mean(axis=1, keepdims=True) - x.mean(axis=0, keepdims=True) + x.mean()
    error = float((residual**2).sum()) / ((n - 1) * (k - 1))
    reader_variance = max(0.0, (readers - error) / n)
    agreement = (between - error) / (between + (k - 1) * error + k * (readers - error) / n)
    consistency = (between - error) / (between + (k - 1) * error)
    return IntraclassCorrelations(
        n, k, agreement, _agreement_ci(n, k, agreement, between, readers, error), consistency, _consistency_ci(n, k, between / error),
        (error + reader_variance) ** 0.5, error**0.5,
    )  # fmt: skip


def _consistency_ci(n: int, k: int, ratio: float) -> tuple[float, float]:
    """Of ICC(3,1): exact, from the F law of between over error mean square."""
    low = ratio / float(f.ppf(0.975, n - 1, (n - 1) * (k - 1)))
    high = ratio * float(f.ppf(0.975, (n - 1) * (k - 1), n - 1))
    return (low - 1.0) / (low + k - 1.0), (high - 1.0) / (high + k - 1.0)


def _agreement_ci(n: int, k: int, value: float, between: float, readers: float, error: float) -> tuple[float, float]:
    """Of ICC(2,1): Satterthwaite's degrees of freedom for readers and error together."""
    a = k * value / (n * (1.0 - value))
    b = 1.0 + k * value * (n - 1) / (n * (1.0 - value))
    dof = (a * readers + b * error) ** 2 / ((a * readers) ** 2 / (k - 1) + (b * error) ** 2 / ((n - 1) * (k - 1)))
    apart = k * readers + (k * n - k - n) * error
    upper, lower = float(f.ppf(0.975, n - 1, dof)), float(f.ppf(0.975, dof, n - 1))
    return n * (between - upper * error) / (upper * apart + n * between), n * (lower * between - error) / (apart + n * lower * between)


@dataclass(frozen=True)
class Kappa(_Result):
    """Chance-corrected agreement of two examiners on ordered grades, with what it must be read beside.

    Parameters
    ----------
    n : float
    kappa, se, se_null : float
        Weighted kappa, its standard error, and the one under no agreement beyond chance.
    agreement, expected : float
        Share of exactly equal grades, and the share that chance alone would give with these marginals.
    prevalence : float
        Share of the most frequent grade, both examiners together: near 1, agreement comes for free and kappa says little.
    """

    n: float
    kappa: float
    se: float
    se_null: float
    agreement: float
    expected: float
    prevalence: float

    @property
    def ci(self) -> tuple[float, float]:
        """95 % confidence interval of kappa, from its standard error."""
        return self.kappa - K * self.se, self.kappa + K * self.se


def weighted_kappa(table: ArrayLike, weights: ArrayLike | str = "linear") -> Kappa:
    """Weighted kappa of a table of counts.

    Parameters
    ----------
    table : array_like, shape (grades, grades)
        Counts; rows the first examiner, columns the second.
    weights : array_like, shape (grades, grades), or {'unweighted', 'linear', 'quadratic'}
        Agreement weights, 1 for equal grades, or their name.

    Notes
    -----
    Standard errors by Fleiss, Cohen & Everitt (1969).
    """
    counts = np.asarray(table, dtype=float)
    if counts.ndim != 2 or counts.shape[0] != counts.shape[1] or counts.sum() <= 0:
        raise ValueError(f"table must be square with at least one count; got shape {counts.shape}")
    w = _weights(len(counts), weights)
    n, p = float(counts.sum()), counts / counts.sum()
    rows, columns = p.sum(axis=1), p.sum(axis=0)
    chance = np.outer(rows, columns)
    observed, by_chance = float((w * p).sum()), float((w * chance).sum())
    if by_chance >= 1.0:
        raise ValueError("table must hold more than one grade; kappa is not defined where every grade is the same")
    kappa = (observed - by_chance) / (1.0 - by_chance)
    mean = (w @ columns)[:, None] + (w.T @ rows)[None, :]
    spread = float((p * (w * (1.0 - by_chance) - mean * (1.0 - observed)) ** 2).sum())
    variance = (spread - (observed * by_chance - 2.0 * by_chance + observed) ** 2) / (n * (1.0 - by_chance) ** 4)
    null = (float((chance * (w - mean) ** 2).sum()) - by_chance**2) / (n * (1.0 - by_chance) ** 2)
    shares = (float(np.trace(p)), float(np.trace(chance)), float(((rows + columns) / 2.0).max()))
    return Kappa(n, kappa, max(variance, 0.0) ** 0.5, max(null, 0.0) ** 0.5, *shares)


def _weights(grades: int, weights: ArrayLike | str) -> np.ndarray:
    if not isinstance(weights, str):
        return np.asarray(weights, dtype=float)
    apart = np.abs(np.subtract.outer(np.arange(grades), np.arange(grades))) / max(grades - 1, 1)
    powers = {"linear": 1.0, "quadratic": 2.0}
    if weights == "unweighted":
        return np.asarray(apart == 0, dtype=float)
    if weights not in powers:
        raise ValueError(f"weights must be unweighted, linear, quadratic or a table; got {weights!r}")
    return np.asarray(1.0 - apart ** powers[weights])
