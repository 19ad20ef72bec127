"""The facial view as a relief: teeth, gingiva, what lies behind, and the metal on the audited tooth."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from audit.imaging.smooth import gaussian
from audit.synthetic.crown import Row, build_row
from audit.synthetic.gum import gum_height, gum_line
from audit.synthetic.outlines import Margin, facial_margin
from audit.synthetic.relief import Grid, Relief, assemble
from audit.synthetic.spec import Mouth

__all__ = ["Stage", "build_facial"]

GRID = Grid(left_mm=-21.0, top_mm=-15.0, per_mm=20.0, columns=840, rows=600)
FAR = -99.0


@dataclass(frozen=True)
class Stage:
    """One side of a mouth, built: what `photograph` draws and what the truth is reckoned from.

    Parameters
    ----------
    relief : Relief
    middle : ndarray, shape (3,)
        The tooth's reference point: middle of the facial surface, in the plane at the mean height of it.
    margin : ndarray, shape (n, 3), and the gingival margin, shape (m, 3)
        Lines on the surface, mm; `margin` is empty where no margin is seen.
    span_mm : tuple of float
        First and last position along `margin` that a reader could trace.
    """

    relief: Relief
    middle: np.ndarray
    margin: np.ndarray
    along_mm: np.ndarray
    gingival_margin: np.ndarray
    cervical: np.ndarray


@lru_cache(maxsize=6)
def build_facial(mouth: Mouth) -> Stage:
    """The facial view of a mouth."""
    row = build_row(mouth.seed, mouth.kind == "molar")
    x, y = GRID.mesh()
    crowns = np.stack([crown.surface(x, y) for crown in row.crowns])
    metal, along, margin = _metal(mouth, row, x, y)
    tooth = row.tooth
    crowns[row.audited] = _shaped(mouth, row, x, y, crowns[row.audited], metal)
    owner = crowns.argmax(axis=0)
    teeth = crowns.max(axis=0)
    line = gum_line(row, GRID.left_mm + np.arange(GRID.columns) / GRID.per_mm, mouth.recession_mm)
    up = line[None, :] - y
    lean = np.gradient(line, 1.0 / GRID.per_mm)[None, :] * np.exp(-((up / 1.2) ** 2))
    into = up / np.sqrt(1.0 + np.minimum(np.abs(lean), 3.0) ** 2)
    soft = gaussian(np.maximum(teeth, -4.0).astype(np.float32), 0.7 * GRID.per_mm)
    gum = gum_height(x, y, into, soft, mouth.seed)
    height = np.where(into > 0, np.maximum(gum, np.maximum(teeth, -4.0) + 0.03), teeth)
    outlines = np.stack([crown.inside(x, y) for crown in row.crowns])
    own = np.where(owner == row.audited, outlines[row.audited], np.minimum(outlines[row.audited], -0.02))
    level = np.stack([(y - c.neck_mm) / c.height_mm for c in row.crowns])
    level = np.take_along_axis(level, owner[None], 0)[0]
    tint = np.array([c.tint for c in row.crowns])[owner]
    crown_here = np.take_along_axis(outlines, owner[None], 0)[0]
    relief = assemble(GRID, height, (own, into, metal, along), (crown_here, level, tint, np.zeros_like(x)))
    return _stage(mouth, row, relief, margin)


def _metal(mouth: Mouth, row: Row, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray, Margin | None]:
    margin = None if mouth.prepared else facial_margin(mouth, row)
    metal, along = np.full(x.shape, FAR), np.full(x.shape, FAR)
    if margin is not None:
        half = 0.62 * row.tooth.width_mm
        near = (np.abs(x - row.tooth.x_mm) < half) & (np.abs(y) < row.tooth.height_mm)
        metal[near], along[near] = margin.distance(x[near], y[near])
    return metal, along, margin


def _shaped(mouth: Mouth, row: Row, x: np.ndarray, y: np.ndarray, z: np.ndarray, metal: np.ndarray) -> np.ndarray:
    """The audited crown with its bevel facet, and with any chip."""
    tooth = row.tooth
    gone = tooth.edge(x) - y
    if mouth.design in ("seven_eighths", "three_quarter", "onlay") and not mouth.prepared:
        facet = min(mouth.band_mm, 1.0)
        drop = (np.tan(np.radians(mouth.bevel_slope_deg)) - 0.40) * np.clip(facet - np.maximum(gone, 0.0), 0.0, facet)
        z = z - np.where(gone > -3.0, drop, 0.0)
    if mouth.chip_mm > 0:
        at = tooth.cusps[0]
        r = np.hypot((x - at[0]) / (0.5 * mouth.chip_mm), (gone - mouth.band_mm) / (0.45 * mouth.chip_mm))
        z = z - np.where(metal < 0, 0.30 * mouth.chip_mm * np.clip(1.0 - r, 0.0, None) ** 0.7, 0.0)
    return np.asarray(z)


def _stage(mouth: Mouth, row: Row, relief: Relief, margin: Margin | None) -> Stage:
    tooth = row.tooth
    facial = (relief.ground[..., 0] > 0) & (relief.ground[..., 1] < 0)
    middle = np.array([tooth.x_mm, 0.0, float(relief.form[..., 0][facial].mean())])
    x = np.linspace(tooth.x_mm + 0.46 * tooth.width_mm, tooth.x_mm - 0.46 * tooth.width_mm, 400)
    gingival = _lift(relief, np.stack([x, gum_line(row, x, mouth.recession_mm)], axis=1))
    if margin is None:
        return Stage(relief, middle, np.empty((0, 3)), np.empty(0), gingival, np.empty((0, 3)))
    keep = relief.at(relief.ground, margin.xy[:, 0], margin.xy[:, 1])[:, 0] > 0.30
    keep &= relief.at(relief.ground, margin.xy[:, 0], margin.xy[:, 1])[:, 1] < -0.05
    points = _lift(relief, margin.xy[keep])
    near_gum = np.interp(-points[:, 0], -x, gum_line(row, x, 0.0))
    cervical = points[np.abs(points[:, 1] - near_gum - mouth.finish_line_mm) < 0.02]
    return Stage(relief, middle, points, margin.along[keep], gingival, cervical)


def _lift(relief: Relief, xy: np.ndarray) -> np.ndarray:
    z = relief.at(np.ascontiguousarray(relief.form[..., 0]), xy[:, 0], xy[:, 1])
    return np.column_stack([xy, z])
