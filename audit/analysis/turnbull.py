"""Survival where an end is only known to lie between two visits.

Notes
-----
The curve of greatest likelihood puts mass on the innermost intervals alone, found by the self-consistent iteration; inside an interval
the likelihood says nothing, so the curve is given at the ends of intervals, with the lowest and highest value it may take between them.
With delayed entry each restoration stands for those that were lost before they could be seen (Turnbull's ghosts), and every span between
two dates may hold mass. Intervals are percentiles over patients drawn anew.

References
----------
Turnbull, J R Stat Soc B 1976;38:290-295. https://doi.org/10.1111/j.2517-6161.1976.tb01597.x
Peto, J R Stat Soc C 1973;22:86-91. https://doi.org/10.2307/2346307
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd

from audit.analysis.followed import followed
from audit.errors import Refused

__all__ = ["Turnbull", "turnbull", "turnbull_intervals"]

_TOLERANCE, _ROUNDS = 1e-8, 20000
_SEED, _DRAWS, _LEAST = 11, 200, 0.9


@dataclass(frozen=True)
class Turnbull:
    """A survival curve from intervals.

    Parameters
    ----------
    low, high : tuple of float
        Innermost intervals (low, high], years, ascending; the last `high` may be infinite.
    mass : tuple of float
        Share of ends in each.
    restorations, patients : int
    """

    low: tuple[float, ...]
    high: tuple[float, ...]
    mass: tuple[float, ...]
    restorations: int
    patients: int

    def between(self, years: float) -> tuple[float, float]:
        """Lowest and highest survival at a time that the data cannot tell apart; equal outside the innermost intervals."""
        low = 1.0 - math.fsum(m for a, m in zip(self.low, self.mass, strict=True) if a < years)
        high = 1.0 - math.fsum(m for b, m in zip(self.high, self.mass, strict=True) if b <= years)
        return max(low, 0.0), min(max(high, 0.0), 1.0)

    def to_frame(self) -> pd.DataFrame:
        """One row an innermost interval."""
        after = np.clip(1.0 - np.cumsum(self.mass), 0.0, 1.0)
        return pd.DataFrame({"low": self.low, "high": self.high, "mass": self.mass, "survival_after": after})


def turnbull(table: pd.DataFrame) -> Turnbull:
    """The curve of greatest likelihood.

    Parameters
    ----------
    table : DataFrame
        As `audit.analysis.followed` describes it; an end with ``free`` equal to ``found`` is known exactly.

    Raises
    ------
    Refused
        The iteration does not settle.
    """
    rows = followed(table)
    left = rows[["free", "entry"]].max(axis=1).to_numpy(dtype=float)
    right = rows["found"].astype(float).fillna(math.inf).to_numpy()
    exact = right <= left
    left = np.where(exact, np.nextafter(right, -math.inf), left)
    entry = rows["entry"].to_numpy(dtype=float)
    low, high = _innermost(left, right) if not entry.any() else _all_spans(left, right, entry)
    inside = (low >= left[:, None]) & (high <= right[:, None])
    seen = low >= entry[:, None]
    mass = _settle(inside, seen)
    kept = mass > 1e-6
    begin, end, share = (tuple(map(float, values[kept])) for values in (low, high, mass))
    return Turnbull(begin, end, share, len(rows), rows["patient"].nunique())


def turnbull_intervals(table: pd.DataFrame, years: Sequence[float], *, draws: int = _DRAWS) -> pd.DataFrame:
    """Survival at some times with 95 % percentile intervals from patients drawn anew.

    Returns
    -------
    DataFrame
        Columns years, low_of_curve and high_of_curve (`Turnbull.between`), low, high (of the interval), draws.

    Raises
    ------
    Refused
        Fewer than nine tenths of the draws settle.
    """
    rows, rng = followed(table), np.random.default_rng(_SEED)
    groups = [part for _, part in rows.groupby("patient", sort=True)]
    drawn: list[list[tuple[float, float]]] = []
    for _ in range(draws):
        again = pd.concat([groups[i] for i in rng.integers(len(groups), size=len(groups))])
        try:
            curve = turnbull(again)
        except Refused:
            continue
        drawn.append([curve.between(t) for t in years])
    if len(drawn) < _LEAST * draws:
        raise Refused("not_settled", f"Survival must settle on most draws of patients; got {len(drawn)} of {draws}.", "Follow them longer.")
    curve, ends = turnbull(rows), np.array(drawn)
    middle = [curve.between(t) for t in years]
    return pd.DataFrame(
        {
            "years": list(years), "low_of_curve": [m[0] for m in middle], "high_of_curve": [m[1] for m in middle],
            "low": np.quantile(ends[:, :, 0], 0.025, axis=0), "high": np.quantile(ends[:, :, 1], 0.975, axis=0), "draws": len(drawn),
        }
    )  # fmt: skip


def _innermost(left: np.ndarray, right: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Intervals that begin at a left end and finish at the next right end with no other end between."""
    ends = sorted({*((value, 1) for value in left), *((value, 0) for value in right)})
    pairs = [(a, b) for (a, is_left), (b, next_is_left) in pairwise(ends) if is_left and not next_is_left]
    return np.array([a for a, _ in pairs]), np.array([b for _, b in pairs])


def _all_spans(left: np.ndarray, right: np.ndarray, entry: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    dates = np.unique(np.concatenate([left, right, entry]))
    return dates[:-1], dates[1:]


def _settle(inside: np.ndarray, seen: np.ndarray) -> np.ndarray:
    """Self-consistent masses; spans that nobody could have been seen in stay without."""
    mass = np.where(seen.any(axis=0), 1.0, 0.0)
    mass /= mass.sum()
    for _ in range(_ROUNDS):
        could, under = inside @ mass, seen @ mass
        weight = (inside / could[:, None]).sum(axis=0) + ((~seen) / under[:, None]).sum(axis=0)
        after = mass * weight
        after /= after.sum()
        if np.abs(after - mass).max() < _TOLERANCE:
            return np.asarray(after)
        mass = after
    raise Refused("not_settled", "Survival from intervals must settle; it did not.", "Too few were at risk early: leave out late entries.")
