"""An earlier photograph of a tooth as it lies on a later one: for looking from one to the other, never for measuring."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from audit.imaging.draw import jpeg_bytes
from audit.imaging.register import similarity
from audit.imaging.viewing import OVERVIEW_PX, Shown

__all__ = ["before_jpeg"]

_QUALITY = 90


def before_jpeg(first: Shown, other: Shown, tooth: Sequence[Sequence[float]], longest_px: int = OVERVIEW_PX) -> bytes | None:
    """The first photo turned, scaled and shifted into the frame of the other; ``None`` where too little agrees.

    Parameters
    ----------
    first, other : Shown
    tooth : sequence of pair
        Points on the tooth in the first photo, pixels.
    longest_px : int
        Longer side of the picture.
    """
    by = similarity(first.pixels, other.pixels, np.asarray(tooth, dtype=float)) if tooth else None
    if by is None:
        return None
    reduced = min(1.0, longest_px / max(other.width_px, other.height_px))
    size = (round(other.width_px * reduced), round(other.height_px * reduced))
    shrink = min(1.0, reduced * float(np.hypot(by[0, 0], by[1, 0])))
    small = cv2.resize(first.pixels, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA) if shrink < 1.0 else first.pixels
    whole = _about_centres(reduced) @ np.vstack([by, [0.0, 0.0, 1.0]]) @ np.linalg.inv(_about_centres(shrink))
    return jpeg_bytes(cv2.warpAffine(small, whole[:2], size, flags=cv2.INTER_LINEAR), _QUALITY)


def _about_centres(factor: float) -> np.ndarray:
    """Scaling by a factor where whole numbers are centres of pixels."""
    shift = 0.5 * factor - 0.5
    return np.array([[factor, 0.0, shift], [0.0, factor, shift], [0.0, 0.0, 1.0]])
