"""Intervals for survival and incidence where one patient has several restorations: the patients are left out one by one.

Notes
-----
With :math:`\\theta = \\log(-\\log S)` and :math:`\\theta_{(i)}` without patient i of P, the variance is
:math:`\\frac{P-1}{P} \\sum (\\theta_{(i)} - \\bar\\theta)^2` and the interval :math:`\\theta \\pm t_{0.975,P-1}` standard errors. Below 20
patients or 5 ends the interval is refused: it would claim more than so few can say. Of more than 200 patients as many groups are left
out, to which they are dealt in turn; P is then the number of groups.

References
----------
Lipsitz, Dear & Zhao, Biometrics 1994;50:842-846 (jackknife of clustered survival; cited from memory).
Kott, J Off Stat 2001;17:521-526 (the delete-a-group jackknife; cited from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.stats import t

from audit.analysis.followed import exits, followed
from audit.errors import Refused

__all__ = ["LEAST_ENDS", "LEAST_PATIENTS", "Clustered", "clustered"]

LEAST_PATIENTS, LEAST_ENDS = 20, 5
MOST_GROUPS = 200


@dataclass(frozen=True)
class Clustered:
    """A share between 0 and 1 with its interval by patients.

    Parameters
    ----------
    value, low, high : float
        The share and its 95 % interval.
    se_log_log : float
        Standard error of log(-log value).
    patients, ends : int
        Patients, and ends up to the time.
    """

    value: float
    low: float
    high: float
    se_log_log: float
    patients: int
    ends: int

    def to_frame(self) -> pd.DataFrame:
        """One row."""
        return pd.DataFrame([vars(self)])


def clustered(table: pd.DataFrame, share: Callable[[pd.DataFrame], float], years: float, end: str | None = None) -> Clustered:
    """A share of a table with its interval by leaving patients out.

    Parameters
    ----------
    table : DataFrame
        As `audit.analysis.followed` describes it.
    share : callable
        From such a table to a share, e.g. ``lambda rows: kaplan_meier(rows).at(10)``.
    years : float
        The time of the share, up to which ends are counted.
    end : str, optional
        Ends of this kind alone count.

    Raises
    ------
    Refused
        Fewer than 20 patients or 5 ends, or a share that cannot be formed without one of the patients.
    """
    rows = followed(table)
    value, patients = share(rows), rows["patient"].unique()
    counted = rows["found"].notna() & (exits(rows) <= years) & ((rows["end"] == end) if end is not None else True)
    ends = int(counted.sum())
    if len(patients) < LEAST_PATIENTS or ends < LEAST_ENDS:
        raise Refused("too_few", f"An interval by patients needs {LEAST_PATIENTS} patients and {LEAST_ENDS} ends; "
                      f"got {len(patients)} and {ends}.", "Say the counts alone, or follow the restorations longer.")  # fmt: skip
    n = min(len(patients), MOST_GROUPS)
    group = pd.factorize(rows["patient"])[0] % n
    left_out = np.array([_log_log(share(rows[group != one])) for one in range(n)])
    middle = _log_log(value)
    if not (np.isfinite(left_out).all() and math.isfinite(middle)):
        raise Refused("hangs_on_one_patient", f"The share at {years:g} years must not hang on one patient; it does.",
                      "Ask for an earlier time, at which more restorations are at risk.")  # fmt: skip
    se = math.sqrt((n - 1) / n * float(((left_out - left_out.mean()) ** 2).sum()))
    reach = float(t.ppf(0.975, n - 1)) * se
    return Clustered(value, math.exp(-math.exp(middle + reach)), math.exp(-math.exp(middle - reach)), se, len(patients), ends)


def _log_log(share: float) -> float:
    return math.log(-math.log(share)) if 0.0 < share < 1.0 else math.nan
