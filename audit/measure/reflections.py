"""Sets apart openings that may be dark reflections in polished metal.

Notes
-----
A dark band between tooth and bright metal may be a crevice or the dark throat mirrored in the metal's rim: pixel by pixel they are
the same, and both may taper. What is wider than any plausible opening, or runs into metal that is as dark as a slot over its whole
breadth, is not assessed. What is left and wider than the coarsest clinical limit bears a flag: the explorer decides.
"""

from __future__ import annotations

import numpy as np

from audit.measure.runs import runs

__all__ = ["DARK", "reflections"]

DARK = "metal_dark_as_a_slot"
WIDE = "as_wide_as_a_shadow"


def reflections(is_open: np.ndarray, why: tuple[str, ...], opening_px: np.ndarray, widest_px: float) -> tuple[str, ...]:
    """Reasons why stations cannot be assessed, with those added of openings that are not told from reflections.

    Parameters
    ----------
    is_open : ndarray of bool, shape (n,)
    why : tuple of str, length n
        Reasons found before; empty where there is none.
    opening_px : ndarray, shape (n,)
    widest_px : float
        A dark band wider than this somewhere is not assessed anywhere along it.
    """
    told = list(why)
    for first, last, kind in runs(is_open.astype(int)):
        if not kind:
            continue
        beside = {why[at] for at in (first - 1, last) if 0 <= at < len(why)} | set(why[first:last])
        if (opening_px[first:last] > widest_px).any():
            told[first:last] = [WIDE] * (last - first)
        elif DARK in beside:
            told[first:last] = [DARK] * (last - first)
    return tuple(told)
