"""What the finest tick of a scale is worth, told from the lengths of its ticks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

__all__ = ["Graduation", "graduation"]


@dataclass(frozen=True)
class Graduation:
    """What the lengths of the ticks say.

    Parameters
    ----------
    tick_mm : float or None
        Worth of the finest tick; ``None`` where the lengths do not say.
    words : str
        Why, for the reader.
    members : int
        Longer ticks (every fifth millimetre) on which the answer rests.
    inch : bool
        Whether the ticks halve and halve again.
    """

    tick_mm: float | None
    words: str
    members: int = 0
    inch: bool = False


def graduation(length_px: np.ndarray) -> Graduation:
    """Worth of the finest tick of a metric scale, from tick lengths.

    Parameters
    ----------
    length_px : ndarray, shape (n,)
        Of consecutive finest ticks; NaN where one was not seen.

    Notes
    -----
    On a metric scale the 5 and 10 mm marks are longer. Every fifth tick longer: millimetres. Every second
    longer and, among those, every fifth or tenth again: half-millimetres. Halves of halves: inches. Only every
    tenth longer may be either, and ticks of one length say nothing.
    """
    length_px = _beside_nothing_hidden(length_px)
    halves = _longer_every(length_px, 2)
    if halves is not None:
        whole = length_px[halves % 2 :: 2]
        if _longer_every(whole, 2) is not None and _longer_every(whole, 5) is None:
            return Graduation(None, "ticks halve again and again, as on an inch scale", inch=True)
        for step in (5, 10):
            phase = _longer_every(whole, step)
            if phase is not None:
                return Graduation(0.5, f"every second tick is longer, and every {step}th of those again", _count(whole, step, phase))
        return Graduation(None, "every second tick is longer, but no 5 or 10 mm mark stands out")
    phase = _longer_every(length_px, 5)
    if phase is not None:
        return Graduation(1.0, "every fifth tick is longer", _count(length_px, 5, phase))
    if _longer_every(length_px, 10) is not None:
        return Graduation(None, "only every tenth tick is longer, which may be 5 or 10 mm")
    return Graduation(None, "no 5 or 10 mm mark stands out from the other ticks")


def _beside_nothing_hidden(length: np.ndarray) -> np.ndarray:
    """Lengths without the ticks next to hidden ones: what hides these may cut or lengthen those."""
    hidden = ~np.isfinite(length)
    beside = np.zeros(len(length), dtype=bool)
    beside[1:] |= hidden[:-1]
    beside[:-1] |= hidden[1:]
    return np.where(beside, np.nan, length)


def _count(length: np.ndarray, step: int, phase: int) -> int:
    return int(np.isfinite(length[phase::step]).sum())


def _longer_every(length: np.ndarray, step: int) -> int | None:
    """Phase at which every `step`-th tick is longer than the rest, or ``None``."""
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
            return phase
    return None
