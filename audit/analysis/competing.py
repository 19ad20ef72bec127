"""How many restorations ended in each way, where one end rules out the others.

Notes
-----
Aalen-Johansen: :math:`\\hat F_k(t) = \\sum_{t_j \\le t} \\hat S(t_j^-)\\, d_{kj}/n_j`, delayed entry as in
`audit.analysis.kaplan_meier`. One minus Kaplan-Meier of one kind alone would be too large. Intervals: `audit.analysis.clustered`.

References
----------
Aalen & Johansen, Scand J Stat 1978;5:141-150.
Putter, Fiocco & Geskus, Stat Med 2007;26:2389-2430. https://doi.org/10.1002/sim.2712
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from audit.analysis.followed import exits, followed

__all__ = ["Incidence", "aalen_johansen"]


@dataclass(frozen=True)
class Incidence:
    """Cumulative incidence of each kind of end.

    Parameters
    ----------
    years : tuple of float
        At which ends were found, ascending.
    at_risk : tuple of int
        Restorations at risk just before.
    by_end : dict of str to tuple of float
        Incidence from each time on, by the kind of end.
    last_year : float
        To which anyone was followed.
    """

    years: tuple[float, ...]
    at_risk: tuple[int, ...]
    by_end: dict[str, tuple[float, ...]]
    last_year: float

    def at(self, years: float, end: str) -> float:
        """Incidence of one kind of end at a time; not a number beyond the last at which anyone was followed."""
        if years > self.last_year:
            return math.nan
        values = self.by_end.get(end, tuple(0.0 for _ in self.years))
        return next((f for t, f in zip(self.years[::-1], values[::-1], strict=True) if t <= years), 0.0)

    def to_frame(self) -> pd.DataFrame:
        """One row a time and kind of end."""
        rows = [(t, n, end, f) for end, values in self.by_end.items() for t, n, f in zip(self.years, self.at_risk, values, strict=True)]
        return pd.DataFrame(rows, columns=["years", "at_risk", "end", "incidence"])


def aalen_johansen(table: pd.DataFrame, date_used: str = "found") -> Incidence:
    """Cumulative incidence of each kind of end in a table.

    Parameters
    ----------
    table : DataFrame
        As `audit.analysis.followed` describes it; ``end`` names the kind.
    date_used : {'found', 'middle'}
    """
    rows = followed(table)
    entry, leaving = rows["entry"].to_numpy(dtype=float), exits(rows, date_used)
    ended, kind = rows["found"].notna().to_numpy(), rows["end"].fillna("").to_numpy()
    years = np.unique(leaving[ended])
    at_risk = ((entry[:, None] < years) & (leaving[:, None] >= years)).sum(axis=0)
    at = (leaving[:, None] == years) & ended[:, None]
    before = np.concatenate([[1.0], np.cumprod(1.0 - at.sum(axis=0) / at_risk)[:-1]]) if len(years) else np.array([])
    by_end = {
        str(end): tuple(map(float, np.cumsum(before * (at & (kind == end)[:, None]).sum(axis=0) / at_risk)))
        for end in sorted(set(kind[ended]))
    }
    return Incidence(tuple(map(float, years)), tuple(map(int, at_risk)), by_end, float(leaving.max()))
