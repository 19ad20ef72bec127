"""Ends for each year in service: the annual failure rate from a survival, and counts over time at risk with exact limits.

Notes
-----
The annual failure rate that gives survival S after t years is :math:`1 - S^{1/t}`; it says nothing of how the risk moved with time. A
count over time at risk has the exact limits of the Poisson law, :math:`\\chi^2_{0.025, 2n}/2` and :math:`\\chi^2_{0.975, 2n+2}/2`; several
events of one restoration, and restorations of one patient, make them too narrow.

References
----------
Garwood, Biometrika 1936;28:437-442. https://doi.org/10.1093/biomet/28.3-4.437
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.stats import chi2

from audit.analysis.followed import exits, followed
from audit.errors import RecordError

__all__ = ["Rate", "annual_failure_rate", "poisson_limits", "rate", "rates_by_end", "years_at_risk"]


@dataclass(frozen=True)
class Rate:
    """Events over time at risk.

    Parameters
    ----------
    events : int
    years : float
        Restoration-years at risk.
    per_100_years, low, high : float
        Events per 100 restoration-years, with exact 95 % limits.
    """

    events: int
    years: float
    per_100_years: float
    low: float
    high: float

    def to_frame(self) -> pd.DataFrame:
        """One row."""
        return pd.DataFrame([vars(self)])


def annual_failure_rate(survival: float, years: float) -> float:
    """Yearly share of failures that gives a survival after some years, 1."""
    if not (0.0 <= survival <= 1.0 and years > 0.0):
        raise ValueError(f"survival must lie in [0, 1] and years above 0; got {survival} and {years}")
    return float(1.0 - survival ** (1.0 / years))


def poisson_limits(count: int, level: float = 0.95) -> tuple[float, float]:
    """Exact limits of the mean of a Poisson law of which `count` was seen."""
    tail = (1.0 - level) / 2.0
    low = 0.0 if count == 0 else float(chi2.ppf(tail, 2 * count)) / 2.0
    return low, float(chi2.ppf(1.0 - tail, 2 * count + 2)) / 2.0


def rate(events: int, years: float) -> Rate:
    """Events per 100 restoration-years.

    Raises
    ------
    RecordError
        No time at risk.
    """
    if not years > 0.0 or events < 0:
        raise RecordError(f"time at risk must be above 0 years; got {years:g} with {events} events.", "Record recalls first.")
    low, high = poisson_limits(events)
    return Rate(events, years, 100.0 * events / years, 100.0 * low / years, 100.0 * high / years)


def years_at_risk(table: pd.DataFrame) -> np.ndarray:
    """Years from entry to exit of each restoration that was followed."""
    rows = followed(table)
    return np.asarray(exits(rows) - rows["entry"].to_numpy(dtype=float))


def rates_by_end(table: pd.DataFrame) -> Mapping[str, Rate]:
    """Rate of each kind of end in a table, by its name, over all time at risk."""
    rows, years = followed(table), float(years_at_risk(table).sum())
    ends = rows.loc[rows["found"].notna(), "end"]
    return {str(end): rate(int((ends == end).sum()), years) for end in sorted(ends.unique())}
