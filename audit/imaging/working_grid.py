"""The reduced crop of one outline that regions are looked for on, and whether its light allows it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from shapely.geometry import Polygon, box

from audit.errors import Refused
from audit.imaging.sample import crop

__all__ = ["Grid", "judge_light", "working_grid"]

_WORK_SIZE = 256.0
"""Side of the square of equal area that an outline is reduced to, pixels."""
_SMALLEST_SIDE = 24.0


@dataclass(frozen=True)
class Grid:
    """The reduced crop that regions are proposed on.

    Parameters
    ----------
    pixels : ndarray of uint8 or uint16, shape (h, w, 3)
    inside : ndarray of bool, shape (h, w)
        Whether a pixel's centre lies within the outline.
    origin_px, step_px : ndarray, shape (2,)
        Photo position (x, y) of the centre of pixel (0, 0); photo pixels between centres.
    """

    pixels: np.ndarray
    inside: np.ndarray
    origin_px: np.ndarray
    step_px: np.ndarray

    def to_photo(self, xy: np.ndarray) -> np.ndarray:
        """Photo coordinates of working coordinates, shape (..., 2)."""
        return np.asarray(xy * self.step_px + self.origin_px)

    @property
    def cell_px2(self) -> float:
        """Area of a working pixel, photo pixels squared."""
        return float(np.prod(self.step_px))


def working_grid(pixels: np.ndarray, outline: Polygon) -> Grid:
    """The crop of one outline, reduced so that work does not grow with the photo.

    Raises
    ------
    Refused
        ``outline_outside``; ``outline_too_small``: fewer pixels than a region can be found in.
    """
    side = float(np.sqrt(outline.area))
    if not box(-1.0, -1.0, float(pixels.shape[1]), float(pixels.shape[0])).covers(outline):
        raise Refused("outline_outside", f"The outline reaches out of the photo of {pixels.shape[1]} x {pixels.shape[0]} px.",
                      "Trace on the image at full size; leave out what the photo cut off.")  # fmt: skip
    if side < _SMALLEST_SIDE:
        raise Refused("outline_too_small", f"The outline is only {side:.0f} px across; metal cannot be told from enamel.",
                      "Photograph the tooth larger, or trace on the original instead of a thumbnail.")  # fmt: skip
    factor = max(1.0, side / _WORK_SIZE)
    part, origin = crop(pixels, np.asarray(outline.exterior.coords)[:, :2], 4.0 * factor + 0.08 * side)
    height, width = part.shape[:2]
    small = max(2, round(width / factor)), max(2, round(height / factor))
    step = np.array([width / small[0], height / small[1]])
    reduced = cv2.resize(np.ascontiguousarray(part), small, interpolation=cv2.INTER_AREA) if factor > 1.0 else np.ascontiguousarray(part)
    first = origin + step / 2.0 - 0.5
    inside = np.zeros(reduced.shape[:2], dtype=np.uint8)
    ring = (np.asarray(outline.exterior.coords)[:, :2] - first) / step
    cv2.fillPoly(inside, [np.round(ring * 16).astype(np.int32)], 1, shift=4)
    return Grid(reduced, inside.astype(bool), first, step)


def judge_light(grid: Grid) -> None:
    """Refuse an outline whose light tells nothing of colour.

    Raises
    ------
    Refused
        ``greyscale``, ``overexposed``, ``underexposed``.
    """
    values = grid.pixels[grid.inside]
    top = 255.0 if grid.pixels.dtype == np.uint8 else 65535.0
    if values.ndim == 1:
        raise Refused("greyscale", "The photo has no colour; metal cannot be told from enamel.", "Measure on the colour original.")
    red, green, blue = values.T
    high, low = np.maximum(np.maximum(red, green), blue) / top, np.minimum(np.minimum(red, green), blue) / top
    if np.mean(low >= 0.97) > 0.5:
        raise Refused("overexposed", "Most of the tooth is burnt out to white.", "Photograph again with less flash or a smaller aperture.")
    if np.quantile(high, 0.9) < 0.12:
        raise Refused("underexposed", "The tooth is nearly black.", "Photograph again with the flash on.")
    if (high - low).max() < 0.02:
        raise Refused("greyscale", "The photo has no colour; metal cannot be told from enamel.", "Measure on the colour original.")
