"""The record of one restoration as a recall report tells it: status, changes, attention, gaps, next recall.

Notes
-----
Findings decide the status; a measured change adds to them. Recall intervals are those of NICE CG19 for adults, 3 to 24 months; the
default of 12 months, 6 where something asks for attention, and the baseline review 2 to 6 weeks after placement or an intervention
are common practice, no published source. The clinician's own interval comes first.

References
----------
NICE, Dental checks: intervals between oral health reviews, Clinical guideline CG19. https://www.nice.org.uk/guidance/cg19
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

from audit.analysis.attention import changed_for_attention, findings_for_attention
from audit.analysis.change import NO_REPEATABILITY, changes
from audit.analysis.not_assessed import not_assessed
from audit.analysis.periods import Period, all_events, compared_period, ending, latest_period
from audit.analysis.plan import plan_checks
from audit.analysis.posed_anew import Repeatability
from audit.core.clinical import Event, Restoration
from audit.core.dates import add_months, months_between
from audit.core.outcome import NextRecall, Status, ToothRecord, VisitRecord
from audit.core.vocabulary import EVENTS, is_sound

__all__ = ["tooth_record"]

DEFAULT_MONTHS, ATTENTION_MONTHS = 12, 6
CG19_MONTHS = (3, 24)
BASELINE_WEEKS = (2, 6)


def tooth_record(
    restoration: Restoration, history: Sequence[VisitRecord], today: date, *, recall_months: int | None = None,
    repeatability: Repeatability = NO_REPEATABILITY,
) -> ToothRecord:  # fmt: skip
    """Everything that the years say of one restoration, up to a day.

    Parameters
    ----------
    restoration : Restoration
    history : sequence of VisitRecord
        All visits, by date.
    today : date
        The day of the report.
    recall_months : int, optional
        Interval that the clinician set, months.
    repeatability : mapping, optional
        From `audit.analysis.posed_anew.posed_anew` over all restorations.
    """
    events, end, period = all_events(history), ending(history), latest_period(restoration, history)
    compared = compared_period(restoration, history)
    found = changes(compared.compared, repeatability)
    root_filled = any(event.kind == "endodontic_access" for event in events)
    changed = changed_for_attention(found) if period.visits else ()
    open_points = (*findings_for_attention(period.visits, root_filled=root_filled), *changed)
    attention = _contradictions(history, end) if end is not None else open_points
    return ToothRecord(
        restoration, tuple(history), events,
        _status(restoration, period, events, end, attention), compared.baseline_on, found,
        plan_checks(restoration, period.compared), attention, (*_restarted(period), *not_assessed(period.visits)),
        _next_recall(restoration, period, end, bool(attention), recall_months, today), compared.until, compared.restart,
    )  # fmt: skip


def _contradictions(history: Sequence[VisitRecord], end: Event) -> tuple[str, ...]:
    after = [record.visit.on for record in history if record.visit.on > end.on]
    if not after:
        return ()
    return (f"A visit of {after[0]} is recorded after the end ({EVENTS[end.kind].words}, {end.on}); check the records.",)


def _status(
    restoration: Restoration, period: Period, events: Sequence[Event], end: Event | None, attention: Sequence[str]
) -> Status:  # fmt: skip
    if end is not None:
        return Status("ended", f"Ended: {EVENTS[end.kind].words} on {end.on}, {_since(restoration, end.on)}.")
    lost_success = [e for e in events if EVENTS[e.kind].outcome != "success"]
    history = f"; {EVENTS[lost_success[-1].kind].words} on {lost_success[-1].on}" if lost_success else ""
    if not period.visits:
        if period.restart is not None:
            return Status("event", f"{_capital(EVENTS[period.restart.kind].words)} on {period.restart.on}; not seen since.")
        return Status("in_place", f"Placed on {restoration.placed_on}; no visit recorded since.")
    last = period.visits[-1]
    seen = f"In place {_since(restoration, last.visit.on)}{history}"
    if attention:
        return Status("attention", f"{seen}. {_points(len(attention))}")
    before = period.visits[-2].visit.on if len(period.visits) > 1 else ""
    if period.restart is not None and period.restart.on > before:
        return Status("event", f"{seen}; the baseline was taken anew on {period.baseline_on}.")
    return Status("in_place", f"{seen}; {_nothing_asks(last)}.")


def _nothing_asks(last: VisitRecord) -> str:
    if not last.findings:
        return "no clinical findings were recorded at the last visit"
    watched = sum(not is_sound(finding.finding, finding.value) for finding in last.findings)
    if not watched:
        return "nothing recorded asks for attention"
    return f"{watched} {_plural(watched, 'finding')} of the last visit to watch, none that asks for attention by itself"


def _points(count: int) -> str:
    return "One point asks for attention." if count == 1 else f"{count} points ask for attention."


def _since(restoration: Restoration, on: str) -> str:
    months = round(months_between(restoration.placed_on, on))
    return "on the day of placement" if on == restoration.placed_on else f"{months} {_plural(months, 'month')} after placement"


def _plural(count: int, word: str) -> str:
    return word if count == 1 else f"{word}s"


def _capital(words: str) -> str:
    return words[0].upper() + words[1:]


def _restarted(period: Period) -> tuple[str, ...]:
    if period.restart is None:
        return ()
    words = f"{EVENTS[period.restart.kind].words} on {period.restart.on}"
    return (f"Nothing from before the intervention ({words}) is compared with anything after it.",)


def _next_recall(
    restoration: Restoration, period: Period, end: Event | None, attention: bool, recall_months: int | None, today: date
) -> NextRecall:  # fmt: skip
    if end is not None:
        return NextRecall(None, f"No recall is due: {EVENTS[end.kind].words} on {end.on}.")
    if all(record.visit.stage == "placement" for record in period.visits):
        since = period.restart.on if period.restart is not None else restoration.placed_on
        due = (date.fromisoformat(since) + timedelta(weeks=BASELINE_WEEKS[1])).isoformat()
        low, high = BASELINE_WEEKS
        return NextRecall(due, f"Baseline review due by {due}, {low} to {high} weeks after {since}{_late(due, today)}.")
    months, why = _interval(attention, recall_months)
    due = add_months(period.visits[-1].visit.on, months)
    return NextRecall(due, f"Due on {due}, {months} {_plural(months, 'month')} after the last visit ({why}){_late(due, today)}.")


def _interval(attention: bool, recall_months: int | None) -> tuple[int, str]:
    shorter = attention and (recall_months or DEFAULT_MONTHS) > ATTENTION_MONTHS
    if shorter:
        return ATTENTION_MONTHS, "sooner because something asks for attention"
    if recall_months is None:
        return DEFAULT_MONTHS, "the default; the clinician set no interval"
    low, high = CG19_MONTHS
    outside = "" if low <= recall_months <= high else f", outside the {low} to {high} months of NICE CG19"
    return recall_months, f"as the clinician set it{outside}"


def _late(due: str, today: date) -> str:
    late = months_between(due, today.isoformat())
    if late <= 0:
        return ""
    months = round(late)
    return "; overdue" if months == 0 else f"; overdue by {months} {_plural(months, 'month')}"
