"""The facial view as a relief: teeth, gingiva, what lies behind, and the metal on the audited tooth."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
from scipy.ndimage import gaussian_filter1d

from audit.imaging.smooth import gaussian
from audit.synthetic.crown import Row, build_row
from audit.synthetic.gum import gum_height, gum_line
from audit.synthetic.outlines import Margin, facial_margin, lingual_margin
from audit.synthetic.relief import Grid, Relief, assemble
from audit.synthetic.spec import Mouth
from audit.synthetic.stage import Stage, lift, own_middle, seen_margin

__all__ = ["build_facial"]

GRID = Grid(left_mm=-21.0, top_mm=-15.0, per_mm=20.0, columns=840, rows=600)
FAR = -99.0
REDUCTION_MM, CHAMFER_MM, DENTINE_TINT = 1.2, 0.55, -2.2


@lru_cache(maxsize=6)
def build_facial(mouth: Mouth, surface: str = "facial") -> Stage:
    """The facial or the lingual view of a mouth; the lingual one is drawn as its own row of crowns with lower cusps.

    Notes
    -----
    Seen from the tongue the mesial side lies the other way round; `photograph` reflects the camera for it.
    """
    row = _cut(mouth, build_row(mouth.seed + (0 if surface == "facial" else 500), mouth.kind == "molar"))
    x, y = GRID.mesh()
    crowns = np.stack([crown.surface(x, y) for crown in row.crowns])
    metal, along, margin = _metal(mouth, row, x, y, surface)
    crowns[row.audited] = _shaped(mouth, row, x, y, crowns[row.audited], metal)
    owner = crowns.argmax(axis=0)
    teeth = crowns.max(axis=0)
    line = gum_line(row, GRID.left_mm + np.arange(GRID.columns) / GRID.per_mm, mouth.recession_mm)
    up = line[None, :] - y
    calm = gaussian_filter1d(line, 2.0 * GRID.per_mm)
    up = up + np.clip(up / 3.0, 0.0, 1.0) * (calm - line)[None, :]
    lean = gaussian_filter1d(np.gradient(line, 1.0 / GRID.per_mm), 0.25 * GRID.per_mm)[None, :] * np.exp(-((up / 1.2) ** 2))
    into = up / np.sqrt(1.0 + np.minimum(np.abs(lean), 3.0) ** 2)
    solid = np.maximum(teeth, -3.4).astype(np.float32)
    near, far = gaussian(solid, 0.55 * GRID.per_mm), gaussian(solid, 2.6 * GRID.per_mm)
    gum = gaussian(gum_height(x, y, into, near, far, mouth.seed).astype(np.float32), 0.06 * GRID.per_mm)
    height = np.where(into > 0, np.maximum(gum, np.where(into < 1.0, solid + 0.03, gum)), teeth)
    outlines = np.stack([crown.inside(x, y) for crown in row.crowns])
    own = np.where(owner == row.audited, outlines[row.audited], np.minimum(outlines[row.audited], -0.02))
    level = np.stack([(y - c.neck_mm) / c.height_mm for c in row.crowns])
    level = np.take_along_axis(level, owner[None], 0)[0]
    tint = np.array([c.tint for c in row.crowns])[owner]
    crown_here = np.take_along_axis(outlines, owner[None], 0)[0]
    if mouth.prepared:
        tint = np.where((owner == row.audited) & (metal > 0), DENTINE_TINT, tint)
        metal, margin = np.full(x.shape, FAR), None
    relief = assemble(GRID, height, (own, into, metal, along), (crown_here, level, tint, np.zeros_like(x)))
    return _stage(mouth, row, relief, margin, surface)


def _cut(mouth: Mouth, row: Row) -> Row:
    """The row with the audited crown shortened for its restoration, where it is prepared and bears none."""
    if not mouth.prepared:
        return row
    tooth = replace(row.tooth, tip_mm=row.tooth.tip_mm - REDUCTION_MM, height_mm=row.tooth.height_mm - REDUCTION_MM)
    return replace(row, crowns=(*row.crowns[: row.audited], tooth, *row.crowns[row.audited + 1 :]))


def _metal(mouth: Mouth, row: Row, x: np.ndarray, y: np.ndarray, surface: str) -> tuple[np.ndarray, np.ndarray, Margin | None]:
    margin = (facial_margin if surface == "facial" else lingual_margin)(mouth, row)
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
    if mouth.prepared:
        ramp = np.clip(metal / 0.45, 0.0, 1.0)
        z = z - CHAMFER_MM * ramp * (2.0 - ramp) + 0.20 * np.exp(-((x - tooth.groove_mm) ** 2) / 0.6) * ramp
    if mouth.chip_mm > 0:
        at = tooth.cusps[0]
        r = np.hypot((x - at[0]) / (0.5 * mouth.chip_mm), (gone - mouth.band_mm) / (0.45 * mouth.chip_mm))
        z = z - np.where(metal < 0, 0.30 * mouth.chip_mm * np.clip(1.0 - r, 0.0, None) ** 0.7, 0.0)
    return np.asarray(z)


def _stage(mouth: Mouth, row: Row, relief: Relief, margin: Margin | None, surface: str) -> Stage:
    tooth = row.tooth
    middle = own_middle(relief, tooth.x_mm, 0.0)
    x = np.linspace(tooth.x_mm + 0.46 * tooth.width_mm, tooth.x_mm - 0.46 * tooth.width_mm, 400)
    gingival = lift(relief, np.stack([x, gum_line(row, x, mouth.recession_mm)], axis=1))
    role = "facial_surface" if surface == "facial" else None
    if margin is None:
        return Stage(relief, middle, surface, role, gingival_margin=gingival)
    relief, points, along = seen_margin(relief, margin, 0.30)
    unreceded = np.interp(-points[:, 0], -x, gum_line(row, x, 0.0))
    cervical = points[np.abs(points[:, 1] - unreceded - mouth.finish_line_mm) < 0.02]
    return Stage(relief, middle, surface, role, points, along, gingival, cervical)
