"""From the records of the years to the table of outcomes: how long each restoration was followed and how that ended.

Notes
-----
One visible table says what an event means: `success` goes on, `survival` ends success, `failure` ends both, `withdrawn` ends the
following without an end. The club fixes it before it compares. An event counts between the last visit before it and its own date.
A restoration comes under observation at its first visit in use; what happened before is not counted, as those that failed before
anyone looked are not there to be counted. The case is the member's part of the code and the number after it: ``M01-004`` and
``M01-004-26`` are two restorations of one patient, ``M01-004`` and ``M01-005`` are taken as two patients.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

import pandas as pd

from audit.analysis.periods import all_events
from audit.core.clinical import Event, Restoration
from audit.core.dates import months_between
from audit.core.outcome import VisitRecord
from audit.core.vocabulary import EVENTS
from audit.errors import RecordError

__all__ = ["OUTCOME_OF", "Outcomes", "outcome_frame", "outcomes", "patient_of"]

OUTCOME_OF: Mapping[str, str] = MappingProxyType({name: kind.outcome for name, kind in EVENTS.items()})
_MEANINGS = ("success", "survival", "failure", "withdrawn")
_ENDS: Mapping[str, tuple[str, ...]] = MappingProxyType({"success": ("survival", "failure"), "survival": ("failure",)})
_IN_USE = ("placement", "baseline", "recall")


@dataclass(frozen=True)
class Outcomes:
    """Restorations as they were followed up to one kind of end.

    Parameters
    ----------
    until : {'success', 'survival'}
        What ends: success, or survival.
    table : DataFrame
        As `audit.analysis.followed` describes it, with restoration, member, design, tooth_group, arch, alloy and operator.
    never_seen : tuple of str
        Codes of restorations without a visit in use; they are in no table.
    """

    until: str
    table: pd.DataFrame
    never_seen: tuple[str, ...]

    def to_frame(self) -> pd.DataFrame:
        """The table."""
        return self.table.copy()


def outcome_frame(outcome_of: Mapping[str, str] = OUTCOME_OF) -> pd.DataFrame:
    """The table that says what each event means, to be shown beside every result."""
    rows = [(name, EVENTS[name].words if name in EVENTS else name, meaning) for name, meaning in outcome_of.items()]
    return pd.DataFrame(rows, columns=["event", "words", "outcome"])


def outcomes(
    records: Iterable[tuple[Restoration, Sequence[VisitRecord]]], until: Literal["success", "survival"],
    outcome_of: Mapping[str, str] = OUTCOME_OF,
) -> Outcomes:  # fmt: skip
    """The table of outcomes of some restorations.

    Parameters
    ----------
    records : iterable of (Restoration, sequence of VisitRecord)
    until : {'success', 'survival'}
    outcome_of : mapping of str to str
        Meaning of every kind of event.

    Raises
    ------
    RecordError
        An event without a meaning, or a meaning that is none.
    """
    strange = next((m for m in outcome_of.values() if m not in _MEANINGS), None)
    if until not in _ENDS or strange is not None:
        raise RecordError(f"outcome must be one of {', '.join(_MEANINGS)}; got {strange or until!r}.", "Use one of these words.")
    rows, never_seen = [], []
    for restoration, history in records:
        row = _row(restoration, history, _ENDS[until], outcome_of)
        rows.append(row) if row is not None else never_seen.append(restoration.code)
    columns = ["restoration", "patient", "entry", "free", "found", "end", "member", "operator", "design", "tooth_group", "arch", "alloy"]
    return Outcomes(until, pd.DataFrame(rows, columns=columns), tuple(never_seen))


def patient_of(code: str) -> str:
    """The case of a restoration, from its code."""
    return "-".join(code.split("-")[:2])


def _row(
    restoration: Restoration, history: Sequence[VisitRecord], ending: tuple[str, ...], outcome_of: Mapping[str, str]
) -> tuple[object, ...] | None:  # fmt: skip
    seen = sorted({r.visit.on for r in history if r.visit.stage in _IN_USE and r.visit.on >= restoration.placed_on})
    if not seen:
        return None
    entry = seen[0]
    events = [event for event in all_events(history) if event.on >= entry]
    unknown = next((event.kind for event in events if event.kind not in outcome_of), None)
    if unknown is not None:
        raise RecordError(f"every event must have its outcome; got none for {unknown!r}.", "Add it to the table of outcomes.")
    end = next((event for event in events if outcome_of[event.kind] in ending), None)
    left = next((event for event in events if outcome_of[event.kind] in ("withdrawn", "failure")), None)
    free = _last_free(seen, end, left)
    tooth = restoration.tooth
    return (
        restoration.code, patient_of(restoration.code), _years(restoration, entry), _years(restoration, free),
        None if end is None else _years(restoration, end.on), "" if end is None else end.kind, restoration.code.split("-")[0],
        restoration.operator, restoration.design, "molar" if tooth.is_molar else "other", "upper" if tooth.is_upper else "lower",
        restoration.alloy,
    )  # fmt: skip


def _last_free(seen: Sequence[str], end: Event | None, left: Event | None) -> str:
    """Last day on which the restoration was known to be without the end."""
    before = [on for on in seen if (end is None or on < end.on) and (left is None or on <= left.on)]
    if end is None and left is not None:
        before.append(left.on)
    return before[-1] if before else seen[0]


def _years(restoration: Restoration, on: str) -> float:
    return months_between(restoration.placed_on, on) / 12.0
