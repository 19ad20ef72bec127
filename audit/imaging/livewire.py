"""A path between two points that keeps to an edge or a line of the picture, for the hand that traces.

The path is a proposal of where the reader's line may run; the reader sees it and takes it or not. Nothing is measured here.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d
from skimage.graph import MCP_Geometric

from audit.imaging.viewing import Shown

__all__ = ["SNAP_KINDS", "snap_path"]

SNAP_KINDS = ("step_edge", "dark_line", "light_line")
_LONGEST_PX = 420  # of the searched window; larger ones are searched at a lower resolution
_ROOM, _LEAST_ROOM_PX = 0.35, 40.0  # round the two points: share of their distance, and pixels
_GRID_PX = 64
_SIGMA_PX = 2.0
_FLOOR = 0.04  # cost of the strongest response, of 1 for none: keeps the path from wandering
_SMOOTH_STEPS = 6.0  # an eight-connected path is up to 8 % too long until smoothed
_KEEP_WITHIN_PX = 0.15


@dataclass(frozen=True)
class _Wire:
    """The cheapest ways from one point to everywhere in a window of the photo, found once and asked at every move of the hand."""

    origin: np.ndarray
    factor: int
    shape: tuple[int, int]
    ways: MCP_Geometric

    def cell(self, point: np.ndarray) -> tuple[int, int]:
        """Row and column of the window's cell that a point lies in."""
        column, row = np.clip(np.rint((point - self.origin) / self.factor), 0, np.array(self.shape[::-1]) - 1).astype(int)
        return int(row), int(column)

    def path(self, end: np.ndarray) -> np.ndarray:
        """Cells on the way to a point, as positions on the photo."""
        cells = np.asarray(self.ways.traceback(self.cell(end)), dtype=float)
        return np.asarray(cells[:, ::-1] * self.factor + (self.factor - 1) / 2 + self.origin)


def snap_path(photo: Shown, start: tuple[float, float], end: tuple[float, float], kind: str) -> np.ndarray:
    """Points of the path from `start` to `end`, shape (n, 2), full-resolution pixels, both ends as given.

    Parameters
    ----------
    photo : Shown
    start, end : pair of float
        x and y, inside the picture.
    kind : {'step_edge', 'dark_line', 'light_line'}
        What the path keeps to: a gradient filter sits on the flank of a dark line, so the kinds are not interchangeable.

    Notes
    -----
    Cheapest path through a locally normalised response (Mortensen and Barrett's idea of a live wire), smoothed by a Gaussian
    with both ends held, because the raw path on the pixel grid is longer than the line it follows.

    References
    ----------
    Mortensen, Barrett. Interactive segmentation with intelligent scissors. 1998. https://doi.org/10.1006/gmip.1998.0480
    """
    ends = np.array([start, end], dtype=float)
    low, high = _window(photo, ends)
    wire = _wire(photo, (float(start[0]), float(start[1])), kind, low, high)
    return _thinned(_smoothed(wire.path(ends[1]), ends))


def _window(photo: Shown, ends: np.ndarray) -> tuple[tuple[int, int], tuple[int, int]]:
    """Corners of the window round both points, on a coarse grid: it stays the same while the hand moves a little."""
    room = max(_LEAST_ROOM_PX, _ROOM * float(np.hypot(*(ends[1] - ends[0]))))
    size = np.array([photo.width_px, photo.height_px])
    low = np.clip(np.floor((ends.min(axis=0) - room) / _GRID_PX) * _GRID_PX, 0, size - 1).astype(int)
    high = np.clip(np.ceil((ends.max(axis=0) + room) / _GRID_PX) * _GRID_PX, low + 1, size).astype(int)
    return (int(low[0]), int(low[1])), (int(high[0]), int(high[1]))


@lru_cache(maxsize=4)
def _wire(photo: Shown, start: tuple[float, float], kind: str, low: tuple[int, int], high: tuple[int, int]) -> _Wire:
    crop, factor = _crop(photo.pixels, np.array(low), np.array(high))
    cost = 1.0 - (1.0 - _FLOOR) * _normalised(_RESPONSES[kind](crop.astype(np.float32)))
    wire = _Wire(np.array(low, dtype=float), factor, cost.shape, MCP_Geometric(cost))
    wire.ways.find_costs([wire.cell(np.array(start))])
    return wire


def _crop(pixels: np.ndarray, low: np.ndarray, high: np.ndarray) -> tuple[np.ndarray, int]:
    """Lightness inside a window, and the factor by which it is reduced."""
    factor = max(1, math.ceil(float((high - low).max()) / _LONGEST_PX))
    crop = cv2.cvtColor(np.ascontiguousarray(pixels[low[1] : high[1], low[0] : high[0]]), cv2.COLOR_RGB2LAB)[..., 0]
    if factor > 1:
        width, height = (max(1, int(side) // factor) for side in high - low)
        crop = cv2.resize(crop[: height * factor, : width * factor], (width, height), interpolation=cv2.INTER_AREA)
    return crop, factor


def _step(grey: np.ndarray) -> np.ndarray:
    smooth = cv2.GaussianBlur(grey, (0, 0), _SIGMA_PX / 1.5)
    return np.hypot(cv2.Scharr(smooth, cv2.CV_32F, 1, 0), cv2.Scharr(smooth, cv2.CV_32F, 0, 1))


def _dark(grey: np.ndarray) -> np.ndarray:
    """Largest curvature upwards: positive in the middle of a line darker than both sides."""
    smooth = cv2.GaussianBlur(grey, (0, 0), _SIGMA_PX)
    xx, yy, xy = (cv2.Sobel(smooth, cv2.CV_32F, *order, ksize=3) for order in ((2, 0), (0, 2), (1, 1)))
    return np.maximum(0.0, (xx + yy) / 2 + np.hypot((xx - yy) / 2, xy))


def _light(grey: np.ndarray) -> np.ndarray:
    return _dark(255.0 - grey)


_RESPONSES: Mapping[str, Callable[[np.ndarray], np.ndarray]] = {"step_edge": _step, "dark_line": _dark, "light_line": _light}


def _normalised(response: np.ndarray) -> np.ndarray:
    """Response over its own strength nearby, 0 to 1, so that a faint line is followed where nothing stronger is near."""
    strength = cv2.GaussianBlur(response**2, (0, 0), 24.0) ** 0.5
    ratio = response / (3.0 * strength + 0.02 * float(response.max()) + 1e-6)
    return np.asarray(np.clip(ratio, 0.0, 1.0), dtype=float)


def _smoothed(path: np.ndarray, ends: np.ndarray) -> np.ndarray:
    """Path smoothed along itself, mirrored through both ends so that they stay where they were set."""
    path = np.vstack([ends[:1], path[1:-1], ends[1:]])
    if len(path) < 4:
        return path
    reach = min(len(path) - 1, math.ceil(4 * _SMOOTH_STEPS))
    before, after = 2 * path[0] - path[reach:0:-1], 2 * path[-1] - path[-2 : -2 - reach : -1]
    whole = np.vstack([before, path, after])
    smooth = np.asarray(gaussian_filter1d(whole, _SMOOTH_STEPS, axis=0, mode="nearest"))[reach : reach + len(path)]
    smooth[0], smooth[-1] = ends
    return smooth


def _thinned(path: np.ndarray) -> np.ndarray:
    """Path without the points that lie on the straight between their neighbours."""
    kept = np.asarray(cv2.approxPolyDP(path.astype(np.float32).reshape(-1, 1, 2), _KEEP_WITHIN_PX, False), dtype=float).reshape(-1, 2)
    kept[0], kept[-1] = path[0], path[-1]
    return kept
