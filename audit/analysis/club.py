"""Members of a study club beside one another: what was observed over what the whole club's rate would give, by time at risk.

Notes
-----
Expected ends are the club's rate in each stratum times the member's years there (indirect standardisation); the member's own ends are
part of that rate, which draws a large member towards 1. Limits of the ratio are exact by the Poisson law, the expected number taken as
known. Limits of the funnel are drawn only where 12 ends are expected: below, they say nothing. The power says how likely a member with
twice the rate would be found outside the 95 % limits. Members stand in the order of their codes; there is no ranking.

References
----------
Spiegelhalter, Stat Med 2005;24:1185-1202 (funnel plots). https://doi.org/10.1002/sim.1970
Breslow & Day, Statistical Methods in Cancer Research II, IARC 1987, 2.3.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd
from scipy.stats import poisson

from audit.analysis.followed import followed, strata
from audit.analysis.rates import poisson_limits, years_at_risk
from audit.errors import RecordError, Refused

__all__ = ["FUNNEL_FROM", "Club", "Member", "compare_members", "funnel_limits", "power_for_double"]

FUNNEL_FROM = 12.0


@dataclass(frozen=True)
class Member:
    """One member beside the club.

    Parameters
    ----------
    member : str
    restorations : int
    years : float
        At risk.
    observed : int
    expected : float
        At the club's rates.
    ratio, low, high : float
        Observed over expected with exact 95 % limits.
    funnel : tuple of float or None
        95 % limits of the ratio for a member at the club's rate; ``None`` below 12 expected ends.
    power : float
        Chance that a member with twice the club's rate lies outside the 95 % limits.
    """

    member: str
    restorations: int
    years: float
    observed: int
    expected: float
    ratio: float
    low: float
    high: float
    funnel: tuple[float, float] | None
    power: float


@dataclass(frozen=True)
class Club:
    """All members by code, and what was held equal between them."""

    members: tuple[Member, ...]
    strata: tuple[str, ...]

    def to_frame(self) -> pd.DataFrame:
        """One row a member."""
        return pd.DataFrame([vars(member) for member in self.members])


def compare_members(table: pd.DataFrame, by: Sequence[str] = ()) -> Club:
    """Observed over expected ends of every member.

    Parameters
    ----------
    table : DataFrame
        As `audit.analysis.followed` describes it, with a column ``member``.
    by : sequence of str
        Columns that are held equal, e.g. ``design``.

    Raises
    ------
    RecordError
        No column of that name.
    Refused
        One member only, or no end at all.
    """
    if "member" not in table.columns:
        raise RecordError("table of outcomes must have the column member; it has none.", "Add the code of the member.")
    rows = followed(table).reset_index(drop=True)
    rows = rows.assign(years=years_at_risk(rows), ended=rows["found"].notna().astype(int))
    if rows["member"].nunique() < 2:
        raise Refused("one_member", "Members are compared from two on; got one.", "Merge the bundles of the other members first.")
    if not rows["ended"].any():
        raise Refused("no_ends", "Members are compared by ends; none was found.", "Say the years at risk alone.")
    parts = [part for _, part in strata(rows, by)] if by else [rows]
    expected = pd.concat([part["years"] * part["ended"].sum() / part["years"].sum() for part in parts])
    rows = rows.assign(expected=expected)
    return Club(tuple(_member(str(name), part) for name, part in rows.groupby("member", sort=True)), tuple(by))


def funnel_limits(expected: float, level: float = 0.95) -> tuple[float, float]:
    """Between which ratios a member at the club's rate lies with at least this chance; exact and therefore in steps.

    Raises
    ------
    Refused
        Fewer than 12 ends are expected.
    """
    if expected < FUNNEL_FROM:
        raise Refused("too_few_expected", f"A funnel needs {FUNNEL_FROM:g} expected ends; got {expected:.1f}.", "Show the counts alone.")
    low, high = _usual(expected, level)
    return low / expected, high / expected


def power_for_double(expected: float, level: float = 0.95) -> float:
    """Chance that a member with twice the club's rate is seen above the limits."""
    return float(poisson.sf(_usual(expected, level)[1], 2.0 * expected))


def _usual(expected: float, level: float) -> tuple[int, int]:
    """Least and most ends that are still usual."""
    tail = (1.0 - level) / 2.0
    return int(poisson.ppf(tail, expected)), int(poisson.ppf(1.0 - tail, expected))


def _member(name: str, rows: pd.DataFrame) -> Member:
    observed, expected = int(rows["ended"].sum()), float(rows["expected"].sum())
    low, high = poisson_limits(observed)
    if expected <= 0.0:
        nan = float("nan")
        return Member(name, len(rows), float(rows["years"].sum()), observed, 0.0, nan, nan, nan, None, 0.0)
    funnel = funnel_limits(expected) if expected >= FUNNEL_FROM else None
    ratio = observed / expected
    return Member(
        name, len(rows), float(rows["years"].sum()), observed, expected, ratio, low / expected, high / expected, funnel,
        power_for_double(expected),
    )  # fmt: skip
