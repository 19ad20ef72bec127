"""Finds a chessboard or a ruled grid in a whole photo, where nobody outlined it."""

from __future__ import annotations

import cv2
import numpy as np
from shapely.geometry import MultiPoint

from audit.imaging.homography import apply, homography
from audit.imaging.lattice import Lattice, find_lattice
from audit.imaging.strip import grey

__all__ = ["search_lattice"]

_LONGEST_PX = 1600
_WINDOWS = (0.5, 0.8)
"""Sides of the windows looked at one by one, shares of the shorter side of the photo; neighbours overlap by half."""
_LEAST = 25
_SPAN = 3
_WORST_FIT = 0.05
"""Scatter of the crossings about a plane, of their spacing: grain, texture and teeth lie further off."""


def search_lattice(pixels: np.ndarray) -> Lattice | None:
    """The lattice with the most crossings in a photo, read at full size; ``None`` where there is none beyond doubt.

    Parameters
    ----------
    pixels : ndarray, shape (height, width) or (height, width, 3)
    """
    plane = grey(pixels)
    factor = max(1.0, max(plane.shape) / _LONGEST_PX)
    size = (round(plane.shape[1] / factor), round(plane.shape[0] / factor))
    small = cv2.resize(plane, size, interpolation=cv2.INTER_AREA) if factor > 1 else plane
    best: Lattice | None = None
    for outline in _windows(size):
        found = find_lattice(small, outline)
        if found is not None and (best is None or len(found.xy) > len(best.xy)) and _is_plain(found):
            best = found
    if best is None:
        return None
    found = find_lattice(pixels, _outline(best, plane.shape, factor))
    return found if found is not None and _is_plain(found) else None


def _windows(size: tuple[int, int]) -> list[np.ndarray]:
    """Outlines of overlapping windows, shape (4, 2) each, pixels."""
    corners = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], dtype=float)
    out = []
    for share in _WINDOWS:
        side = share * min(size)
        starts = [np.linspace(0, length - 1 - side, max(1, round(2 * (length - side) / side) + 1)) for length in size]
        out += [np.array([x, y]) + side * corners for x in starts[0] for y in starts[1]]
    return out


def _is_plain(lattice: Lattice) -> bool:
    """Whether there are enough crossings, to both sides, on one plane."""
    numbers = lattice.numbers.astype(float)
    if len(numbers) < _LEAST or np.ptp(lattice.numbers, axis=0).min() < _SPAN:
        return False
    matrix = homography(numbers, lattice.xy)
    if matrix is None:
        return False
    off = np.hypot(*(apply(matrix, numbers) - lattice.xy).T)
    pitch = np.sqrt(MultiPoint(lattice.xy).convex_hull.area / max(MultiPoint(numbers).convex_hull.area, 1.0))
    full = len(numbers) >= 0.6 * np.prod(np.ptp(lattice.numbers, axis=0) + 1)
    return bool(full and np.sqrt(np.mean(off**2)) < _WORST_FIT * pitch)


def _outline(lattice: Lattice, shape: tuple[int, ...], factor: float) -> np.ndarray:
    """Round the crossings and what of the grid lies about them, at full size and inside the photo."""
    hull = MultiPoint(lattice.xy).convex_hull
    reach = 0.15 * float(np.hypot(*np.ptp(lattice.xy, axis=0)))
    xy = (np.asarray(hull.buffer(reach, join_style="mitre").exterior.coords)[:-1] + 0.5) * factor - 0.5
    return np.asarray(np.clip(xy, 0, np.array([shape[1], shape[0]]) - 1))
