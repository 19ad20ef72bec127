"""Moves a coarse outline of a region onto the edge that the original pixels show, to a fraction of a pixel.

The coarse outline comes from a reduced copy; the edge is looked for along its normals in linear light
at full resolution, by dynamic programming, so that it may not jump from one place to the next.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy.ndimage import gaussian_filter, gaussian_filter1d
from shapely import contains_xy
from shapely.geometry import Polygon

from audit.imaging.sample import arc_length_px, band_coordinates, resample_polyline, sample_linear

__all__ = ["Edge", "refine_edge"]

_MOST_POINTS = 500
_SAMPLES = 41
_LEAD = 8
_STRIDE = 2
_SECOND_REACH = 0.8
_STIFFNESS = 0.35
_PULL = 0.15


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

    Found twice: the second time from the first edge, where both ends of every profile lie clear of it.
    Parameters as in `_edge_near`.
    """
    first = _edge_near(pixels, coarse, reach_px, within).xy
    return _edge_near(pixels, np.vstack([first, first[:1]]), _SECOND_REACH * reach_px, within)


def _edge_near(pixels: np.ndarray, coarse: np.ndarray, reach_px: float, within: Polygon) -> Edge:
    """Edge near a coarse closed outline that runs clockwise as seen on the image (the region on its right).

    Parameters
    ----------
    pixels : ndarray, shape (h, w, 3)
        The photo; only the crop that is needed becomes float.
    coarse : ndarray, shape (n, 2)
        Photo pixels, closed (first point repeated).
    reach_px : float
        How far the edge may lie from it.
    within : Polygon
        Points outside it stay where they are.

    Notes
    -----
    Along each normal the colour is expressed as its distance d from the colour just outside,
    saturating, so that glints and reflections deeper inside do not count as edges. For a step that
    is blurred symmetrically in linear light d passes half its height at the edge, whatever the blur.
    The uncertainty is that of the posterior of a shift along the normal given the profile's contrast and scatter,
    never below a tenth of a pixel.
    """
    spacing = max(1.0, reach_px / 6.0, arc_length_px(coarse)[-1] / _MOST_POINTS)
    line = resample_polyline(coarse, spacing)[:-1]
    step = 2.0 * reach_px / (_SAMPLES - 1)
    wrapped = np.vstack([line[-8:], line, line[:8]])
    where = band_coordinates(wrapped, reach_px, step, smooth_px=3.0 * spacing)[8:-8]
    profile = sample_linear(pixels, where)
    offsets = (np.arange(where.shape[1]) - where.shape[1] // 2) * step
    distance, known = _from_outside(profile)
    rise = np.gradient(gaussian_filter(distance, (1.0, 1.0), mode=("wrap", "nearest")), axis=1)
    known &= contains_xy(within, line[:, 0], line[:, 1])
    cost = -rise / max(float(np.quantile(rise.max(axis=1), 0.75)), 1e-6) + _PULL * (offsets / reach_px) ** 2
    cost[~known] = _PULL * (offsets / reach_px) ** 2
    path = _cheapest(cost, _STIFFNESS * step / max(spacing, step))
    shift, sd = _half_height(distance, path, offsets, step)
    shift = np.where(known, gaussian_filter1d(shift, 1.0, mode="wrap"), 0.0)
    sd = np.where(known, sd, reach_px / 2.0)
    normal = (where[:, -1] - where[:, 0]) / (2.0 * reach_px)
    return Edge(line + shift[:, None] * normal, sd, spacing)


def _from_outside(profile: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Saturating colour distance from the outer end of each profile (n, m), and which profiles lie inside the photo."""
    known = np.isfinite(profile).all(axis=(1, 2))
    profile = np.nan_to_num(profile)
    outer = max(3, profile.shape[1] // 5)
    outside = np.median(profile[:, :outer], axis=1)
    outside = gaussian_filter1d(outside, 3.0, axis=0, mode="wrap")
    level = np.maximum(outside.mean(axis=1), 0.02)
    raw = np.sqrt((((profile - outside[:, None]) / level[:, None, None]) ** 2).sum(axis=2))
    cap = np.quantile(raw[:, profile.shape[1] // 2 :], 0.6)
    return np.minimum(raw, max(float(cap), 1e-6)), known


def _cheapest(cost: np.ndarray, stiffness: float) -> np.ndarray:
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


def _half_height(distance: np.ndarray, path: np.ndarray, offsets: np.ndarray, step: float) -> tuple[np.ndarray, np.ndarray]:
    """Where each profile passes half its height near `path`, and the uncertainty of that place (px)."""
    n, m = distance.shape
    rows = np.arange(n)
    reach = np.arange(-4, 5)
    smooth = gaussian_filter1d(distance, 1.0, axis=0, mode="wrap")
    around = smooth[rows[:, None], np.clip(path[:, None] + reach, 0, m - 1)]
    low, high = around[:, :3].mean(axis=1), around[:, -3:].mean(axis=1)
    height = np.maximum(high - low, 1e-6)
    middle = (low + high) / 2.0
    slope = np.maximum(np.gradient(around, axis=1)[:, 3:6].mean(axis=1), 0.05 * height) / step
    move = np.clip((middle - around[:, 4]) / slope, -3.0 * step, 3.0 * step)
    scatter = np.sqrt(np.mean((distance - smooth) ** 2, axis=1)) + 0.03 * height
    sd = np.clip(scatter / slope, 0.1, 4.0 * step)
    return offsets[path] + move, sd
