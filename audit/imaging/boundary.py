"""Moves a coarse outline of a region onto the edge that the original pixels show, to a fraction of a pixel.

The coarse outline comes from a reduced copy; the edge is looked for along its normals in linear light
at full resolution, by dynamic programming, so that it may not jump from one place to the next.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy.ndimage import gaussian_filter1d
from shapely import contains_xy, prepare
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from audit.imaging.sample import arc_length_px, band_coordinates, resample_polyline, sample_linear
from audit.imaging.step_fit import misfit, settled

__all__ = ["Edge", "cheapest_path", "refine_edge"]

_MOST_POINTS = 500
_SAMPLES = 41
_LEAD = 8
_STRIDE = 2
_LEAST_REACH_PX = 4.0
_PLACES = 0.7
"""Share of the reach within which the edge is looked for: the rest of a profile shows what lies on either side."""
_RIM_PX = 1.5
_STIFFNESS = 0.15
_PULL = 0.4


@dataclass(frozen=True)
class Edge:
    """A closed edge at full resolution.

    Parameters
    ----------
    xy : ndarray, shape (n, 2)
        Photo pixels, not repeated at the end.
    sd_px : ndarray, shape (n,)
        Standard uncertainty of each point along its normal.
    spacing_px : float
        Between neighbouring points.
    """

    xy: np.ndarray
    sd_px: np.ndarray
    spacing_px: float


def refine_edge(pixels: np.ndarray, coarse: np.ndarray, reach_px: float, within: Polygon) -> Edge:
    """Edge near a coarse closed outline that runs clockwise as seen on the image (the region on its right).

    Found twice: the second time from the first edge and nearer to it, where both ends of every profile lie clear of it.

    Parameters
    ----------
    pixels : ndarray, shape (h, w, 3)
        The photo; only the crop that is needed becomes float.
    coarse : ndarray, shape (n, 2)
        Photo pixels, closed (first point repeated).
    reach_px : float
        How far the profiles reach to either side.
    within : Polygon
        Points outside it stay where they are.
    """
    inner = within.buffer(-_RIM_PX)
    prepare(inner)
    prepare(within)
    first = _edge_near(pixels, coarse, max(reach_px, _LEAST_REACH_PX), within, inner)
    again = np.vstack([first.xy, first.xy[:1]])
    return _edge_near(pixels, again, max(0.6 * reach_px, _LEAST_REACH_PX), within, inner)


def _edge_near(pixels: np.ndarray, coarse: np.ndarray, reach_px: float, within: Polygon, inner: BaseGeometry) -> Edge:
    """One search along the normals of a closed line, by the path of least misfit that does not jump."""
    spacing = max(1.0, reach_px / 6.0, arc_length_px(coarse)[-1] / _MOST_POINTS)
    line = resample_polyline(coarse, spacing)[:-1]
    step = 2.0 * reach_px / (_SAMPLES - 1)
    wrapped = np.vstack([line[-8:], line, line[:8]])
    where = band_coordinates(wrapped, reach_px, step, smooth_px=3.0 * spacing)[8:-8]
    offsets = (np.arange(where.shape[1]) - where.shape[1] // 2) * step
    profile, known = _held_inside(sample_linear(pixels, where), where, inner)
    known &= contains_xy(within, line[:, 0], line[:, 1])
    places = offsets[np.abs(offsets) <= _PLACES * reach_px]
    left, _ = misfit(gaussian_filter1d(profile, 1.0, axis=0, mode="wrap"), offsets, places)
    pull = _PULL * (places / reach_px) ** 2
    cost = np.where(known[:, None], left + pull, pull)
    path = cheapest_path(cost, _STIFFNESS * step / max(spacing, step))
    shift, sd = settled(left, path, step, 3.0 * len(offsets) * min(step, 1.0))
    shift = np.where(known, gaussian_filter1d(places[path] + shift, 1.0, mode="wrap"), 0.0)
    normal = (where[:, -1] - where[:, 0]) / (2.0 * reach_px)
    return Edge(line + shift[:, None] * normal, np.where(known, np.clip(sd, 0.1, reach_px / 2.0), reach_px / 2.0), spacing)


def _held_inside(profile: np.ndarray, where: np.ndarray, inner: BaseGeometry) -> tuple[np.ndarray, np.ndarray]:
    """Profiles whose samples beyond the outline repeat the last one inside it, on either side of the middle; which are usable."""
    m = where.shape[1]
    inside = contains_xy(inner, where[..., 0], where[..., 1]) & np.isfinite(profile).all(axis=2)
    middle = m // 2
    right = np.where(np.logical_and.accumulate(inside[:, middle:], axis=1), np.arange(middle, m), middle).max(axis=1)
    left = np.where(np.logical_and.accumulate(inside[:, middle::-1], axis=1), np.arange(middle, -1, -1), middle).min(axis=1)
    at = np.clip(np.arange(m)[None, :], left[:, None], right[:, None])
    held = np.take_along_axis(np.nan_to_num(profile), at[..., None], axis=1)
    return held, (right - middle >= 2) & (middle - left >= 2) & inside[:, middle]


def cheapest_path(cost: np.ndarray, stiffness: float) -> np.ndarray:
    """Column of the cheapest closed path through the rows of `cost`; moving k columns costs stiffness k^2."""
    rows = np.vstack([cost[-_LEAD:], cost, cost[:_LEAD]])
    n, m = rows.shape
    toll = stiffness * np.arange(-_STRIDE, _STRIDE + 1) ** 2
    came = np.empty((n, m), dtype=np.intp)
    padded = np.full(m + 2 * _STRIDE, np.inf)
    reachable = sliding_window_view(padded, 2 * _STRIDE + 1)
    total = padded[_STRIDE : _STRIDE + m]
    total[:] = rows[0]
    column = np.arange(m)
    for i in range(1, n):
        options = reachable + toll
        came[i] = best = options.argmin(axis=1)
        total[:] = rows[i] + options[column, best]
    path = np.empty(n, dtype=np.intp)
    path[-1] = total.argmin()
    for i in range(n - 1, 0, -1):
        path[i - 1] = path[i] + came[i, path[i]] - _STRIDE
    return path[_LEAD:-_LEAD]
