"""What changed since baseline by more than the measurement error.

Notes
-----
The difference is formed from the signed estimates, so that parts of equal full name cancel (JCGM 100:2008, 5.2). Its smallest
detectable change is :math:`k\\,u(d)` with k = 1.96, or Student's t where the uncertainty itself has few degrees of freedom; this
is a lower limit, as a budget holds only what was thought of. An estimate below detection, or of a slot that is not resolved, counts
as uncertain as its whole 95 % interval. Where photographs posed anew show a larger spread, that one counts.

One visit tests all measurands of a tooth at once: 'changed' is listed at a false discovery rate of 5 % among them (Benjamini and
Hochberg; holds for independent and for positively dependent tests), so that an unchanged tooth is called changed in at most 5 % of
visits. Where only intervals exist (below detection, or a slot too narrow to resolve, without an estimate) the p value is the least
:math:`\\alpha` at which the two :math:`1-\\alpha` intervals do not meet, a limit of detection being taken as the 95 % end of an estimate of
zero: stricter than a test of the difference. What is below detection at both visits is a test that nothing can pass, and counts as one.
A later photograph that resolves less (its limit more than a quarter above the first) cannot tell whether an opening came in between.
"No change distinguishable" says nothing of stability.

A change is final when a second photograph confirms it: another one of the same visit, or the reading of the visit before, that by itself
changed the same way. Both are held against the one baseline, so a mistake of the baseline is not found this way.

References
----------
Benjamini & Hochberg, J R Stat Soc B 1995;57:289-300. https://doi.org/10.1111/j.2517-6161.1995.tb02031.x
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Literal

import numpy as np
import pandas as pd
from scipy.stats import false_discovery_control, norm, t

from audit.analysis.comparable import assessed_mm, at_one_threshold, unequal_stretch, why_not_comparable
from audit.analysis.occasions import NOT_TOLD_APART, Occasion, Site, all_occasions, occasions
from audit.analysis.posed_anew import Repeatability
from audit.analysis.wording import apart, number, plus_minus, subject, under
from audit.core.outcome import Change, VisitRecord
from audit.core.quantity import Quantity, source
from audit.core.records import Reading
from audit.core.site import OF_THE_MARGIN

__all__ = ["FALSE_DISCOVERY_RATE", "NOT_COMPARED", "changes", "to_frame"]

FALSE_DISCOVERY_RATE = 0.05
K = 1.959964
COARSER = 1.25  # limits of detection that differ by less are alike: common practice, no published source
# what the photographer framed, not what the tooth did
NOT_COMPARED = frozenset({"facial_surface_area", "assessed_margin_length"})
_TOO_COARSE = "the image that shows none resolves too little"
_AS_MUCH = "where none is seen, as much could lie along the edge of the tooth in a line too thin to be seen"
_WHY_HIDDEN = {"visible_metal_area": _AS_MUCH, "visible_metal_fraction": _AS_MUCH}
NO_REPEATABILITY: Repeatability = MappingProxyType({})


@dataclass(frozen=True)
class _Compared:
    """A change before the number of tests is known; `chance` is its two-sided p value, ``None`` where there is no test.

    `hidden` says that one image measures what the other could not have shown.
    """

    change: Change
    chance: float | None = None
    rose: bool = False
    hidden: bool = False


def changes(visits: Iterable[VisitRecord], repeatability: Repeatability = NO_REPEATABILITY) -> tuple[Change, ...]:
    """Latest reading of each measurand, view and site against the first.

    Parameters
    ----------
    visits : iterable of VisitRecord
        Of one period: from its baseline on, no intervention between them.
    repeatability : mapping of (measurand, view) to PosedAnew
        From photographs posed anew, where there are enough.
    """
    visits = tuple(visits)
    every, compared = all_occasions(visits), list[tuple[_Compared, Sequence[_Compared]]]()
    for site, found in occasions(visits).items():
        if site.measurand not in NOT_COMPARED and len(found) > 1:
            others = [o for o in every[site][found[-1].on] if o.photo != found[-1].photo] + found[1:-1][-1:]
            seconds = [_compare(site, found[0], other, repeatability) for other in others]
            compared.append((_compare(site, found[0], found[-1], repeatability), seconds))
    tested = [c.chance for c, _ in compared if c.chance is not None]
    discovered = iter(false_discovery_control(np.array(tested)) <= FALSE_DISCOVERY_RATE if tested else [])
    told = [_judged(c, c.chance is None or bool(next(discovered)), seconds, len(tested)) for c, seconds in compared]
    last_on = max((record.visit.on for record in visits), default="")
    return tuple(c if c.latest_on == last_on else _not_read_last(c) for c in told)


def to_frame(found: Iterable[Change]) -> pd.DataFrame:
    """Changes as a tidy table, one row each."""
    columns = ["measurand", "view", "baseline_on", "latest_on", "difference", "u", "unit", "smallest_detectable", "basis", "verdict",
               "confirmed"]  # fmt: skip
    rows = [
        (c.measurand, c.view, c.baseline_on, c.latest_on, c.difference and c.difference.value, c.difference and c.difference.u,
         c.difference and c.difference.unit, c.smallest_detectable, c.basis, c.verdict, c.confirmed)
        for c in found
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)


def _compare(site: Site, first: Occasion, last: Occasion, repeatability: Repeatability) -> _Compared:
    why_not = "its sites are not told apart by name" if site.site == NOT_TOLD_APART else why_not_comparable(first, last)
    if why_not:
        return _not_compared(site, first, last, why_not)
    first, last = at_one_threshold(first, last)
    if first.reading.status == last.reading.status == "below_detection":
        return _both_below(site, first, last)
    earlier, later = _estimate(first), _estimate(last)
    if earlier is None or later is None:
        compared = _by_intervals(site, first, last)
    else:
        difference = later - earlier
        if not difference.u > 1e-6 * max(earlier.u, later.u):
            return _not_compared(site, first, last, "no uncertainty of the difference is known")
        compared = _by_difference(site, first, last, difference, repeatability)
    unequal = unequal_stretch(first, last, rose=compared.rose)
    return _not_compared(site, first, last, unequal) if unequal and compared.change.verdict == "changed" else compared


def _not_compared(site: Site, first: Occasion, last: Occasion, why_not: str) -> _Compared:
    return _told(site, first, last, "cannot_tell", f"cannot be compared with {first.on}: {why_not}", why_not)


def _estimate(occasion: Occasion) -> Quantity | None:
    """The signed estimate, as uncertain as its interval, which holds also how light a slot may look and what was left out."""
    reading, signed = occasion.reading, occasion.reading.signed
    if signed is None:
        return None
    return signed.reaching(*reading.interval95, source("model", f"unresolved/{occasion.photo.sha256[:12]}"))


def _both_below(site: Site, first: Occasion, last: Occasion) -> _Compared:
    if site.measurand == "visible_metal_extent":
        text = "no metal seen at either visit; a line too thin to be seen may have any extent"
        return _told(site, first, last, "no_change_distinguishable", text, "none seen", chance=1.0)
    limit, limit_now = (o.reading.interval95[1] for o in (first, last))
    shown, shown_now = under(limit, first.reading.unit), under(limit_now, last.reading.unit)
    words = shown if shown == shown_now else f"{shown}, then {shown_now}"
    images = "bitewings" if site.view == "bitewing" else "photographs"
    if limit_now > COARSER * limit:
        text = f"cannot be told: {shown} on {first.on}, but the later image resolves less and shows only that it is {shown_now}"
        return _told(site, first, last, "cannot_tell", text, words, chance=1.0)
    text = f"below what the {images} resolve at both visits ({words})"
    if site.view == "bitewing":
        text = f"none seen on either bitewing (a lucent one open to the beam: {words}), which does not say that it is closed"
    return _told(site, first, last, "no_change_distinguishable", text, words, smallest=max(limit, limit_now), chance=1.0)


def _by_intervals(site: Site, first: Occasion, last: Occasion) -> _Compared:
    (centre, u), (centre_now, u_now) = _centre(first.reading), _centre(last.reading)
    if not u + u_now > 0.0:
        return _not_compared(site, first, last, "no uncertainty of the difference is known")
    chance = 2.0 * float(norm.sf(abs(centre_now - centre) / (u + u_now)))
    words = f"from {_reading_words(first.reading)} on {first.on} to {_reading_words(last.reading)}"
    if chance < FALSE_DISCOVERY_RATE:
        return _told(site, first, last, "changed", f"changed {words}", words, chance=chance, rose=centre_now > centre)
    return _told(site, first, last, "cannot_tell", f"cannot be told: {words}", words, chance=chance)


def _centre(reading: Reading) -> tuple[float, float]:
    """The estimate for which an interval stands, and its standard uncertainty; zero for a limit of detection."""
    low, high = reading.interval95
    if reading.status == "measured" and reading.value is not None:
        return reading.value.value, reading.value.u
    if reading.status == "below_detection":
        return 0.0, high / K
    return (low + high) / 2.0, (high - low) / 2.0 / K


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
    amount = apart(difference.value, smallest, difference.unit)
    changed = abs(difference.value) > smallest
    if not changed and _hidden(first.reading, last.reading):
        words = f"{_from_to(first.reading, last.reading)}, and {_WHY_HIDDEN.get(site.measurand, _TOO_COARSE)}"
        return _told(site, first, last, "cannot_tell", f"cannot be told since {first.on}: {words}", words, chance=chance)
    if changed:
        amount = apart(difference.value, smallest, difference.unit, signed=True)
        words = f"changed by {amount} since {first.on}, {_from_to(first.reading, last.reading)}"
        if any(occasion.reading.status != "measured" for occasion in (first, last)):
            words += " (an estimate below detection is not cut off at zero)"
    else:
        words = f"no change distinguishable from measurement error ({amount}) since {first.on}"
    sentence = f"{head}: {words}{_notes(site, first, last)}."
    verdict: Literal["changed", "no_change_distinguishable"] = "changed" if changed else "no_change_distinguishable"
    brief = "; ".join(filter(None, (amount, _threshold_words(first.reading))))
    change = Change(site.measurand, site.view, first.on, last.on, difference, smallest, basis, verdict, sentence, site.site, brief)
    return _Compared(change, chance, difference.value > 0.0, _hidden(first.reading, last.reading))


def _hidden(first: Reading, last: Reading) -> bool:
    """Whether one image measures what the other could not have shown: neither changed nor unchanged."""
    return sorted((first.status == "measured", last.status == "measured")) == [False, True] and all(
        reading.interval95[0] > 0.0 for reading in (first, last) if reading.status == "measured"
    )


def _judged(compared: _Compared, discovered: bool, seconds: Sequence[_Compared], tests: int) -> Change:
    """The change with its verdict among all that were tested on this tooth, and whether a second photograph shows it."""
    change = compared.change
    if change.verdict != "changed":
        return change
    if discovered:
        confirmed = any(second.change.verdict == "changed" and second.rose == compared.rose for second in seconds)
        words = "a second photograph shows it too" if confirmed else "not yet confirmed by a second photograph"
        return replace(change, confirmed=confirmed, sentence=f"{change.sentence.removesuffix('.')}; {words}.")
    head, why = change.sentence.split(":", 1)[0], "by itself it would exceed the measurement error, so photograph it again"
    if change.difference is None or change.smallest_detectable is None:
        words = f"cannot be told among the {tests} comparisons of this tooth: {change.brief}"
        return replace(change, verdict="cannot_tell", sentence=f"{head}: {words}; {why}.")
    amount = apart(change.difference.value, change.smallest_detectable, change.difference.unit)
    if compared.hidden:
        words = f"cannot be told among the {tests} comparisons of this tooth, as one image shows none ({amount} since {change.baseline_on})"
        return replace(change, verdict="cannot_tell", sentence=f"{head}: {words}; {why}.", brief=amount)
    words = f"no change distinguishable among the {tests} comparisons of this tooth ({amount} since {change.baseline_on})"
    return replace(change, verdict="no_change_distinguishable", sentence=f"{head}: {words}; {why}.", brief=amount)


def _not_read_last(change: Change) -> Change:
    when = f"last read on {change.latest_on}"
    return replace(change, sentence=f"{change.sentence.removesuffix('.')}; {when}.", brief=f"{change.brief}; {when}")


def _told(
    site: Site, first: Occasion, last: Occasion, verdict: Literal["changed", "no_change_distinguishable", "cannot_tell"], words: str,
    brief: str, *, smallest: float | None = None, chance: float | None = None, rose: bool = False,
) -> _Compared:  # fmt: skip
    sentence = f"{subject(*site)}: {words}{_notes(site, first, last)}."
    change = Change(site.measurand, site.view, first.on, last.on, None, smallest, "budget", verdict, sentence, site.site, brief)
    return _Compared(change, chance, rose)


def _reading_words(reading: Reading) -> str:
    low, high = reading.interval95
    if reading.status == "below_detection":
        return under(high, reading.unit)
    if reading.status == "measured" and reading.value is not None:
        half = K * reading.value.u
        if high - low <= 2.2 * half:
            return plus_minus(reading.value.value, half, reading.unit)
        low_words, high_words = (number(end, reading.unit, high - low) for end in (low, high))
        return f"{number(reading.value.value, reading.unit, high - low)} ({low_words.split(' ')[0]} to {high_words})"
    half = (high - low) / 2.0
    return f"between {number(low, reading.unit, half).split(' ')[0]} and {number(high, reading.unit, half)}"


def _from_to(before: Reading, now: Reading) -> str:
    return f"from {_reading_words(before)} to {_reading_words(now)}"


def _threshold_words(reading: Reading) -> str:
    """From what width on a continuous share counts an opening; empty for other readings."""
    threshold, unit = reading.details.get("threshold"), reading.details.get("threshold_unit")
    return f"openings from {threshold:g} µm on" if threshold is not None and unit == "um" else ""


def _notes(site: Site, first: Occasion, last: Occasion) -> str:
    """What a reader must know of the two readings: the margin they cover, and that there was a choice."""
    notes = []
    if site.measurand in OF_THE_MARGIN:
        then, now = assessed_mm(first), assessed_mm(last)
        if then is not None and now is not None:
            notes.append(f"{then:.1f} mm of margin assessed then, {now:.1f} mm now")
    if threshold := _threshold_words(first.reading):
        notes.append(threshold)
    drawn = ["the reader" if "region_by_reader" in o.reading.flags else "the tool" for o in (first, last)]
    if drawn[0] != drawn[1]:
        notes.append(f"metal outlined by {drawn[0]} then, by {drawn[1]} now")
    if any("separate_from_margin" in occasion.reading.flags for occasion in (first, last)):
        notes.append("some of the metal lies apart from the edge of the tooth and may be another filling: mark what is the casting's")
    for occasion in (first, last):
        if occasion.photos > 1:
            notes.append(f"on {occasion.on} from one of {occasion.photos} photographs, chosen by sharpness and scale before it was read")
    return f"; {'; '.join(notes)}" if notes else ""
