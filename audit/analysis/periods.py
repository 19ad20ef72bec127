"""Since when a restoration may be compared with itself: from its baseline, anew after every intervention.

Notes
-----
The baseline is the first visit of that stage after placement; without one, the first recall, then the placement visit. An event that
restarts the baseline ends the period: nothing before it is compared with anything after. Until somebody has seen the tooth again,
what was compared before the event still stands, up to that event. A recall on the very day of the event shows
the tooth before it, so that only a visit of stage ``baseline`` or ``placement`` of that day belongs to the new period.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from audit.core.clinical import Event, Restoration
from audit.core.outcome import VisitRecord
from audit.core.vocabulary import EVENTS

__all__ = ["Period", "all_events", "compared_period", "ending", "latest_period"]

_IN_USE = ("placement", "baseline", "recall")
_FRESH = ("placement", "baseline")


@dataclass(frozen=True)
class Period:
    """The stretch of time within which visits compare.

    Parameters
    ----------
    restart : Event or None
        The intervention after which it began.
    visits : tuple of VisitRecord
        Every visit of the finished restoration in it, by date.
    baseline_on : str or None
        Date of its baseline visit; ``None`` where there was no visit yet.
    until : Event or None
        The intervention that ended it.
    """

    restart: Event | None
    visits: tuple[VisitRecord, ...]
    baseline_on: str | None
    until: Event | None = None

    @property
    def compared(self) -> tuple[VisitRecord, ...]:
        """Visits from the baseline on."""
        return tuple(record for record in self.visits if self.baseline_on is not None and record.visit.on >= self.baseline_on)


def latest_period(restoration: Restoration, history: Sequence[VisitRecord]) -> Period:
    """The period that is still running, or ran last."""
    return _periods(restoration, history)[-1]


def compared_period(restoration: Restoration, history: Sequence[VisitRecord]) -> Period:
    """The latest period in which there was a visit; the latest of all where there was none."""
    periods = _periods(restoration, history)
    return next((period for period in reversed(periods) if period.visits), periods[-1])


def _periods(restoration: Restoration, history: Sequence[VisitRecord]) -> list[Period]:
    restarts = [event for event in all_events(history) if EVENTS[event.kind].restarts_baseline and event.on >= restoration.placed_on]
    in_use = [record for record in sorted(history, key=lambda record: record.visit.on) if record.visit.stage in _IN_USE]
    bounds = [None, *restarts, None]
    return [_period(restoration, in_use, restart, until) for restart, until in pairwise(bounds)]


def _period(restoration: Restoration, in_use: Sequence[VisitRecord], restart: Event | None, until: Event | None) -> Period:
    since = restart.on if restart else restoration.placed_on
    began = (record for record in in_use if _belongs_after(record, since, afresh=restart is not None))
    visits = tuple(record for record in began if until is None or not _belongs_after(record, until.on, afresh=True))
    order = ("baseline", "recall", "placement") if restart is None else ("baseline", "recall")
    first = next((record.visit.on for stage in order for record in visits if record.visit.stage == stage), None)
    return Period(restart, visits, first or (visits[0].visit.on if visits else None), until)


def _belongs_after(record: VisitRecord, day: str, *, afresh: bool) -> bool:
    return record.visit.on > day or (record.visit.on == day and (not afresh or record.visit.stage in _FRESH))


def all_events(history: Sequence[VisitRecord]) -> tuple[Event, ...]:
    """Events of a restoration by date."""
    return tuple(sorted({event for record in history for event in record.events}, key=lambda event: (event.on, event.kind)))


def ending(history: Sequence[VisitRecord]) -> Event | None:
    """The event that ended the restoration or its audit, if one did."""
    return next((event for event in all_events(history) if EVENTS[event.kind].outcome in ("failure", "withdrawn")), None)
