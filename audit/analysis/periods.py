"""Since when a restoration may be compared with itself: from its baseline, anew after every intervention.

Notes
-----
The baseline is the first visit of that stage after placement; without one, the first recall, then the placement visit. An event that
restarts the baseline ends the period: nothing before it is compared with anything after. A recall on the very day of the event shows
the tooth before it, so that only a visit of stage ``baseline`` or ``placement`` of that day belongs to the new period.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from audit.core.clinical import Event, Restoration
from audit.core.outcome import VisitRecord
from audit.core.vocabulary import EVENTS

__all__ = ["Period", "all_events", "ending", "latest_period"]

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
    """

    restart: Event | None
    visits: tuple[VisitRecord, ...]
    baseline_on: str | None

    @property
    def compared(self) -> tuple[VisitRecord, ...]:
        """Visits from the baseline on."""
        return tuple(record for record in self.visits if self.baseline_on is not None and record.visit.on >= self.baseline_on)


def latest_period(restoration: Restoration, history: Sequence[VisitRecord]) -> Period:
    """The period that is still running, or ran last."""
    restarts = [event for event in all_events(history) if EVENTS[event.kind].restarts_baseline and event.on >= restoration.placed_on]
    restart = restarts[-1] if restarts else None
    since = restart.on if restart else restoration.placed_on
    in_use = [r for r in sorted(history, key=lambda r: r.visit.on) if r.visit.stage in _IN_USE]
    visits = tuple(r for r in in_use if r.visit.on > since or (r.visit.on == since and (restart is None or r.visit.stage in _FRESH)))
    order = ("baseline", "recall", "placement") if restart is None else ("baseline", "recall")
    first = next((r.visit.on for stage in order for r in visits if r.visit.stage == stage), None)
    return Period(restart, visits, first or (visits[0].visit.on if visits else None))


def all_events(history: Sequence[VisitRecord]) -> tuple[Event, ...]:
    """Events of a restoration by date."""
    return tuple(sorted({event for record in history for event in record.events}, key=lambda event: (event.on, event.kind)))


def ending(history: Sequence[VisitRecord]) -> Event | None:
    """The event that ended the restoration or its audit, if one did."""
    return next((event for event in all_events(history) if EVENTS[event.kind].outcome in ("failure", "withdrawn")), None)
