"""Straightens a band along a traced line and finds the interface in it.

Values in, values out: pixels and a polyline go in, profiles across the true interface come out. The
picture is never warped; coordinates are transformed and every profile is read once from the original
pixels, in linear light.

Notes
-----
A hand trace runs several pixels beside the interface. For every station along the trace the fit of a
three-level profile (side, slot, side) is computed for all positions in reach and a ladder of widths;
the cheapest smooth path through the stations (dynamic programming) is the interface. A new band is
then read along that path.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy.ndimage import gaussian_filter1d, median_filter
from scipy.special import ndtr

from audit.imaging.sample import arc_length_px, band_coordinates, resample_polyline, sample_linear

__all__ = ["Band", "Interface", "find_interface", "merge", "straighten"]

_WIDTHS_PX = (0.0, 1.2, 2.5, 5.0, 9.0, 14.0, 20.0, 27.0, 34.0)
_SLOT_LEVELS = (0.02, 0.35)
_FULL_SCALE = 0.97
_MUCH_BETTER = 0.4
_DIRECTION_SMOOTH_PX = 15.0


@dataclass(frozen=True)
class Band:
    """Profiles across a line.

    Parameters
    ----------
    position_px : ndarray, shape (n,)
        Along the line, from its start.
    offset_px : ndarray, shape (m,)
        Across it; positive to the right of the direction of travel.
    values : ndarray, shape (n, m, channels)
        Linear light; NaN outside the photo.
    clipped_share : ndarray, shape (n, m)
        Share of samples at the end of the scale (97 % of full light in every channel), 0 or 1 before `merge`.
    xy : ndarray, shape (n, 2)
        The line, in pixels of the photo.
    normal : ndarray, shape (n, 2)
        Unit vector across the line.
    """

    position_px: np.ndarray
    offset_px: np.ndarray
    values: np.ndarray
    clipped_share: np.ndarray
    xy: np.ndarray
    normal: np.ndarray

    @property
    def step_px(self) -> float:
        """Distance between samples across the line, pixels."""
        return float(self.offset_px[1] - self.offset_px[0])


@dataclass(frozen=True)
class Interface:
    """Where the interface runs in a band: one entry a station.

    Parameters
    ----------
    offset_px : ndarray, shape (n,)
        Smooth path of the interface.
    width_px : ndarray, shape (n,)
        Width of the best of the coarse three-level profiles.
    contrast : ndarray, shape (n,)
        Share of a station's variance that the coarse profile explains, 0 to 1.
    lost : ndarray of bool, shape (n,)
        The path runs at the end of the search, or a much better interface lies beyond it: the trace is off.
    """

    offset_px: np.ndarray
    width_px: np.ndarray
    contrast: np.ndarray
    lost: np.ndarray


def straighten(pixels: np.ndarray, line_xy: np.ndarray, half_width_px: float, along_px: float = 1.0, across_px: float = 1.0) -> Band:
    """Profiles at right angles to a polyline, in linear light.

    Parameters
    ----------
    pixels : ndarray, shape (height, width) or (height, width, channels)
    line_xy : ndarray, shape (k, 2)
        Vertices, pixels.
    half_width_px, along_px, across_px : float
        Reach to each side and sampling steps, pixels.
    """
    line = resample_polyline(np.asarray(line_xy, dtype=float), along_px)
    coordinates = band_coordinates(line, half_width_px, across_px, _DIRECTION_SMOOTH_PX)
    values = sample_linear(pixels, coordinates)
    if values.ndim == 2:
        values = values[..., None]
    clipped = (values >= _FULL_SCALE).all(axis=2).astype(float)
    half = coordinates.shape[1] // 2
    offset = (np.arange(coordinates.shape[1]) - half) * across_px
    normal = (coordinates[:, -1] - coordinates[:, 0]) / (2 * half * across_px)
    return Band(arc_length_px(line), offset, values.astype(float), clipped, line, normal)


def merge(band: Band, length_px: float) -> Band:
    """The band averaged over stations of about `length_px` along the line."""
    n = len(band.position_px)
    count = max(1, round(band.position_px[-1] / length_px)) if n > 1 else 1
    edges = np.linspace(0, n, min(count, n) + 1).round().astype(int)
    sizes = np.diff(edges)[:, None]

    def mean(array: np.ndarray) -> np.ndarray:
        summed = np.add.reduceat(array.reshape(n, -1), edges[:-1], axis=0) / sizes
        return np.asarray(summed).reshape(len(sizes), *array.shape[1:])

    normal = mean(band.normal)
    normal = normal / np.hypot(normal[:, 0], normal[:, 1])[:, None]
    return Band(mean(band.position_px), band.offset_px, mean(band.values), mean(band.clipped_share), mean(band.xy), normal)


def find_interface(stations: Band, search_px: float, blur_px: float, trace_sd_px: float) -> Interface:
    """The smooth path of the interface through a band of stations.

    Parameters
    ----------
    stations : Band
        Averaged along the line (`merge`).
    search_px : float
        How far from the line the interface may lie.
    blur_px : float
        Rough blur of the image.
    trace_sd_px : float
        How far a hand trace lies off, one standard deviation.
    """
    y = np.nan_to_num(stations.values)
    reach = max(float(np.floor(stations.offset_px[-1])) - 8.0, search_px)
    everywhere = np.arange(-reach, reach + 0.5)
    rss, total, width_at = _coarse_costs(stations.offset_px, y, everywhere, blur_px)
    within = np.abs(everywhere) <= search_px
    elsewhere = rss.min(axis=1) < _MUCH_BETTER * rss[:, within].min(axis=1)
    centres, rss, width_at = everywhere[within], rss[:, within], width_at[:, within]
    spread = np.median(rss.min(axis=1)) / len(stations.offset_px) + 1e-12
    cost = rss / (2.0 * 4.0 * spread) + 0.5 * (centres / trace_sd_px) ** 2
    spacing = float(np.median(np.diff(stations.position_px))) if len(y) > 1 else 1.0
    path = _cheapest_path(cost, stiffness=8.0 / spacing)
    row = np.arange(len(y))
    offset = median_filter(centres[path], size=min(5, len(y)), mode="nearest")
    smooth = gaussian_filter1d(offset, sigma=1.5, mode="nearest")
    contrast = 1.0 - rss[row, path] / np.maximum(total, 1e-12)
    lost = (path <= 0) | (path >= len(centres) - 1) | (median_filter(elsewhere.astype(np.uint8), size=min(5, len(y)), mode="nearest") > 0)
    return Interface(smooth, width_at[row, path], contrast, lost)


def _coarse_costs(x: np.ndarray, y: np.ndarray, centres: np.ndarray, blur_px: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Residual sum of squares of the best width at each centre (n, k), total (n,), and that width (n, k)."""
    scale = np.maximum(np.median(y, axis=(0, 1)), 1e-3)
    z = np.minimum(y / scale, 2.5)
    total = ((z - z.mean(axis=1, keepdims=True)) ** 2).sum(axis=(1, 2))
    best = np.full((len(y), len(centres)), np.inf)
    best_width = np.zeros_like(best)
    n, reach, channels = z.shape
    energy, flat, together = (z**2).sum(axis=(1, 2)), z.transpose(1, 0, 2).reshape(reach, -1), z.sum(axis=2)
    for width in _WIDTHS_PX:
        if width / 2 + 4 > x[-1]:
            continue
        ul, ur = (x[None, :] - centres[:, None] + sign * width / 2 for sign in (1, -1))
        left, right = ndtr(ul / blur_px), ndtr(ur / blur_px)
        basis, _ = np.linalg.qr(np.stack([1 - left, right, ul * (1 - left), ur * right], axis=2))
        slot = left - right
        across = basis.transpose(0, 2, 1)
        projected = (across.reshape(-1, reach) @ flat).reshape(len(centres), -1, n, channels)
        slot_projected = (across @ slot[..., None])[..., 0]
        rss = energy[:, None] - (projected**2).sum(axis=(1, 3)).T
        if width > 0:  # the slot's level in closed form, within what a slot may have
            cross = together @ slot.T - (slot_projected[:, None] @ projected.sum(axis=3))[:, 0].T
            own = channels * ((slot**2).sum(axis=1) - (slot_projected**2).sum(axis=1))[None, :]
            level = np.clip(cross / np.maximum(own, 1e-9), *_SLOT_LEVELS)
            rss = rss - 2 * level * cross + level**2 * own
        better = rss < best
        best[better], best_width[better] = rss[better], width
    return best, total, best_width


def _cheapest_path(cost: np.ndarray, stiffness: float) -> np.ndarray:
    """Index path of least cost through the rows, with a quadratic price on jumps of up to 3 columns."""
    n, k = cost.shape
    jumps = np.arange(-3, 4)
    come_from = np.zeros((n, k), dtype=int)
    running = cost[0].copy()
    column, price = np.arange(k), (stiffness * jumps**2)[::-1]
    beside = np.full(k + 6, np.inf)
    for i in range(1, n):
        beside[3:-3] = running
        reached = sliding_window_view(beside, 7) + price  # from three columns to the left to three to the right
        choice = reached.argmin(axis=1)
        come_from[i] = column + choice - 3
        running = reached[column, choice] + cost[i]
    path = np.zeros(n, dtype=int)
    path[-1] = int(running.argmin())
    for i in range(n - 1, 0, -1):
        path[i - 1] = come_from[i, path[i]]
    return path
