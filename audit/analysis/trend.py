"""How fast a measurand moves, from the signed values of several visits, or from limits of detection where only those exist.

Notes
-----
With values, a straight line by generalised least squares: the covariance of two visits is the sum over the sources that both name, so
that an error they share does not tilt the line. The standard error grows by the observed over the claimed scatter about the line,
:math:`\\sqrt{\\chi^2/(n-2)}`, where that is above 1; where it is more than chance allows at 5 %, Student's t with n - 2 counts. Below
detection the value lies somewhere under the limit: then the chance of that is a factor of the likelihood of the line, and the interval
ends where twice its logarithm has fallen by 3.84. A limit or zero never stands for a value; with as few visits as a tooth has
this slope is up to a tenth too steep in the mean, and its interval holds (simulated). At least 3 visits must have a value; a period
with an intervention in it has no trend, and none is drawn into the future.

References
----------
JCGM 102:2011 for correlated inputs; Tobin, Econometrica 1958;26:24-36. https://doi.org/10.2307/1907382
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.optimize import brentq, minimize_scalar
from scipy.stats import chi2, norm, t

from audit.core.quantity import Quantity
from audit.errors import Refused

__all__ = ["LEAST_VISITS", "Trend", "censored_trend", "trend"]

LEAST_VISITS = 3
_FALL = float(chi2.ppf(0.95, 1)) / 2.0


@dataclass(frozen=True)
class Trend:
    """A slope with its interval.

    Parameters
    ----------
    per_year, low, high : float
        Slope and its 95 % interval, in the unit per year.
    u : float
        Standard error of the slope; not a number where the interval is by likelihood.
    visits, below_detection : int
        Visits with a value, and visits below detection that were used.
    scatter : float
        Observed over claimed scatter about the line; not a number with visits below detection.
    unit : str
    """

    per_year: float
    low: float
    high: float
    u: float
    visits: int
    below_detection: int
    scatter: float
    unit: str

    def to_frame(self) -> pd.DataFrame:
        """One row."""
        return pd.DataFrame([vars(self)])


def trend(years: Sequence[float], values: Sequence[Quantity]) -> Trend:
    """Slope of signed values over time.

    Parameters
    ----------
    years : sequence of float, length n
        Of one period, without an intervention between them.
    values : sequence of Quantity, length n
        Signed estimates of one measurand, view and site.

    Raises
    ------
    Refused
        Fewer than 3 visits, or all at one time.
    """
    x, y = _checked(years, values)
    names = sorted({name for value in values for name in value.parts})
    root = np.array([[value.parts.get(name, 0.0) for name in names] for value in values])
    weight = np.linalg.pinv(root @ root.T, hermitian=True)
    design = np.column_stack([np.ones_like(x), x - x.mean()])
    covariance = np.linalg.inv(design.T @ weight @ design)
    line = covariance @ design.T @ weight @ y
    residual = y - design @ line
    n, misfit = len(x), float(residual @ weight @ residual)
    scatter, slope = math.sqrt(misfit / (n - 2)), float(line[1])
    u = math.sqrt(covariance[1, 1]) * max(1.0, scatter)
    reach = u * (float(t.ppf(0.975, n - 2)) if chi2.sf(misfit, n - 2) < 0.05 else 1.959964)
    return Trend(slope, slope - reach, slope + reach, u, n, 0, scatter, values[0].unit)


def censored_trend(years: Sequence[float], values: Sequence[Quantity], below: Sequence[tuple[float, float]]) -> Trend:
    """Slope by greatest likelihood where some visits are below detection and kept no estimate.

    Parameters
    ----------
    years, values : sequences of length n
        Visits with a value.
    below : sequence of (years, limit)
        Visits below detection; the limit is taken as 1.645 standard uncertainties above zero.

    Raises
    ------
    Refused
        Fewer than 3 visits with a value.
    """
    x, y = _checked(years, values)
    when, limit = np.array([[at, most] for at, most in below], dtype=float).reshape(-1, 2).T
    times = np.concatenate([x, when])
    line = _Likelihood(x - times.mean(), y, np.array([value.u for value in values]), when - times.mean(), limit)
    slope = float(np.polyfit(line.x, y, 1)[0])
    step = float(line.u.mean()) / float(np.ptp(times))
    slope = float(minimize_scalar(line.profile, bracket=(slope - step, slope + step)).x)
    floor = line.profile(slope)
    low, high = (_crossing(lambda s: line.profile(s) - floor - _FALL, slope, side * step) for side in (-1.0, 1.0))
    return Trend(slope, low, high, math.nan, len(x), len(when), math.nan, values[0].unit)


@dataclass(frozen=True)
class _Likelihood:
    """Of a line through values `y` at `x`, and under limits at `when`; times are counted from their middle."""

    x: np.ndarray
    y: np.ndarray
    u: np.ndarray
    when: np.ndarray
    limit: np.ndarray

    def profile(self, slope: float) -> float:
        """Least negative logarithm over all levels of a line of this slope."""
        free = self.y - slope * self.x
        above = float(free.max())
        reach = float(self.u.max())
        below = float(free.min()) - reach
        while self._pull(slope, below) < 0.0:
            below, reach = below - reach, 2.0 * reach
        level = float(brentq(lambda at: self._pull(slope, at), below, above))
        return -float(norm.logpdf(free, level, self.u).sum() + norm.logcdf(self._under(slope, level)).sum())

    def _under(self, slope: float, level: float) -> np.ndarray:
        """By how many standard uncertainties the limits lie above the line."""
        return np.asarray((self.limit - level - slope * self.when) / (self.limit / 1.645))

    def _pull(self, slope: float, level: float) -> float:
        """Derivative of the logarithm by the level; it falls with the level."""
        z = self._under(slope, level)
        down = np.exp(norm.logpdf(z) - norm.logcdf(z)) / (self.limit / 1.645)
        return float(((self.y - slope * self.x - level) / self.u**2).sum() - down.sum())


def _crossing(above: Callable[[float], float], slope: float, step: float) -> float:
    """Where a function that is negative at the slope becomes zero, going by steps that double."""
    far = step
    for _ in range(60):
        if above(slope + far) > 0.0:
            return float(brentq(above, *sorted((slope, slope + far)), xtol=1e-6 * abs(far)))
        far *= 2.0
    return math.copysign(math.inf, step)


def _checked(years: Sequence[float], values: Sequence[Quantity]) -> tuple[np.ndarray, np.ndarray]:
    if len(values) < LEAST_VISITS or len(years) != len(values):
        raise Refused(
            "too_few_visits", f"A trend needs {LEAST_VISITS} visits with a value; got {len(values)}.", "Wait for the next recall."
        )
    if len({value.unit for value in values}) > 1:
        raise ValueError(f"units must be equal; got {sorted({value.unit for value in values})}")
    x = np.asarray(years, dtype=float)
    if np.ptp(x) <= 0.0:
        raise Refused("one_time", "A trend needs visits at different times; all are at one.", "Wait for the next recall.")
    return x, np.array([value.value for value in values])
