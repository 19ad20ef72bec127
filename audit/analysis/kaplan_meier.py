"""Survival as a product over the dates at which ends were found, with delayed entry.

Notes
-----
With :math:`\\hat S(t) = \\prod_{t_j \\le t} (1 - d_j/n_j)`, at risk at :math:`t_j` are those with entry before it and exit not before it.
Standard error by Greenwood, interval on log(-log S); both take restorations as independent, which those of one patient are not: use
`audit.analysis.clustered` for intervals that are shown. Ends are dated by when they were found, which is too late: the curve lies above
the truth between visits; `audit.analysis.turnbull` stands beside it.

References
----------
Kaplan & Meier, J Am Stat Assoc 1958;53:457-481. https://doi.org/10.1080/01621459.1958.10501452
Kalbfleisch & Prentice, The Statistical Analysis of Failure Time Data, 2nd ed., Wiley 2002, 1.4.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from audit.analysis.followed import exits, followed

__all__ = ["KaplanMeier", "kaplan_meier"]

K = 1.959964


@dataclass(frozen=True)
class KaplanMeier:
    """A survival curve.

    Parameters
    ----------
    years : tuple of float
        At which ends were found, ascending.
    at_risk, ended : tuple of int
        Restorations at risk just before, and ends at, each time.
    survival, se : tuple of float
        From each time on, and its standard error by Greenwood.
    restorations, patients : int
    last_year : float
        To which anyone was followed; nothing is said beyond.
    date_used : str
        Which date stands for the end.
    """

    years: tuple[float, ...]
    at_risk: tuple[int, ...]
    ended: tuple[int, ...]
    survival: tuple[float, ...]
    se: tuple[float, ...]
    restorations: int
    patients: int
    last_year: float
    date_used: str

    def at(self, years: float) -> float:
        """Survival at a time; not a number beyond the last at which anyone was followed."""
        if years > self.last_year:
            return math.nan
        return next((s for t, s in zip(self.years[::-1], self.survival[::-1], strict=True) if t <= years), 1.0)

    def interval_at(self, years: float) -> tuple[float, float]:
        """95 % interval on log(-log S), restorations taken as independent."""
        index = sum(t <= years for t in self.years) - 1
        s = self.at(years)
        if math.isnan(s) or index < 0 or not 0.0 < s < 1.0:
            return (math.nan, math.nan)
        reach = K * self.se[index] / abs(s * math.log(s))
        return s ** math.exp(reach), s ** math.exp(-reach)

    @property
    def median(self) -> float:
        """First time at which survival is one half or less; infinite where it never is."""
        return next((t for t, s in zip(self.years, self.survival, strict=True) if s <= 0.5), math.inf)

    def to_frame(self) -> pd.DataFrame:
        """One row a time."""
        intervals = [self.interval_at(t) for t in self.years]
        return pd.DataFrame(
            {
                "years": self.years, "at_risk": self.at_risk, "ended": self.ended, "survival": self.survival, "se": self.se,
                "low": [low for low, _ in intervals], "high": [high for _, high in intervals],
            }
        )  # fmt: skip


def kaplan_meier(table: pd.DataFrame, date_used: str = "found") -> KaplanMeier:
    """Survival of the restorations of a table.

    Parameters
    ----------
    table : DataFrame
        As `audit.analysis.followed` describes it.
    date_used : {'found', 'middle'}
    """
    rows = followed(table)
    entry, leaving, ended = rows["entry"].to_numpy(dtype=float), exits(rows, date_used), rows["found"].notna().to_numpy()
    years = np.unique(leaving[ended])
    at_risk = ((entry[:, None] < years) & (leaving[:, None] >= years)).sum(axis=0)
    count = ((leaving[:, None] == years) & ended[:, None]).sum(axis=0)
    survival = np.cumprod(1.0 - count / at_risk)
    with np.errstate(divide="ignore", invalid="ignore"):
        greenwood = np.cumsum(count / (at_risk * (at_risk - count)))
        se = np.where(survival > 0.0, survival * np.sqrt(greenwood), math.nan)
    return KaplanMeier(
        tuple(map(float, years)), tuple(map(int, at_risk)), tuple(map(int, count)), tuple(map(float, survival)), tuple(map(float, se)),
        len(rows), rows["patient"].nunique(), float(leaving.max()), date_used,
    )  # fmt: skip
