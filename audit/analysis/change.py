"""What changed since baseline by more than the measurement error.

Notes
-----
The difference is formed from the signed estimates, so that parts of equal full name cancel (JCGM 100:2008, 5.2). Its smallest
detectable change is :math:`k\\,u(d)` with k = 1.96, or Student's t where the uncertainty itself has few degrees of freedom; this
is a lower limit, as a budget holds only what was thought of. An estimate below detection, or of a slot that is not resolved, counts
as uncertain as its whole 95 % interval. Where photographs posed anew show a larger spread, that one counts.

One visit tests all measurands of a tooth at once: 'changed' is listed at a false discovery rate of 5 % among them (Benjamini and
Hochberg; holds for independent and for positively dependent tests), so that an unchanged tooth is called changed in at most 5 % of
visits. Where only intervals exist (below detection, or a slot too narrow to resolve, without an estimate) 'changed' means that the
95 % intervals do not meet, which is the stricter rule. "No change distinguishable" says nothing of stability.

References
----------
Benjamini & Hochberg, J R Stat Soc B 1995;57:289-300. https://doi.org/10.1111/j.2517-6161.1995.tb02031.x
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Literal

import numpy as np
import pandas as pd
from scipy.stats import false_discovery_control, t

from audit.analysis.occasions import NOT_TOLD_APART, Occasion, Site, occasions
from audit.analysis.posed_anew import Repeatability
from audit.analysis.wording import number, plus_minus, subject, under
from audit.core.outcome import Change, VisitRecord
from audit.core.quantity import Quantity, source
from audit.core.records import Reading
from audit.core.site import OF_THE_MARGIN

__all__ = ["FALSE_DISCOVERY_RATE", "NOT_COMPARED", "changes", "to_frame"]

FALSE_DISCOVERY_RATE = 0.05
K = 1.959964
# what the photographer framed, not what the tooth did
NOT_COMPARED = frozenset({"facial_surface_area", "assessed_margin_length"})
NO_REPEATABILITY: Repeatability = MappingProxyType({})


@dataclass(frozen=True)
class _Compared:
    """A change before the number of tests is known; `chance` is its two-sided p value, ``None`` where there is no test."""

    change: Change
    chance: float | None = None


def changes(visits: Iterable[VisitRecord], repeatability: Repeatability = NO_REPEATABILITY) -> tuple[Change, ...]:
    """Latest reading of each measurand, view and site against the first.

    Parameters
    ----------
    visits : iterable of VisitRecord
        Of one period: from its baseline on, no intervention between them.
    repeatability : mapping of (measurand, view) to PosedAnew
        From photographs posed anew, where there are enough.
    """
    compared, visits = [], tuple(visits)
    for site, found in occasions(visits).items():
        if site.measurand not in NOT_COMPARED and len(found) > 1:
            compared.append(_compare(site, found[0], found[-1], repeatability))
    tested = [c.chance for c in compared if c.chance is not None]
    discovered = iter(false_discovery_control(np.array(tested)) <= FALSE_DISCOVERY_RATE if tested else [])
    told = [c.change if c.chance is None else _judged(c.change, bool(next(discovered)), len(tested)) for c in compared]
    last_on = max((record.visit.on for record in visits), default="")
    return tuple(c if c.latest_on == last_on else _not_read_last(c) for c in told)


def to_frame(found: Iterable[Change]) -> pd.DataFrame:
    """Changes as a tidy table, one row each."""
    columns = ["measurand", "view", "baseline_on", "latest_on", "difference", "u", "unit", "smallest_detectable", "basis", "verdict"]
    rows = [
        (c.measurand, c.view, c.baseline_on, c.latest_on, c.difference and c.difference.value, c.difference and c.difference.u,
         c.difference and c.difference.unit, c.smallest_detectable, c.basis, c.verdict)
        for c in found
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)


def _compare(site: Site, first: Occasion, last: Occasion, repeatability: Repeatability) -> _Compared:
    why_not = "its sites are not told apart by name" if site.site == NOT_TOLD_APART else _not_comparable(first, last)
    if why_not:
        return _told(site, first, last, "cannot_tell", f"cannot be compared with {first.on}: {why_not}", why_not)
    before, now = first.reading, last.reading
    if before.status == now.status == "below_detection":
        return _both_below(site, first, last)
    earlier, later = _estimate(first), _estimate(last)
    if earlier is None or later is None:
        return _by_intervals(site, first, last)
    difference = later - earlier
    if not difference.u > 1e-6 * max(earlier.u, later.u):
        why_not = "no uncertainty of the difference is known"
        return _told(site, first, last, "cannot_tell", f"cannot be compared with {first.on}: {why_not}", why_not)
    return _by_difference(site, first, last, difference, repeatability)


def _estimate(occasion: Occasion) -> Quantity | None:
    """The signed estimate; where nothing was resolved, as uncertain as the interval, which also holds how light a slot may look."""
    reading, signed = occasion.reading, occasion.reading.signed
    if signed is None or reading.status == "measured":
        return signed
    reach = max(reading.interval95[1] - signed.value, signed.value - reading.interval95[0]) / K
    missing = math.sqrt(max(reach**2 - signed.u**2, 0.0))
    return signed.with_part(source("model", f"unresolved/{occasion.photo.sha256[:12]}"), missing)


def _not_comparable(first: Occasion, last: Occasion) -> str:
    """Why two readings of one site must not be held against each other; empty where they may."""
    before, now = first.reading, last.reading
    if first.photo.sha256 == last.photo.sha256:
        return "the same image file stands at both visits"
    if before.unit != now.unit or before.method != now.method:
        return f"read by {before.method} then and by {now.method} now; audit the folder again"
    then, since = (tuple(reading.details.get(name) for name in ("threshold", "threshold_unit")) for reading in (before, now))
    if then != since:
        return "an opening counted from another width on"
    return ""


def _both_below(site: Site, first: Occasion, last: Occasion) -> _Compared:
    limits = [under(o.reading.interval95[1], o.reading.unit) for o in (first, last)]
    images = "bitewings" if site.view == "bitewing" else "photographs"
    words = limits[0] if limits[0] == limits[1] else f"{limits[0]}, then {limits[1]}"
    return _told(site, first, last, "no_change_distinguishable", f"below what the {images} resolve at both visits ({words})", words,
                 smallest=max(first.reading.interval95[1], last.reading.interval95[1]))  # fmt: skip


def _by_intervals(site: Site, first: Occasion, last: Occasion) -> _Compared:
    (low, high), (low_now, high_now) = first.reading.interval95, last.reading.interval95
    words = f"from {_reading_words(first.reading)} on {first.on} to {_reading_words(last.reading)}"
    if low_now > high or high_now < low:
        return _told(site, first, last, "changed", f"changed {words}", words)
    return _told(site, first, last, "cannot_tell", f"cannot be told: {words}", words)


def _by_difference(site: Site, first: Occasion, last: Occasion, difference: Quantity, repeatability: Repeatability) -> _Compared:
    dof = difference.effective_dof
    smallest = float(t.ppf(0.975, dof)) * difference.u
    chance = 2.0 * float(t.sf(abs(difference.value) / difference.u, dof))
    basis: Literal["budget", "posed_anew"] = "budget"
    spread = repeatability.get((site.measurand, site.view))
    if spread is not None and spread.is_enough and spread.smallest_detectable >= smallest:
        basis, smallest = "posed_anew", spread.smallest_detectable
        chance = max(chance, 2.0 * float(t.sf(abs(difference.value) / spread.s_difference, spread.pairs)))
    head = subject(*site)
    amount = plus_minus(difference.value, smallest, difference.unit)
    changed = abs(difference.value) > smallest
    if changed:
        amount = plus_minus(difference.value, smallest, difference.unit, signed=True)
        words = f"changed by {amount} since {first.on}, {_from_to(first.reading, last.reading)}"
    else:
        words = f"no change distinguishable from measurement error ({amount}) since {first.on}"
    sentence = f"{head}: {words}{_notes(site, first, last)}."
    verdict: Literal["changed", "no_change_distinguishable"] = "changed" if changed else "no_change_distinguishable"
    change = Change(site.measurand, site.view, first.on, last.on, difference, smallest, basis, verdict, sentence, site.site, amount)
    return _Compared(change, chance)


def _judged(change: Change, discovered: bool, tests: int) -> Change:
    """The change with its verdict among all that were tested on this tooth."""
    if change.verdict != "changed" or discovered or change.difference is None or change.smallest_detectable is None:
        return change
    amount = plus_minus(change.difference.value, change.smallest_detectable, change.difference.unit)
    words = (
        f"{change.sentence.split(':', 1)[0]}: no change distinguishable among the {tests} comparisons of this tooth ({amount} since "
        f"{change.baseline_on}); by itself it would exceed the measurement error, so photograph it again."
    )
    return replace(change, verdict="no_change_distinguishable", sentence=words, brief=amount)


def _not_read_last(change: Change) -> Change:
    when = f"last read on {change.latest_on}"
    return replace(change, sentence=f"{change.sentence.removesuffix('.')}; {when}.", brief=f"{change.brief}; {when}")


def _told(
    site: Site, first: Occasion, last: Occasion, verdict: Literal["changed", "no_change_distinguishable", "cannot_tell"], words: str,
    brief: str, *, smallest: float | None = None,
) -> _Compared:  # fmt: skip
    sentence = f"{subject(*site)}: {words}{_notes(site, first, last)}."
    return _Compared(Change(site.measurand, site.view, first.on, last.on, None, smallest, "budget", verdict, sentence, site.site, brief))


def _reading_words(reading: Reading) -> str:
    low, high = reading.interval95
    if reading.status == "below_detection":
        return under(high, reading.unit)
    if reading.status == "measured" and reading.value is not None:
        return plus_minus(reading.value.value, K * reading.value.u, reading.unit)
    half = (high - low) / 2.0
    return f"between {number(low, reading.unit, half).split(' ')[0]} and {number(high, reading.unit, half)}"


def _from_to(before: Reading, now: Reading) -> str:
    return f"from {_reading_words(before)} to {_reading_words(now)}"


def _notes(site: Site, first: Occasion, last: Occasion) -> str:
    """What a reader must know of the two readings: the margin they cover, and that there was a choice."""
    notes = []
    if site.measurand in OF_THE_MARGIN:
        lengths = [length for o in (first, last) if (length := _assessed(o)) is not None]
        if len(lengths) == 2:
            notes.append(f"{lengths[0]:.1f} mm of margin assessed then, {lengths[1]:.1f} mm now")
    drawn = ["the reader" if "region_by_reader" in o.reading.flags else "the tool" for o in (first, last)]
    if drawn[0] != drawn[1]:
        notes.append(f"metal outlined by {drawn[0]} then, by {drawn[1]} now")
    for occasion in (first, last):
        if occasion.photos > 1:
            notes.append(f"on {occasion.on} from the photograph with the smallest uncertainty of {occasion.photos}")
    return f"; {'; '.join(notes)}" if notes else ""


def _assessed(occasion: Occasion) -> float | None:
    for reading in occasion.photo.readings:
        if reading.measurand == "assessed_margin_length" and reading.value is not None:
            return reading.value.value
    return None
