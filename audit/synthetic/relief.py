"""A mouth seen from one side as a height field with maps, and rays that meet it."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import maximum_filter, minimum_filter

from audit.imaging.sample import look_up
from audit.imaging.smooth import gaussian
from audit.synthetic.camera import Camera

__all__ = ["GROUND", "Grid", "Relief", "Strike", "assemble", "strike"]

GROUND = ("sd_tooth", "sd_gum", "sd_metal", "along")
"""Maps that every relief has, mm: inside distance of the audited tooth's outline, of the gingiva, of
the metal, and running length along the restoration margin at the nearest point of it."""

CLIFF = 3.5
"""Slope from which a step of the height field counts as a cliff."""


@dataclass(frozen=True)
class Grid:
    """Where the samples of a height field lie, mm."""

    left_mm: float
    top_mm: float
    per_mm: float
    columns: int
    rows: int

    def mesh(self) -> tuple[np.ndarray, np.ndarray]:
        """x and y of every sample, each of shape (rows, columns)."""
        x = self.left_mm + np.arange(self.columns) / self.per_mm
        y = self.top_mm + np.arange(self.rows) / self.per_mm
        return np.meshgrid(x, y)


@dataclass(frozen=True)
class Relief:
    """A height field towards the camera and what lies where on it.

    Parameters
    ----------
    grid : Grid
    form : ndarray of float32, shape (rows, columns, 4)
        Height z (mm), its slopes in x and y, and openness to light (0 to 1).
    ground : ndarray of float32, shape (rows, columns, 4)
        The maps named in `GROUND`.
    look : ndarray of float32, shape (rows, columns, 4)
        Colour drivers: kind of tissue, position from cervical (0) to occlusal (1), tint of the tooth, stain.
    dim_mm : float
        Depth over which light fails by 1/e below 3 mm behind the reference plane.
    """

    grid: Grid
    form: np.ndarray
    ground: np.ndarray
    look: np.ndarray
    dim_mm: float = 4.5

    def at(self, maps: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Values of one of the arrays at mm coordinates."""
        g = self.grid
        left, top, per_mm = np.float32(g.left_mm), np.float32(g.top_mm), np.float32(g.per_mm)
        return look_up(maps, ((x - left) * per_mm).astype(np.float32), ((y - top) * per_mm).astype(np.float32))


@dataclass(frozen=True)
class Strike:
    """Where rays met the relief: points, shape (n, 3), and depth from the camera, shape (n,), mm."""

    points: np.ndarray
    depth_mm: np.ndarray


def strike(relief: Relief, camera: Camera, xy: np.ndarray) -> Strike:
    """First meeting of each pixel's ray with the relief.

    Parameters
    ----------
    xy : ndarray of float32, shape (height, width, 2) or (n, 2)

    Notes
    -----
    Every other row and column of an image is searched through the whole height range; the rays between
    start from their neighbour's depth where all neighbours agree, and are searched like them where not.
    A ledge thinner sideways than one step of the search is stepped over: 0.3 mm at 15 degrees.
    """
    height = np.ascontiguousarray(relief.form[..., 0])
    direction = camera.directions(xy)
    slopes = direction[..., :2] / direction[..., 2:]
    if xy.ndim == 2:
        z = _search(relief, height, camera, slopes)
    else:
        coarse = _search(relief, height, camera, np.ascontiguousarray(slopes[::2, ::2]).reshape(-1, 2))
        z = _between(relief, height, camera, slopes, coarse.reshape(slopes[::2, ::2].shape[:2]))
    rise = z - np.float32(camera.position[2])
    across = camera.position[:2].astype(np.float32) + rise[..., None] * slopes
    return Strike(np.concatenate([across, z[..., None]], axis=-1), rise / direction[..., 2])


def _between(relief: Relief, height: np.ndarray, camera: Camera, slopes: np.ndarray, coarse: np.ndarray) -> np.ndarray:
    """Heights where rays of a full image meet the relief, from those of every other row and column."""
    rows, columns = slopes.shape[:2]
    near = np.repeat(np.repeat(coarse, 2, axis=0), 2, axis=1)[:rows, :columns]
    spread = maximum_filter(coarse, 3) - minimum_filter(coarse, 3) > 0.2
    unsure = np.repeat(np.repeat(spread, 2, axis=0), 2, axis=1)[:rows, :columns]
    above, below = near + np.float32(0.25), near - np.float32(0.25)
    gap_above, gap_below = (_gap(relief, height, camera, slopes, z) for z in (above, below))
    unsure |= (gap_above <= 0) | (gap_below > 0)
    z = _refine(relief, height, camera, slopes, (above, gap_above, below, gap_below), 2)
    z[unsure] = _search(relief, height, camera, slopes[unsure])
    return z


def _search(relief: Relief, height: np.ndarray, camera: Camera, slopes: np.ndarray, steps: int = 22) -> np.ndarray:
    """Heights where rays, shape (n, 2), first meet the relief: a linear search, then false position."""
    top, bottom = np.float32(height.max() + 0.01), np.float32(height.min() - 0.01)
    levels = np.linspace(top, bottom, steps + 1, dtype=np.float32)
    above = np.full(len(slopes), levels[-2], np.float32)
    left = np.arange(len(slopes))
    for upper, lower in itertools.pairwise(levels):
        under = _gap(relief, height, camera, slopes[left], lower) <= 0
        above[left[under]] = upper
        left = left[~under]
        if left.size == 0:
            break
    below = above - (levels[0] - levels[1])
    ends = (_gap(relief, height, camera, slopes, above), _gap(relief, height, camera, slopes, below))
    return _refine(relief, height, camera, slopes, (above, ends[0], below, ends[1]), 5)


def _refine(
    relief: Relief, height: np.ndarray, camera: Camera, slopes: np.ndarray, bracket: tuple[np.ndarray, ...], steps: int
) -> np.ndarray:
    above, gap_above, below, gap_below = bracket
    for _ in range(steps):
        share = np.clip(gap_above / np.maximum(gap_above - gap_below, 1e-6), 0.04, 0.96)
        middle = above + (below - above) * share
        value = _gap(relief, height, camera, slopes, middle)
        over = value > 0
        above, gap_above = np.where(over, middle, above), np.where(over, value, gap_above)
        below, gap_below = np.where(over, below, middle), np.where(over, gap_below, value)
    return np.asarray(above + (below - above) * np.clip(gap_above / np.maximum(gap_above - gap_below, 1e-6), 0.0, 1.0))


def _gap(relief: Relief, height: np.ndarray, camera: Camera, slopes: np.ndarray, z: np.ndarray | np.float32) -> np.ndarray:
    """Height of the rays above the relief where they are at height `z`."""
    rise = z - np.float32(camera.position[2])
    x, y = (np.float32(camera.position[k]) + rise * slopes[..., k] for k in (0, 1))
    return np.asarray(z - relief.at(height, x, y))


def openness(height: np.ndarray, per_mm: float) -> np.ndarray:
    """Share of light that reaches each sample (0 to 1): less in clefts, from two smoothed heights."""
    fine = gaussian(height, 0.45 * per_mm) - height
    broad = gaussian(np.maximum(height, -5.0), 1.8 * per_mm) - np.maximum(height, -5.0)
    return np.asarray(np.exp(-1.1 * np.clip(fine, 0.0, 2.0) - 0.55 * np.clip(broad, 0.0, 3.0)), dtype=np.float32)


def _slope(height: np.ndarray, axis: int, per_mm: float) -> np.ndarray:
    """Central differences; beside a cliff the gentler of the two one-sided ones, so that an edge keeps its own slope."""
    step = np.diff(height, axis=axis) * per_mm
    before = np.concatenate([np.take(step, [0], axis), step], axis=axis)
    after = np.concatenate([step, np.take(step, [-1], axis)], axis=axis)
    gentler = np.where(np.abs(before) < np.abs(after), before, after)
    cliff = np.maximum(np.abs(before), np.abs(after)) > CLIFF
    return np.asarray(np.where(cliff, gentler, 0.5 * (before + after)))


def assemble(grid: Grid, height: np.ndarray, ground: tuple[np.ndarray, ...], look: tuple[np.ndarray, ...]) -> Relief:
    """A relief from its height (mm), the `GROUND` maps and the colour drivers, each of shape (rows, columns)."""
    slope_y, slope_x = (_slope(height, axis, grid.per_mm) for axis in (0, 1))
    form = np.stack([height, slope_x, slope_y, openness(height, grid.per_mm)], axis=-1).astype(np.float32)
    return Relief(grid, form, np.stack(ground, axis=-1).astype(np.float32), np.stack(look, axis=-1).astype(np.float32))
