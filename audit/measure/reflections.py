"""Tells dark reflections in polished metal from openings, where it can; the rest is not assessed.

Notes
-----
A dark band between tooth and bright metal may be a crevice or the dark throat mirrored in the metal's rim: pixel by pixel they
are the same. They differ in course. A crevice runs along the margin with a width that changes slowly; a reflection follows the
curvature of the metal, so its width changes abruptly, it may be very wide, and it may run into metal that is as dark over its
whole breadth. Openings that behave so are not called open: the examiner looks and probes there.
"""

from __future__ import annotations

import numpy as np

from audit.measure.runs import runs

__all__ = ["DARK", "reflections"]

DARK = "metal_dark_as_a_slot"
WIDE, UNEVEN = "as_wide_as_a_shadow", "uneven_as_a_reflection"
JUMP = 0.25
"""Greatest change of the logarithm of a wide opening from one station (0.1 to 0.2 mm) to the next; common practice, no published source."""
UNEASE = 0.20
"""Greatest median change along a run, beside noise; common practice, no published source."""


def reflections(
    is_open: np.ndarray, why: tuple[str, ...], opening_px: np.ndarray, u_opening_px: np.ndarray, widest_px: float
) -> tuple[str, ...]:
    """Reasons why stations cannot be assessed, with those added of openings that may be reflections.

    Parameters
    ----------
    is_open : ndarray of bool, shape (n,)
    why : tuple of str, length n
        Reasons found before; empty where there is none.
    opening_px, u_opening_px : ndarray, shape (n,)
    widest_px : float
        A dark band wider than this somewhere is not assessed anywhere along it; wider than half of it, not where its width jumps.
    """
    told = np.array(why, dtype=object)
    for first, last, kind in runs(is_open.astype(int)):
        if not kind:
            continue
        beside = {why[at] for at in (first - 1, last) if 0 <= at < len(why)} | set(why[first:last])
        width, u = np.maximum(opening_px[first:last], 0.1), u_opening_px[first:last]
        if (width > widest_px).any():
            told[first:last] = WIDE
        elif DARK in beside:
            told[first:last] = DARK
        else:
            told[first:last] = np.where(_uneven(width, u, 0.5 * widest_px), UNEVEN, told[first:last])
    return tuple(told)


def _uneven(width: np.ndarray, u: np.ndarray, wide_px: float) -> np.ndarray:
    """Stations of one open run that change too fast to be a crevice, bool, shape (n,); narrow ones are left to their noise."""
    change = np.abs(np.diff(np.log(width)))
    jumps = np.concatenate([[False], change > JUMP]) | np.concatenate([change > JUMP, [False]])
    out = np.zeros(len(width), bool)
    for first, last, is_wide in runs((width > wide_px).astype(int)):
        out[first:last] = bool(is_wide) and jumps[first:last].any()
    for first, last, is_out in runs(out.astype(int)):
        rest = slice(first, last)
        noise = float(np.median(np.sqrt(2.0) * u[rest] / width[rest]))
        steps = np.abs(np.diff(np.log(width[rest])))
        narrow = float(np.median(width[rest])) < 0.5 * wide_px
        if not is_out and not narrow and (len(steps) < 1 or float(np.median(steps)) > UNEASE + noise):
            out[rest] = True
    return out
