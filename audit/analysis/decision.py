"""Held against a limit: below, above or cannot be told, and whether a difference is small enough to be called none.

Notes
-----
A value is below a limit only where its whole 95 % interval is, so that the limit is guarded by 1.96 u and a wrong "below" has a chance of
at most 2.5 % (guarded acceptance). Two readings are equivalent within a margin where the 90 % interval of their difference lies inside it,
which is two one-sided tests at 5 %. Neither says that anything is stable.

References
----------
JCGM 106:2012, 8.3.2. https://doi.org/10.59161/JCGM106-2012
Schuirmann, J Pharmacokinet Biopharm 1987;15:657-680. https://doi.org/10.1007/BF01068419
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import pandas as pd
from scipy.stats import t

from audit.core.quantity import Quantity
from audit.core.records import Reading

__all__ = ["AgainstLimit", "Equivalence", "against_limit", "equivalence"]

Verdict = Literal["below", "cannot_tell", "above"]


@dataclass(frozen=True)
class AgainstLimit:
    """A reading held against a limit.

    Parameters
    ----------
    verdict : {'below', 'cannot_tell', 'above'}
    low, high : float
        The 95 % interval that decided, in the unit of the limit.
    limit : float
    unit : str
    """

    verdict: Verdict
    low: float
    high: float
    limit: float
    unit: str

    def to_frame(self) -> pd.DataFrame:
        """One row."""
        return pd.DataFrame([vars(self)])


@dataclass(frozen=True)
class Equivalence:
    """Whether a difference is within a margin either way.

    Parameters
    ----------
    equivalent : bool
    low, high : float
        The 90 % interval, in the unit of the margin.
    margin : float
    p : float
        The larger of the two one-sided p values.
    unit : str
    """

    equivalent: bool
    low: float
    high: float
    margin: float
    p: float
    unit: str

    def to_frame(self) -> pd.DataFrame:
        """One row."""
        return pd.DataFrame([vars(self)])


def against_limit(reading: Reading, limit: float) -> AgainstLimit:
    """Whether a reading is below or above a limit, told from its interval and never from its value.

    Parameters
    ----------
    reading : Reading
        Its uncertainty holds the direction of view.
    limit : float
        In the unit of the reading.
    """
    low, high = reading.interval95
    verdict: Verdict = "below" if high < limit else "above" if low > limit else "cannot_tell"
    return AgainstLimit(verdict, low, high, limit, reading.unit)


def equivalence(difference: Quantity, margin: float) -> Equivalence:
    """Whether a difference lies within a margin that was fixed before, by its 90 % interval.

    Parameters
    ----------
    difference : Quantity
    margin : float
        Above zero, in the unit of the difference.
    """
    if not (margin > 0.0 and difference.u > 0.0):
        raise ValueError(f"margin and uncertainty must be above zero; got {margin} and {difference.u}")
    dof = difference.effective_dof
    reach = float(t.ppf(0.95, dof)) * difference.u
    p = max(float(t.sf((margin - side * difference.value) / difference.u, dof)) for side in (1.0, -1.0))
    low, high = difference.value - reach, difference.value + reach
    return Equivalence(-margin < low and high < margin, low, high, margin, p, difference.unit)
