"""What became of all restorations of a ledger: survival by dates and by intervals, ends by kind, rates, the members beside one another.

Notes
-----
Recall attendance stands first: a curve over restorations of which many were not seen lately says little. Where an interval by patients is
refused the reason stands in its place, and the counts stay.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import pandas as pd

from audit.analysis.club import compare_members
from audit.analysis.clustered import clustered
from audit.analysis.competing import aalen_johansen
from audit.analysis.followed import exits, followed, strata
from audit.analysis.kaplan_meier import kaplan_meier
from audit.analysis.outcomes import outcome_frame, outcomes
from audit.analysis.rates import annual_failure_rate, rates_by_end
from audit.analysis.turnbull import Turnbull, turnbull
from audit.core.clinical import Restoration
from audit.core.outcome import VisitRecord
from audit.errors import Refused

__all__ = ["YEARS", "OutcomeSummary", "outcome_summary"]

YEARS = (1.0, 3.0, 5.0, 10.0, 15.0, 20.0, 30.0)
SEEN_WITHIN = 2.0  # years; a restoration not seen for longer counts as lost to recall: common practice, no published source


@dataclass(frozen=True)
class OutcomeSummary:
    """Tables of outcomes, and what must be read with them.

    Parameters
    ----------
    meaning : DataFrame
        What each event means.
    followed : DataFrame
        One row a restoration.
    survival : DataFrame
        One row a stratum and time: Kaplan-Meier with the number at risk, its interval by patients or why not, Turnbull beside it.
    incidence : DataFrame
        One row a time and kind of end.
    rates : DataFrame
        One row a kind of end: events per 100 restoration-years.
    members : DataFrame
        One row a member; empty where members cannot be compared.
    notes : tuple of str
        Sentences: who was followed, which date was used, what was refused.
    """

    meaning: pd.DataFrame
    followed: pd.DataFrame
    survival: pd.DataFrame
    incidence: pd.DataFrame
    rates: pd.DataFrame
    members: pd.DataFrame
    notes: tuple[str, ...]


def outcome_summary(
    records: Iterable[tuple[Restoration, Sequence[VisitRecord]]], until: Literal["success", "survival"], today_years: dict[str, float],
    by: Sequence[str] = (),
) -> OutcomeSummary:  # fmt: skip
    """All tables of outcomes.

    Parameters
    ----------
    records : iterable of (Restoration, sequence of VisitRecord)
    until : {'success', 'survival'}
    today_years : dict of str to float
        Years from placement to the day of the summary, by restoration; for attendance.
    by : sequence of str
        Columns that make strata, e.g. ``design``.
    """
    found = outcomes(records, until)
    rows = followed(found.table)
    incidence, rates = aalen_johansen(rows).to_frame(), rates_by_end(rows)
    rated = pd.DataFrame([{"end": end, **vars(rate)} for end, rate in rates.items()])
    parts = [("all", rows), *((", ".join(map(str, key)), part) for key, part in (strata(rows, by) if by else ()))]
    survival = pd.DataFrame([row for name, part in parts for row in _survival_rows(name, part)])
    members, why_not = _members(rows, by)
    notes = (*_attendance(rows, today_years), *_never(found.never_seen, len(found.table) - len(rows)), _dates(until), *why_not)
    return OutcomeSummary(outcome_frame(), found.to_frame(), survival, incidence, rated, members, notes)


def _members(rows: pd.DataFrame, by: Sequence[str]) -> tuple[pd.DataFrame, tuple[str, ...]]:
    try:
        return compare_members(rows, by).to_frame(), ()
    except Refused as error:
        return pd.DataFrame(), (error.message,)


def _survival_rows(name: str, rows: pd.DataFrame) -> Iterable[dict[str, object]]:
    curve, intervals = kaplan_meier(rows), _curve_by_intervals(rows)
    leaving, entry = exits(rows), rows["entry"].to_numpy(dtype=float)
    for years in YEARS:
        share = curve.at(years)
        if math.isnan(share):
            return
        low, high, why_not = _interval(rows, years)
        least, most = intervals.between(years) if intervals is not None else (math.nan, math.nan)
        yield {
            "stratum": name, "years": years, "at_risk": int(((entry < years) & (leaving >= years)).sum()),
            "kaplan_meier": share, "low": low, "high": high, "why_no_interval": why_not, "turnbull_low": least, "turnbull_high": most,
            "annual_failure_rate": annual_failure_rate(share, years),
        }  # fmt: skip


def _curve_by_intervals(rows: pd.DataFrame) -> Turnbull | None:
    try:
        return turnbull(rows)
    except Refused:
        return None


def _interval(rows: pd.DataFrame, years: float) -> tuple[float, float, str]:
    try:
        got = clustered(rows, lambda part: kaplan_meier(part).at(years), years)
    except Refused as error:
        return math.nan, math.nan, error.message
    return got.low, got.high, ""


def _attendance(rows: pd.DataFrame, today_years: dict[str, float]) -> tuple[str, ...]:
    in_place = rows[rows["found"].isna()]
    late = sum(today_years.get(str(code), 0.0) - free > SEEN_WITHIN for code, free in zip(in_place["restoration"], in_place["free"]))
    return (f"{len(rows)} restorations of {rows['patient'].nunique()} patients were followed; of {len(in_place)} still in place "
            f"{late} were not seen within the last {SEEN_WITHIN:g} years.",)  # fmt: skip


def _never(codes: Sequence[str], left_out: int) -> tuple[str, ...]:
    told = [f"{len(codes)} were never seen in use and are in no table."] if codes else []
    if left_out:
        told.append(f"{left_out} were seen once only and say nothing of time.")
    return tuple(told)


def _dates(until: str) -> str:
    return (f"Ends of {until} are dated by when they were found: Kaplan-Meier lies too high between recalls; Turnbull takes the whole "
            "interval since the last visit without the end.")  # fmt: skip
