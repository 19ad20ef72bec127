"""What is true of a drawn photo, in mm, from the exact geometry and never from the final pixels.

Definitions. Areas, heights and extents are projections on the plane through the tooth's reference
point parallel to the sensor: sums of the exact shares of pixels before any blur, times the scale at
that point. Height is the greatest mean column of metal, over strips 0.25 mm wide, along the projected long axis of the tooth,
extent the width of all columns that hold metal. Openings are at right angles to the margin as
projected; `start_mm` and `end_mm` run along the annotated margin from its first point. The mean
opening is taken over the whole assessed margin, closed stretches counting zero. `margin_to_gingiva`
is the mean distance from the cervical finish line (the facial stretch of it) to the gingival margin.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from audit.imaging.sample import sample
from audit.synthetic.camera import Camera
from audit.synthetic.spec import Mouth
from audit.synthetic.stage import Stage

__all__ = ["Seen", "bevel_height_mm", "margin_truth", "surface_truth", "visible_run"]

STRIP_MM = 0.25


@dataclass(frozen=True)
class Seen:
    """Shares of pixels before blur, each of shape (height, width), and depth, mm: what a photo shows."""

    facial: np.ndarray
    metal: np.ndarray
    gum: np.ndarray
    depth_mm: np.ndarray
    left_px: int = 0
    top_px: int = 0


def surface_truth(seen: Seen, camera: Camera, stage: Stage) -> dict[str, float]:
    """Facial surface and metal of one photo: areas (mm2), fraction, height and extent (mm); on an occlusal one the perforation."""
    middle = stage.middle
    if stage.surface == "occlusal":
        return {"perforation_area": _enclosed(camera.project(stage.island)) * float(camera.mm_per_px(middle)) ** 2}
    if stage.surface != "facial":
        return {}
    scale = float(camera.mm_per_px(middle))
    facial, metal = float(seen.facial.sum()) * scale**2, float(seen.metal.sum()) * scale**2
    height, extent = _columns(seen.metal, camera, middle, scale)
    return {
        "facial_surface_area": facial,
        "visible_metal_area": metal,
        "visible_metal_fraction": metal / facial if facial > 0 else 0.0,
        "visible_metal_height": height * scale,
        "visible_metal_extent": extent * scale,
    }


def _enclosed(xy: np.ndarray) -> float:
    """Area inside a closed line, shape (n, 2); 0 where there is none."""
    x, y = xy[:, 0], xy[:, 1]
    return float(abs(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))) / 2.0


def _columns(metal: np.ndarray, camera: Camera, middle: np.ndarray, scale: float) -> tuple[float, float]:
    """Longest column along the tooth's axis (mean of a strip), and number of columns with metal, pixels."""
    rows, columns = np.nonzero(metal > 0)
    if rows.size == 0:
        return 0.0, 0.0
    tip, base = camera.project(middle + np.array([0.0, 1.0, 0.0])), camera.project(middle)
    down = (tip - base) / np.linalg.norm(tip - base)
    across = np.array([down[1], -down[0]])
    points = np.stack([columns, rows], axis=1).astype(float)
    along, side = points @ down, points @ across
    a = np.arange(np.floor(along.min()) - 1, np.ceil(along.max()) + 2)
    s = np.arange(np.floor(side.min()) - 1, np.ceil(side.max()) + 2)
    turned = np.nan_to_num(sample(metal.astype(np.float32), a[:, None, None] * down + s[None, :, None] * across))
    strip = max(3, round(STRIP_MM / scale))
    columns_px = np.convolve(turned.sum(axis=0), np.ones(strip) / strip, mode="same")
    return float(columns_px.max()), float(turned.max(axis=0).clip(0, 1).sum())


def visible_run(points: np.ndarray, camera: Camera, seen: Seen) -> np.ndarray:
    """Longest run of points that the camera sees, as a boolean mask, shape (n,)."""
    shape = seen.depth_mm.shape
    xy = camera.project(points)
    column, row = (np.round(xy[:, k]).astype(int) - origin for k, origin in ((0, seen.left_px), (1, seen.top_px)))
    inside = (column >= 0) & (row >= 0) & (column < shape[1]) & (row < shape[0])
    found = np.zeros(len(points), bool)
    depth = seen.depth_mm[row[inside], column[inside]]
    found[inside] = camera.depth_mm(points[inside]) - depth < 0.25
    edges = np.flatnonzero(np.diff(np.concatenate([[0], found.astype(int), [0]])))
    if edges.size == 0:
        return found
    starts, ends = edges[::2], edges[1::2]
    best = int(np.argmax(ends - starts))
    run = np.zeros_like(found)
    run[starts[best] : ends[best]] = True
    return run


def margin_truth(mouth: Mouth, stage: Stage, run: np.ndarray, camera: Camera) -> tuple[dict[str, float], list[dict[str, float]]]:
    """Margin measurands and openings as projected; lengths mm, openings um."""
    if run.sum() < 3:
        return {}, []
    scale = float(camera.mm_per_px(stage.middle))
    line = camera.project(stage.margin[run]) * scale
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    openings, widths, opened = [], np.zeros(len(along)), np.zeros(len(along), bool)
    for opening in mouth.openings:
        inside = (stage.along_mm[run] >= opening.start_mm) & (stage.along_mm[run] <= opening.end_mm)
        if inside.sum() < 2:
            continue
        opened |= inside
        width = opening.width_um * _narrowing(stage, run, camera, scale)
        position = stage.along_mm[run]
        taper = np.clip(np.minimum(position - opening.start_mm, opening.end_mm - position) / 0.15 + 0.5, 0.0, 1.0)
        widths = np.maximum(widths, width * taper)
        openings.append({"start_mm": float(along[inside][0]), "end_mm": float(along[inside][-1]),
                         "width_um": float(width[inside].mean()), "true_width_um": opening.width_um})  # fmt: skip
    step = np.gradient(along)
    result = {
        "assessed_margin_length": float(along[-1]),
        "continuous_margin_fraction": float(1.0 - (step * opened).sum() / step.sum()),
        "widest_marginal_opening": float(widths.max()),
        "mean_marginal_opening": float((step * widths).sum() / step.sum()),
    }
    if len(stage.cervical) > 2:
        gum = camera.project(_finely(stage.gingival_margin)) * scale
        away, _ = cKDTree(gum).query(camera.project(stage.cervical) * scale)
        result["margin_to_gingiva"] = float(away.mean())
    return result, openings


def bevel_height_mm(stage: Stage, camera: Camera) -> float | None:
    """Projected height of the bevel over the mesiofacial cusp, mm; ``None`` where there is none."""
    if len(stage.bevel) < 2:
        return None
    ends = camera.project(stage.bevel)
    return float(np.hypot(*(ends[1] - ends[0]))) * float(camera.mm_per_px(stage.middle))


def _finely(points: np.ndarray, times: int = 10) -> np.ndarray:
    at = np.linspace(0, len(points) - 1, len(points) * times)
    return np.stack([np.interp(at, np.arange(len(points)), points[:, k]) for k in range(3)], axis=1)


def _narrowing(stage: Stage, run: np.ndarray, camera: Camera, scale: float) -> np.ndarray:
    """Projected over true width of a slot at each visible margin point."""
    points = stage.margin[run]
    tangent = np.gradient(points, axis=0)
    flat = tangent[:, :2] / np.maximum(np.hypot(tangent[:, 0], tangent[:, 1]), 1e-12)[:, None]
    normal = np.stack([-flat[:, 1], flat[:, 0]], axis=1)
    form = stage.relief.at(stage.relief.form, points[:, 0], points[:, 1])
    rise = form[:, 1] * normal[:, 0] + form[:, 2] * normal[:, 1]
    half = 0.05
    ends = [camera.project(points + sign * half * np.column_stack([normal, rise])) for sign in (-1.0, 1.0)]
    course = np.gradient(camera.project(points), axis=0)
    course /= np.maximum(np.hypot(*course.T), 1e-12)[:, None]
    across = ends[1] - ends[0]
    return np.asarray(np.abs(across[:, 0] * course[:, 1] - across[:, 1] * course[:, 0]) * scale / (2 * half))
