"""A mouth seen from one side as a height field with maps, and rays that meet it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from audit.imaging.sample import look_up
from audit.imaging.smooth import gaussian
from audit.synthetic.camera import Camera

__all__ = ["GROUND", "Grid", "Relief", "Strike", "assemble", "strike"]

GROUND = ("sd_tooth", "sd_gum", "sd_metal", "along")
"""Maps that every relief has, mm: inside distance of the audited tooth's outline, of the gingiva, of
the metal, and running length along the restoration margin at the nearest point of it."""


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
    """

    grid: Grid
    form: np.ndarray
    ground: np.ndarray
    look: np.ndarray

    def at(self, maps: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Values of one of the arrays at mm coordinates."""
        g = self.grid
        return look_up(maps, ((x - g.left_mm) * g.per_mm).astype(np.float32), ((y - g.top_mm) * g.per_mm).astype(np.float32))


@dataclass(frozen=True)
class Strike:
    """Where rays met the relief: points, shape (n, 3), and depth from the camera, shape (n,), mm."""

    points: np.ndarray
    depth_mm: np.ndarray


def strike(relief: Relief, camera: Camera, xy: np.ndarray, steps: int = 20) -> Strike:
    """First meeting of each pixel's ray with the relief.

    Parameters
    ----------
    xy : ndarray, shape (..., 2)
    steps : int
        Of the linear search through the height range; four false-position steps follow.

    Notes
    -----
    A ledge thinner sideways than one step is stepped over: at 20 steps over 20 mm and 15 degrees, 0.3 mm.
    """
    height = np.ascontiguousarray(relief.form[..., 0])
    top, bottom = float(height.max()) + 0.01, float(height.min()) - 0.01
    direction = camera.directions(xy)
    slope_x, slope_y = direction[..., 0] / direction[..., 2], direction[..., 1] / direction[..., 2]
    cx, cy, cz = (np.float32(v) for v in camera.position)

    def gap(z: np.ndarray | float) -> np.ndarray:
        rise = (z - cz).astype(np.float32) if isinstance(z, np.ndarray) else np.float32(z - cz)
        return z - relief.at(height, cx + rise * slope_x, cy + rise * slope_y)

    shape = xy.shape[:-1]
    above, gap_above = np.full(shape, top, np.float32), np.full(shape, 1.0, np.float32)
    below, gap_below = np.full(shape, bottom, np.float32), np.full(shape, -1.0, np.float32)
    found = np.zeros(shape, bool)
    previous = gap(top)
    step = (top - bottom) / steps
    for index in range(1, steps + 1):
        z = top - index * step
        current = gap(z)
        hit = (current <= 0) & ~found
        above[hit], below[hit] = z + step, z
        gap_above[hit], gap_below[hit] = previous[hit], current[hit]
        found |= hit
        previous = current
    for _ in range(5):
        middle = above + (below - above) * np.clip(gap_above / (gap_above - gap_below), 0.05, 0.95)
        value = gap(middle)
        over = value > 0
        above, gap_above = np.where(over, middle, above), np.where(over, value, gap_above)
        below, gap_below = np.where(over, below, middle), np.where(over, gap_below, value)
    z = above + (below - above) * gap_above / np.maximum(gap_above - gap_below, 1e-6)
    rise = z - cz
    points = np.stack([cx + rise * slope_x, cy + rise * slope_y, z], axis=-1)
    return Strike(points, rise / direction[..., 2])


def openness(height: np.ndarray, per_mm: float) -> np.ndarray:
    """Share of light that reaches each sample (0 to 1): less in clefts, from two smoothed heights."""
    fine = gaussian(height, 0.45 * per_mm) - height
    broad = gaussian(np.maximum(height, -5.0), 1.8 * per_mm) - np.maximum(height, -5.0)
    return np.exp(-1.1 * np.clip(fine, 0.0, 2.0) - 0.55 * np.clip(broad, 0.0, 3.0)).astype(np.float32)


def assemble(grid: Grid, height: np.ndarray, ground: tuple[np.ndarray, ...], look: tuple[np.ndarray, ...]) -> Relief:
    """A relief from its height (mm), the `GROUND` maps and the colour drivers, each of shape (rows, columns)."""
    slope_y, slope_x = np.gradient(height, 1.0 / grid.per_mm)
    form = np.stack([height, slope_x, slope_y, openness(height, grid.per_mm)], axis=-1).astype(np.float32)
    return Relief(grid, form, np.stack(ground, axis=-1).astype(np.float32), np.stack(look, axis=-1).astype(np.float32))
