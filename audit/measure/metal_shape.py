"""Height, extent and area of a region of metal, on its polygons in photo pixels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter
from shapely.geometry import MultiPolygon

__all__ = ["Thickness", "TypicalThickness", "columns_px", "extent_px", "thickness_px", "typical_thickness_px"]


@dataclass(frozen=True)
class Thickness:
    """Greatest vertical thickness of a region, pixels, and the column (x) where it is."""

    px: float
    at_x: float
    top_y: float


def thickness_px(region: MultiPolygon, spike_px: float, between: tuple[float, float] | None = None) -> Thickness:
    """Greatest occlusocervical thickness of a region: the longest uninterrupted run in a column of the image.

    Parameters
    ----------
    region : MultiPolygon
        In photo pixels.
    spike_px : float
        Spikes narrower than half of this do not count (running median over the columns).
    between : (float, float), optional
        Only columns from the first to the second x.
    """
    if region.is_empty:
        return Thickness(0.0, float("nan"), float("nan"))
    low, _, high, _ = region.bounds
    if between is not None:
        low, high = max(low, between[0]), min(high, between[1])
    step = max(0.25, min(1.0, (high - low) / 64.0), (high - low) / 640.0)
    columns = np.arange(low + step / 2.0, high, step)
    if not len(columns):
        return Thickness(0.0, float("nan"), float("nan"))
    run, top = _runs(region, columns)
    window = max(1, 2 * round(spike_px / step / 2.0) + 1)
    smooth = median_filter(run, size=window, mode="constant")
    best = int(np.argmax(smooth))
    near = slice(max(0, best - window // 2), best + window // 2 + 1)
    alike = near.start + int(np.argmin(np.abs(run[near] - smooth[best])))
    return Thickness(float(smooth[best]), float(columns[alike]), float(top[alike]))


@dataclass(frozen=True)
class TypicalThickness:
    """Median vertical thickness of a region over a stretch of columns, how much it varies there, and its upper quartile, pixels."""

    px: float
    spread_px: float
    upper_px: float


def typical_thickness_px(region: MultiPolygon, between: tuple[float, float]) -> TypicalThickness:
    """Median occlusocervical thickness over the columns from the first to the second x; 0 where half of them are bare.

    Parameters
    ----------
    region : MultiPolygon
        In photo pixels.
    between : (float, float)

    Notes
    -----
    The spread is the standard error that four independent places would have: 1.48 MAD / 2.
    """
    columns = np.linspace(between[0], between[1], 65)
    run = _runs(region, columns)[0]
    middle = float(np.median(run))
    spread = 1.4826 * float(np.median(np.abs(run - middle))) / 2.0
    return TypicalThickness(middle, spread, float(np.quantile(run, 0.75)))


def columns_px(region: MultiPolygon, x: np.ndarray) -> np.ndarray:
    """All of a region that lies in each column x, pixels, shape (n,)."""
    column, enters, leaves = _crossings(region, x)
    return np.bincount(column, weights=leaves - enters, minlength=len(x)).astype(float)


def _runs(region: MultiPolygon, columns: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Longest run inside the region in each column and the y where it begins."""
    run, top = np.zeros(len(columns)), np.full(len(columns), np.nan)
    column, enters, leaves = _crossings(region, columns)
    longest_last = np.argsort(leaves - enters, kind="stable")
    column, enters, leaves = column[longest_last], enters[longest_last], leaves[longest_last]
    run[column], top[column] = leaves - enters, enters
    return run, top


def _crossings(region: MultiPolygon, columns: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Every run of a column inside a region: index of the column, y where it enters, y where it leaves."""
    rings = [np.asarray(ring.coords)[:, :2] for part in region.geoms for ring in (part.exterior, *part.interiors)]
    start = np.concatenate([ring[:-1] for ring in rings]) if rings else np.empty((0, 2))
    end = np.concatenate([ring[1:] for ring in rings]) if rings else np.empty((0, 2))
    left, right = np.minimum(start[:, 0], end[:, 0]), np.maximum(start[:, 0], end[:, 0])
    edge, column = np.nonzero((left[:, None] <= columns) & (columns < right[:, None]))
    share = (columns[column] - start[edge, 0]) / (end[edge, 0] - start[edge, 0])
    y = start[edge, 1] + share * (end[edge, 1] - start[edge, 1])
    order = np.lexsort((y, column))  # a closed ring crosses a column an even number of times
    return column[order][::2], y[order][::2], y[order][1::2]


def extent_px(region: MultiPolygon) -> float:
    """Mesiodistal extent of a region: from its leftmost to its rightmost place on the image, pixels."""
    if region.is_empty:
        return 0.0
    low, _, high, _ = region.bounds
    return float(high - low)
