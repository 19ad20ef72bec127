"""One case of a portfolio: its record, its pictures and what the resident wrote, as rows and pictures that a page can place.

Notes
-----
Time is told in months from placement and never as a date, and no note of the practice's tables is taken over: what leaves is what the
resident wrote, the words of the vocabulary, and numbers.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import pandas as pd

from audit.core.dates import months_between
from audit.core.outcome import Change, ToothRecord
from audit.core.picture import Picture
from audit.core.site import SITES, site_of
from audit.report import tables, words
from audit.report.document import finding_matrix, refusal_groups
from audit.report.written import Written

__all__ = [
    "PortfolioCase",
    "baseline_of",
    "case_code",
    "case_facts",
    "event_rows",
    "finding_rows",
    "month_of",
    "outcome_rows",
    "refused_words",
    "undated",
]

_NOT_TOLD = frozenset({"facial_surface_area", "assessed_margin_length"})
_VERDICTS: Mapping[str, str] = MappingProxyType(
    {"changed": "changed", "no_change_distinguishable": "no change distinguishable", "cannot_tell": "cannot tell"}
)
_WITHHELD = "a site marked with other words"
_DATE = re.compile(r"(\bon )?\b(\d{4}-\d{2}-\d{2})\b")


@dataclass(frozen=True)
class PortfolioCase:
    """A chosen case.

    Parameters
    ----------
    record : ToothRecord
    written : Written
        Under the headings of `audit.report.written.CASE_SECTIONS`.
    tiles : tuple of Picture
        Every photo on hand, cropped round the tooth, by view and date.
    """

    record: ToothRecord
    written: Written
    tiles: tuple[Picture, ...] = ()


def case_code(case: PortfolioCase) -> str:
    """The pseudonym that the case stands under."""
    return case.record.restoration.code


def case_facts(case: PortfolioCase) -> str:
    """Design, alloy, tooth and how long it was followed, in one line."""
    record, restoration = case.record, case.record.restoration
    last = max((visit.months for visit in record.visits), default=0.0)
    design = words.design_words(restoration.design)
    return " · ".join(
        [f"{design[:1].upper()}{design[1:]}, {restoration.alloy} alloy", restoration.tooth.name,
         f"{len(record.visits)} visits", f"followed for {last:.0f} months"]
    )  # fmt: skip


def month_of(record: ToothRecord, on: str) -> str:
    """A date as months from placement: ``month 12``, ``1 month before placement``."""
    exact = months_between(record.restoration.placed_on, on)
    months = round(abs(exact))
    if exact < 0:
        return f"{months} month{'' if months == 1 else 's'} before placement" if months else "just before placement"
    return "at placement" if exact == 0 else f"month {months}"


def undated(record: ToothRecord, text: str) -> str:
    """A sentence of the record with months in the place of its dates, and without words that files brought in.

    A reason of a refusal may quote what a file holds: its code stands in its place. Marks may name a site with any words.
    """
    for quoted, instead in _from_files(record):
        text = text.replace(quoted, instead)
    return _DATE.sub(lambda found: f"{'in ' if found[1] else ''}{month_of(record, found[2])}", text)


def _from_files(record: ToothRecord) -> list[tuple[str, str]]:
    """Words of files and what is told instead, the longest first."""
    photos = [photo for visit in record.visits for photo in visit.photos]
    told = {refusal.reason.rstrip("."): words.plain(refusal.code) for photo in photos for refusal in photo.refusals}
    for site in {site_of(reading, photo) for photo in photos for reading in photo.readings}:
        if not set(site.split(", ")) <= {"", *SITES}:
            told |= {site: _WITHHELD, words.plain(site): _WITHHELD}
    return sorted(((quoted, instead) for quoted, instead in told.items() if quoted), key=lambda pair: -len(pair[0]))


def baseline_of(record: ToothRecord) -> str:
    """Day of the first baseline on record, whatever came after it; of placement where there is none."""
    days = [visit.visit.on for visit in record.visits if visit.visit.stage == "baseline"]
    return min(days, default=record.restoration.placed_on)


def outcome_rows(case: PortfolioCase) -> dict[str, Any]:
    """What was measured at baseline and last, and whether it changed, one row a measurand, view and site."""
    record, series = case.record, tables.series(case.record)
    series = series[~series["measurand"].isin(_NOT_TOLD)]
    told = {(c.measurand, c.view, c.site): c for c in record.changes}
    rows = []
    for key, part in series.groupby(["measurand", "view", "site"], sort=False):
        measurand, view, site = map(str, key)
        change = told.get((measurand, view, site)) or told.get((measurand, view, ""))
        first, last = _first_and_last(record, part, change)
        told_of = _change_words(record, change) if last else "read at one visit only"
        rows.append([undated(record, words.brief_words(measurand, view, site)), first, last, told_of])
    limit = any(change.basis == "budget" for change in record.changes)
    return {"rows": rows, "lower_limit": limit}


def _first_and_last(record: ToothRecord, part: pd.DataFrame, change: Change | None) -> tuple[str, str]:
    days = sorted(set(part["on"]))
    first = change.baseline_on if change is not None else next((on for on in days if on >= baseline_of(record)), days[0])
    last = change.latest_on if change is not None else days[-1]
    return _readings(record, part, first), "" if last == first else _readings(record, part, last)


def _readings(record: ToothRecord, part: pd.DataFrame, on: str) -> str:
    """Every reading of a day, and the month."""
    told = [
        words.reading_words(row["status"], row["value"], row["u"], row["low"], row["high"], row["unit"], row["measurand"])
        for row in part[part["on"] == on].to_dict("records")
    ]
    return f"{month_of(record, on)}: {'; '.join(dict.fromkeys(told))}" if told else "not read"


def _change_words(record: ToothRecord, change: Change | None) -> str:
    if change is None:
        return "not compared" + (" across an event" if record.events else "")
    more = ", not yet confirmed by a second photograph" if change.verdict == "changed" and not change.confirmed else ""
    return undated(record, f"{_VERDICTS[change.verdict]}{more}" + (f": {change.brief}" if change.brief else ""))


def finding_rows(case: PortfolioCase) -> dict[str, Any]:
    """Findings and grades at baseline and last: which months, and rows of subject and both answers with whether each is sound."""
    record, matrix = case.record, finding_matrix(case.record)
    if not matrix.visits:
        return {"months": [], "rows": []}
    days = [visit.visit.on for visit in matrix.visits]
    first = next((place for place, on in enumerate(days) if on >= baseline_of(record)), 0)
    columns = list(dict.fromkeys([first, len(days) - 1]))
    rows = []
    for subject, cells in matrix.rows:
        chosen = [cells[column] for column in columns]
        if any(chosen):
            rows.append([subject, *([cell.answer, cell.sound] if cell else ["", True] for cell in chosen)])
    return {"months": [month_of(record, days[column]) for column in columns], "rows": rows}


def event_rows(case: PortfolioCase) -> list[str]:
    """Events of the record, by month."""
    return [f"{month_of(case.record, event.on)}: {words.event_words(event.kind)}" for event in case.record.events]


def refused_words(case: PortfolioCase) -> str:
    """How many measurements were refused, and why, in a sentence."""
    groups = refusal_groups(case.record)
    if not groups:
        return "No measurement was refused."
    reasons: Sequence[str] = [f"{group.count} × {words.plain(group.code)}" for group in groups]
    return f"{sum(group.count for group in groups)} measurements were refused: {', '.join(reasons)}."
