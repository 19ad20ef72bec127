"""The facial and the lingual view as a relief: teeth, gingiva, what lies behind, and the metal on the audited tooth."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
from scipy.ndimage import gaussian_filter1d

from audit.imaging.smooth import gaussian
from audit.synthetic.crown import Crown, Row, build_row
from audit.synthetic.gum import gum_height, gum_line
from audit.synthetic.outlines import Margin, facial_margin, lingual_margin
from audit.synthetic.relief import Grid, Relief, assemble
from audit.synthetic.spec import Mouth
from audit.synthetic.stage import Stage, lift, own_middle, seen_margin

__all__ = ["build_facial"]

GRID = Grid(left_mm=-21.0, top_mm=-15.0, per_mm=20.0, columns=840, rows=600)
FAR, FLOOR_MM = -99.0, -9.0
REDUCTION_MM, CHAMFER_MM, DENTINE_TINT = 1.2, 0.55, -2.2
FACET_MM = 1.0
"""Greatest height over which a bevel is plane; above it the crown keeps its own curve."""


@lru_cache(maxsize=6)
def build_facial(mouth: Mouth, surface: str = "facial") -> Stage:
    """The facial or the lingual view of a mouth.

    Notes
    -----
    The lingual side is simplified: a row of crowns of its own with facial shapes and the margin of the lingual
    side. Seen from the tongue the mesial side lies the other way round; `photograph` reflects the camera for it.
    """
    row = _cut(mouth, build_row(mouth.seed + (0 if surface == "facial" else 500), mouth.kind == "molar"))
    x, y = GRID.mesh()
    margin = (facial_margin if surface == "facial" else lingual_margin)(mouth, row)
    metal, along = _metal(row, margin, x, y)
    crowns = _crowns(mouth, row, x, y, metal)
    owner, teeth = crowns.argmax(axis=0), crowns.max(axis=0)
    into, height = _with_gum(mouth, row, x, y, teeth)
    here, level = np.full(x.shape, FAR), np.zeros(x.shape)
    for index, crown in enumerate(row.crowns):
        mine = owner == index
        here[mine] = crown.inside(x[mine], y[mine])
        level[mine] = (y[mine] - crown.neck_mm) / crown.height_mm
    own = np.where(owner == row.audited, here, np.minimum(row.tooth.inside(x, y), 0.0))
    tint = np.array([c.tint for c in row.crowns])[owner]
    if mouth.prepared:
        tint = np.where((owner == row.audited) & (metal > 0), DENTINE_TINT, tint)
        metal, margin = np.full(x.shape, FAR), None
    chip = _chip(mouth, row.tooth, x, y) * (metal < 0)
    relief = assemble(GRID, height, (own, into, metal, along), (here, level, tint, -np.clip(3.0 * chip, 0.0, 1.0)))
    return _stage(mouth, row, relief, margin, surface)


def _cut(mouth: Mouth, row: Row) -> Row:
    """The row with the audited crown shortened for its restoration, where it is prepared and bears none."""
    if not mouth.prepared:
        return row
    tooth = replace(row.tooth, tip_mm=row.tooth.tip_mm - REDUCTION_MM, height_mm=row.tooth.height_mm - REDUCTION_MM)
    return replace(row, crowns=(*row.crowns[: row.audited], tooth, *row.crowns[row.audited + 1 :]))


def _metal(row: Row, margin: Margin | None, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Inside distance of the metal, and running length along its margin, mm."""
    metal, along = np.full(x.shape, FAR), np.full(x.shape, FAR)
    if margin is not None:
        near = (np.abs(x - row.tooth.x_mm) < 0.62 * row.tooth.width_mm) & (y < row.tooth.edge(x) + 1.0) & (y > row.tooth.neck_mm - 3.0)
        metal[near], along[near] = margin.distance(x[near], y[near])
    return metal, along


def _crowns(mouth: Mouth, row: Row, x: np.ndarray, y: np.ndarray, metal: np.ndarray) -> np.ndarray:
    """Height of each crown, shape (crowns, rows, columns), mm."""
    result = np.full((len(row.crowns), *x.shape), FLOOR_MM)
    for index, crown in enumerate(row.crowns):
        part = np.abs(x[0] - crown.x_mm) < 0.5 * crown.width_mm + 1.5
        result[index][:, part] = crown.surface(x[:, part], y[:, part], FLOOR_MM)
    tooth = row.tooth
    part = np.abs(x[0] - tooth.x_mm) < 0.5 * tooth.width_mm + 1.5
    shaped = _restored(mouth, tooth, x[:, part], y[:, part], result[row.audited][:, part], metal[:, part])
    result[row.audited][:, part] = shaped
    return result


def _restored(mouth: Mouth, tooth: Crown, x: np.ndarray, y: np.ndarray, z: np.ndarray, metal: np.ndarray) -> np.ndarray:
    """The audited crown with its plane bevel, with its chamfer where it is prepared, and with any chip."""
    gone = tooth.edge(x) - y
    if mouth.prepared:
        ramp = np.clip(metal / 0.45, 0.0, 1.0)
        return np.asarray(z - CHAMFER_MM * ramp * (2.0 - ramp) + 0.20 * np.exp(-((x - tooth.groove_mm) ** 2) / 0.6) * ramp)
    if mouth.design in ("seven_eighths", "three_quarter", "onlay"):
        facet = min(mouth.band_mm, FACET_MM)
        start = tooth.surface(x[:1], tooth.edge(x[:1]) - facet, FLOOR_MM)
        plane = start - np.tan(np.radians(mouth.bevel_slope_deg)) * (facet - gone)
        z = np.where(gone >= facet, z, np.where(gone >= -0.06, plane, np.maximum(np.minimum(z, plane), FLOOR_MM)))
    return np.asarray(z - 0.30 * mouth.chip_mm * _chip(mouth, tooth, x, y) * (metal < 0))


def _chip(mouth: Mouth, tooth: Crown, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Relative depth (0 to 1) of an enamel chip above the bevel of the mesiofacial cusp."""
    if mouth.chip_mm <= 0:
        return np.zeros(x.shape)
    across = (x - tooth.cusps[0][0]) / (0.5 * mouth.chip_mm)
    up = (tooth.edge(x) - y - mouth.band_mm) / (0.45 * mouth.chip_mm)
    return np.asarray(np.clip(1.0 - np.hypot(across, up), 0.0, 1.0) ** 0.7)


def _with_gum(mouth: Mouth, row: Row, x: np.ndarray, y: np.ndarray, teeth: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Distance into the gingiva from its margin, and the height of teeth and gingiva together, mm."""
    line = gum_line(row, x[0], mouth.recession_mm)
    up = line[None, :] - y
    calm = gaussian_filter1d(line, 2.0 * GRID.per_mm)
    up = up + np.clip(up / 3.0, 0.0, 1.0) * (calm - line)[None, :]
    lean = gaussian_filter1d(np.gradient(line, 1.0 / GRID.per_mm), 0.25 * GRID.per_mm)[None, :] * np.exp(-((up / 1.2) ** 2))
    into = up / np.sqrt(1.0 + np.minimum(np.abs(lean), 3.0) ** 2)
    solid = np.maximum(teeth, -3.4).astype(np.float32)
    near, far = gaussian(solid, 0.55 * GRID.per_mm), gaussian(solid, 2.6 * GRID.per_mm)
    gum = gaussian(gum_height(x, y, into, near, far, mouth.seed).astype(np.float32), 0.06 * GRID.per_mm)
    return into, np.where(into > 0, np.maximum(gum, np.where(into < 1.0, solid + 0.03, gum)), teeth)


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
    return Stage(relief, middle, surface, role, points, along, gingival, cervical, bevel=_bevel_ends(mouth, tooth, relief))


def _bevel_ends(mouth: Mouth, tooth: Crown, relief: Relief) -> np.ndarray:
    """Finish line and edge of the bevel over the mesiofacial cusp, shape (2, 3); empty where the design has none there."""
    if mouth.design not in ("seven_eighths", "three_quarter", "onlay"):
        return np.empty((0, 3))
    x = tooth.cusps[0][0]
    edge = float(tooth.edge(np.array([x]))[0])
    return lift(relief, np.array([[x, edge - mouth.band_mm], [x, edge - 1e-3]]))
