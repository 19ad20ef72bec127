"""How small a gap an eye of full acuity resolves at a distance: a footnote, never a limit.

Notes
-----
Acuity 1.0 resolves a gap of one minute of arc. A line is seen far thinner, so nothing is invisible for being narrower.

References
----------
ISO 8596:2017, Ophthalmic optics - Visual acuity testing - Standard and clinical optotypes.
"""

from __future__ import annotations

import math

__all__ = ["one_minute_um"]


def one_minute_um(distance_mm: float) -> float:
    """Length of one minute of arc at a distance, um."""
    return 2.0 * distance_mm * math.tan(math.radians(0.5 / 60.0)) * 1000.0
