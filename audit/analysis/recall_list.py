"""Who is due, overdue or lost to recall: one row a restoration, its next visit and its next bitewing.

Notes
-----
The day that is due is that of the record of the tooth (see `recall`). A restoration is lost where nobody has seen it for two years
beyond the day on which it was due: common practice, no published source. Nobody is called lost before 27 months, which is the longest
interval of NICE CG19 and three months more. A bitewing is due from the last one, or from placement, at the interval that the clinician
set; where none was set no date is made up.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Literal

import pandas as pd

from audit.analysis.periods import ending
from audit.core.dates import add_months, months_between
from audit.core.outcome import ToothRecord

__all__ = ["LOST_MONTHS", "RecallList", "Standing", "recall_list"]

LOST_MONTHS = 24
_SOONEST_LOST_MONTHS = 27
Standing = Literal["not_due", "due", "overdue", "lost", "ended"]
_DUE_MONTHS = 1
_ORDER: Mapping[Standing, int] = {"lost": 0, "overdue": 1, "due": 2, "not_due": 3, "ended": 4}
_IN_USE = ("placement", "baseline", "recall")


@dataclass(frozen=True)
class RecallList:
    """Restorations by what they wait for, those that wait longest first.

    Parameters
    ----------
    today : str
    rows : tuple of dict
        ``restoration``, ``standing``, ``due_on``, ``months_late``, ``last_seen_on``, ``why``, ``bitewing_due_on`` and ``bitewing``.
    """

    today: str
    rows: tuple[Mapping[str, object], ...]

    def to_frame(self) -> pd.DataFrame:
        """One row a restoration."""
        columns = ["restoration", "standing", "due_on", "months_late", "last_seen_on", "why", "bitewing_due_on", "bitewing"]
        return pd.DataFrame(list(self.rows), columns=columns)

    def counts(self) -> dict[str, int]:
        """How many are in each standing."""
        found = [row["standing"] for row in self.rows]
        return {standing: found.count(standing) for standing in _ORDER}


def recall_list(records: Iterable[ToothRecord], today: date, bitewing_months: Mapping[str, int] | None = None) -> RecallList:
    """The standing of every restoration on a day.

    Parameters
    ----------
    records : iterable of ToothRecord
        As told on the same day.
    today : date
    bitewing_months : mapping of str to int, optional
        Interval that the clinician set for bitewings, by restoration.
    """
    intervals = bitewing_months or {}
    rows = [_row(record, today.isoformat(), intervals.get(record.restoration.code)) for record in records]
    rows.sort(key=lambda row: (_ORDER[row["standing"]], row["due_on"] or "", row["restoration"]))  # type: ignore[index]
    return RecallList(today.isoformat(), tuple(rows))


def _row(record: ToothRecord, today: str, months: int | None) -> dict[str, object]:
    last, due = _last_seen(record), record.next_recall.due_on
    late = 0.0 if due is None else max(0.0, months_between(due, today))
    bitewing_due, bitewing = _bitewing(record, today, months)
    return {
        "restoration": record.restoration.code, "standing": _standing(due, today, last or record.restoration.placed_on),
        "due_on": due, "months_late": round(late, 1), "last_seen_on": last, "why": record.next_recall.sentence,
        "bitewing_due_on": bitewing_due, "bitewing": bitewing,
    }  # fmt: skip


def _standing(due: str | None, today: str, last: str) -> Standing:
    if due is None:
        return "ended"
    if months_between(due, today) >= LOST_MONTHS and months_between(last, today) >= _SOONEST_LOST_MONTHS:
        return "lost"
    if today > due:
        return "overdue"
    return "due" if months_between(today, due) <= _DUE_MONTHS else "not_due"


def _last_seen(record: ToothRecord) -> str | None:
    return max((v.visit.on for v in record.visits if v.visit.stage in _IN_USE), default=None)


def _bitewing(record: ToothRecord, today: str, months: int | None) -> tuple[str | None, str]:
    if ending(record.visits) is not None:
        return None, ""
    taken = [v.visit.on for v in record.visits if any(photo.view == "bitewing" for photo in v.photos)]
    since = f"last bitewing of {taken[-1]}" if taken else f"placement on {record.restoration.placed_on}, no bitewing on record"
    if months is None:
        return None, f"no interval set by the clinician; {since}"
    due = add_months(taken[-1] if taken else record.restoration.placed_on, months)
    return due, f"{'overdue' if today > due else 'due'} on {due}, {months} months after {since}, as the clinician set it"
