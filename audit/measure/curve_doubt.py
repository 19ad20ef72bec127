"""Tells by how much a gap is uncertain because the casting's outline does not exclude a grey curve of another shape.

Notes
-----
The grey curve of `edge_response` is a power of exposure. Exports often flatten both ends: exposure then follows
``((white - g) / (g - black))**kappa``. The picture is bent as if it had been so, weakly and strongly, and read again; where the
outline of the casting is then met nearly as well, the difference of the two gaps is a standard uncertainty, source ``tone``.
The bends and the misfit up to which a curve is not excluded are from drawn bitewings: power curves read as bent were met at
1.6 and more, sigmoid ones at 1.35 and less.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from audit.errors import Refused
from audit.measure.edge_response import Response
from audit.measure.slot_radiograph import Slot

__all__ = ["curve_doubt_px"]

BLACKS = (1.0, 0.4)
"""How far below zero grey the black of the bent curve lies, shares of white: far away it bends little."""
NOT_EXCLUDED = 1.45
"""Root mean square of misfit over noise."""


def curve_doubt_px(
    grey: np.ndarray, white: float, slot: Slot, read_again: Callable[[np.ndarray], tuple[Response, Callable[[], Slot]]]
) -> float:  # fmt: skip
    """Largest difference of the gap under grey curves that are not excluded, pixels; 0 where all are.

    Parameters
    ----------
    grey : ndarray, shape (height, width)
    white : float
        End of the grey scale.
    slot : Slot
        As read on `grey`.
    read_again : callable
        From a bent picture to the response of its casting, and to a function that fits the slot with it.
    """
    doubt = 0.0
    for black in BLACKS:
        try:
            response, fit = read_again(_bent(grey, white, black))
            if response.misfit > NOT_EXCLUDED:
                break  # one that bends more is met worse
            doubt = max(doubt, _apart(slot, fit()))
        except Refused:
            break
    return doubt


def _bent(grey: np.ndarray, white: float, black: float) -> np.ndarray:
    """The picture through the bent curve, white still white and its darkest hundredth still dark."""
    v = np.minimum(grey / np.float32(white), 1.0)
    bent = (1.0 - v) / (v + black)
    dark = float(np.percentile(v, 1.0))
    return np.asarray(white * (1.0 - bent * (dark + black) / max(1.0 - dark, 1e-3)), dtype=np.float32)


def _apart(one: Slot, other: Slot) -> float:
    if one.status == "measured":
        return abs(one.signed_px - other.signed_px)
    return max(0.0, other.interval_px[1] - one.interval_px[1]) if np.isfinite(one.interval_px[1]) else 0.0
