"""What the finest tick of a scale is worth, told from the lengths of its ticks."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

__all__ = ["Graduation", "graduation"]

_SLIM = (1.5, 5.5)
"""Length of a millimetre tick over its spacing: ticks of coarser scales are squat, those of finer ones slimmer. Common practice, no
published source."""
_INCH = tuple(25.4 / parts for parts in (8, 16, 32, 64))
_TENTH_INCH, _TWENTIETH_INCH = 25.4 / 10, 25.4 / 20


@dataclass(frozen=True)
class Graduation:
    """What the lengths of the ticks say.

    Parameters
    ----------
    tick_mm : float or None
        Worth of the finest tick; ``None`` where the lengths do not prove it.
    words : str
        Why, for the reader.
    may_be : tuple of float or None
        Worths that the lengths allow, mm, for a reader who states one; ``None`` where they tell nothing.
    members : int
        Longer ticks (every fifth or tenth millimetre) on which the answer rests.
    """

    tick_mm: float | None
    words: str
    may_be: tuple[float, ...] | None = None
    members: int = 0

    def allows(self, stated_mm: float) -> bool:
        """Whether the lengths agree with what a reader states, within one part in two hundred."""
        return self.may_be is None or any(math.isclose(stated_mm, worth, rel_tol=5e-3) for worth in self.may_be)


@dataclass(frozen=True)
class _Longer:
    """Every `step`-th tick is longer: at which of them it starts, how many are seen, and how long the rest are."""

    step: int
    phase: int
    members: int
    rest_px: float


def graduation(length_px: np.ndarray, pitch_px: float, least_members: int) -> Graduation:
    """Worth of the finest tick of a metric scale, from tick lengths.

    Parameters
    ----------
    length_px : ndarray, shape (n,)
        Of consecutive finest ticks; NaN where one was not seen.
    pitch_px : float
        Their spacing.
    least_members : int
        How many longer ticks must be seen: two of two lengths tell where a reader drew the line, three where nobody did.

    Notes
    -----
    On a metric scale the 5 and the 10 mm marks are longer, each by its own length. Every fifth tick longer is not
    enough: a scale of 2 mm ticks that lengthens every 10 mm, or one of tenths of an inch, looks the same. So several
    longer ticks must be seen, they must be of two lengths in turn, and the millimetre ticks must be slim. Every second
    longer and, among those, every fifth or tenth again: half-millimetres, under the same demands. Halves of halves: inches.
    Half-millimetres may have their longer marks at 2.5 and 5 mm instead: where the ticks between these are of two lengths in turn
    that shows; where they are all alike such a scale is the picture of one in millimetres.
    """
    length_px = _beside_nothing_hidden(length_px)
    halves = _longer_every(length_px, 2)
    if halves is not None:
        return _of_halves(length_px[halves.phase :: 2], 2 * pitch_px, least_members)
    fifth = _longer_every(length_px, 5)
    if fifth is not None and _in_turn(length_px, fifth):
        words = "every fifth tick is longer, and every second of those between, as where halves have their marks at 2.5 and 5 mm"
        return Graduation(None, words, (0.5, _TWENTIETH_INCH), fifth.members)
    if fifth is not None:
        proof = _unproven(fifth, pitch_px, least_members) or ("" if _two_lengths(length_px, fifth) else "they are of one length")
        if proof:
            words = f"every fifth tick is longer, but {proof}, so they may be 2 mm or tenths of an inch too"
            return Graduation(None, words, (1.0, 2.0, _TENTH_INCH), fifth.members)
        return Graduation(1.0, "every fifth tick is longer, every tenth longest", (1.0,), fifth.members)
    if _longer_every(length_px, 10) is not None:
        return Graduation(None, "only every tenth tick is longer, which may be 5 or 10 mm", (0.5, 1.0, _TENTH_INCH))
    return Graduation(None, "no 5 or 10 mm mark stands out from the other ticks")


def _of_halves(whole: np.ndarray, pitch_px: float, least_members: int) -> Graduation:
    """Where every second tick is longer: `whole` are the lengths of those, `pitch_px` their spacing."""
    for step in (5, 10):
        marks = _longer_every(whole, step)
        if marks is None:
            continue
        proof = _unproven(marks, pitch_px, least_members)
        words = f"every second tick is longer, and every {step}th of those again"
        if proof:
            return Graduation(None, f"{words}, but {proof}, so they may be parts of an inch too", (0.5, _TWENTIETH_INCH), marks.members)
        return Graduation(0.5, words, (0.5, _TWENTIETH_INCH), marks.members)
    if _longer_every(whole, 2) is not None:
        return Graduation(None, "ticks halve again and again, as on an inch scale", _INCH)
    return Graduation(None, "every second tick is longer, but no 5 or 10 mm mark stands out", (0.5, _TWENTIETH_INCH, *_INCH))


def _unproven(longer: _Longer, pitch_px: float, least_members: int) -> str:
    """What is missing before longer ticks prove a metric scale; empty where nothing is."""
    if longer.members < least_members:
        return f"only {longer.members} of these are seen"
    slimness = longer.rest_px / pitch_px
    if not _SLIM[0] <= slimness <= _SLIM[1]:
        return f"the ticks between them are {'short' if slimness < _SLIM[0] else 'long'} ({slimness:.1f} of their spacing)"
    return ""


def _two_lengths(length: np.ndarray, fifth: _Longer) -> bool:
    """Whether every second of the longer ticks is longer again, but for one in five that something cuts or lengthens."""
    return _every_second(length[fifth.phase :: fifth.step], fifth)


def _in_turn(length: np.ndarray, fifth: _Longer) -> bool:
    """The same of the ticks between the longer ones."""
    between = length.copy()
    between[fifth.phase :: fifth.step] = np.nan
    return _every_second(between, fifth)


def _every_second(members: np.ndarray, fifth: _Longer) -> bool:
    for first in (0, 1):
        long, short = members[first::2], members[1 - first :: 2]
        long, short = long[np.isfinite(long)], short[np.isfinite(short)]
        if len(long) == 0 or len(short) == 0:
            continue
        apart = float(np.median(long) - np.median(short))
        middle = float(np.median(long) + np.median(short)) / 2
        astray = int((long < middle).sum() + (short > middle).sum())
        if apart > max(0.1 * fifth.rest_px, 1.0) and astray <= (len(long) + len(short)) // 5:
            return True
    return False


def _beside_nothing_hidden(length: np.ndarray) -> np.ndarray:
    """Lengths without the ticks next to hidden ones: what hides these may cut or lengthen those."""
    hidden = ~np.isfinite(length)
    beside = np.zeros(len(length), dtype=bool)
    beside[1:] |= hidden[:-1]
    beside[:-1] |= hidden[1:]
    return np.where(beside, np.nan, length)


def _longer_every(length: np.ndarray, step: int) -> _Longer | None:
    """Whether, and from where, every `step`-th tick is longer than the rest."""
    index = np.arange(len(length))
    seen = np.isfinite(length)
    for phase in range(step):
        member = seen & (index % step == phase)
        rest = seen & (index % step != phase)
        if member.sum() < 2 or rest.sum() < 2:
            continue
        typical = float(np.median(length[rest]))
        shortest = float(np.percentile(length[member], 20))
        spread = 1.4826 * float(np.median(np.abs(length[rest] - typical)))
        if shortest - typical < max(0.1 * typical, 3.0 * spread, 1.0):
            continue
        middle = (typical + shortest) / 2
        if np.mean(length[member] > middle) >= 0.8 and np.mean(length[rest] < middle) >= 0.9:
            return _Longer(step, phase, int(member.sum()), typical)
    return None
