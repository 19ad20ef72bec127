"""The merged tables of a club as records again, so that the statistics of one practice serve the club too.

Notes
-----
A bundle holds months and no dates: every restoration is placed on one day that means nothing, and its visits lie whole months behind it.
Codes are made of the pseudonyms of member, patient and case, in this order, as the codes of a practice are.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, timedelta

from audit.core.clinical import Event, Restoration, Visit
from audit.core.dates import DAYS_PER_MONTH
from audit.core.outcome import VisitRecord
from audit.core.tooth import Tooth

__all__ = ["club_records", "years_since_placement"]

Rows = Sequence[Mapping[str, str]]
_HALF_A_MONTH = 0.5 / 12.0  # years
_PLACED = date(2000, 1, 1)
_Case = tuple[str, str]  # sender and pseudonym


def club_records(tables: Mapping[str, Rows]) -> list[tuple[Restoration, tuple[VisitRecord, ...]]]:
    """Restorations with their visits and events, from the tables of `audit.exchange.club_store.merged_tables`."""
    visits, events = _by_case(tables["visits"]), _by_case(tables["events"])
    return [_record(row, visits.get(_case(row), ()), events.get(_case(row), ())) for row in tables["restorations"]]


def years_since_placement(tables: Mapping[str, Rows]) -> dict[str, float]:
    """Years from placement to when the bundle was made, by the code of `club_records`: at least so many.

    Years are told whole and months to the nearest one, so that half a month less is sure beside any visit.
    """
    return {_code(row): float(row["placed_years_ago"]) - _HALF_A_MONTH for row in tables["restorations"]}


def _record(row: Mapping[str, str], visits: Rows, events: Rows) -> tuple[Restoration, tuple[VisitRecord, ...]]:
    code = _code(row)
    restoration = Restoration(
        code, Tooth.parse(row["tooth"], "iso3950"), "iso3950", row["design"], row["alloy"], _PLACED.isoformat(), row["operator"]
    )
    happened = tuple(Event(code, _day(event), event["kind"]) for event in events)
    records = tuple(
        VisitRecord(Visit(code, _day(visit), visit["stage"], visit["examiner"]), float(visit["months"]), (), (), (),
                    happened if number == 0 else ())
        for number, visit in enumerate(visits)
    )  # fmt: skip
    return restoration, records


def _code(row: Mapping[str, str]) -> str:
    return "-".join(row[name].replace("-", "") for name in ("member", "patient", "case"))


def _day(row: Mapping[str, str]) -> str:
    return (_PLACED + timedelta(days=round(int(row["months"]) * DAYS_PER_MONTH))).isoformat()


def _case(row: Mapping[str, str]) -> _Case:
    return row["sender"], row["case"]


def _by_case(rows: Iterable[Mapping[str, str]]) -> dict[_Case, list[Mapping[str, str]]]:
    found: dict[_Case, list[Mapping[str, str]]] = {}
    for row in rows:
        found.setdefault(_case(row), []).append(row)
    return found
