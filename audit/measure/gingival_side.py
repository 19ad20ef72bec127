"""Says on which side of the traced gingival margin the tooth lies.

Notes
-----
In this order: the outline of the tooth's visible surface, where the reader drew one by the same light path; the colour
of the two sides (gingiva reflects far more red than green, enamel and casting alloys do not); else nothing is known and
the caller must say that it assumes.
"""

from __future__ import annotations

import numpy as np
import shapely
from shapely.geometry import LineString

from audit.core.annotations import Annotations, Feature
from audit.imaging.sample import arc_length_px, resample_polyline, sample_linear

__all__ = ["side_of", "tooth_side"]

NEAR_PX = np.array([8.0, 12.0, 16.0, 20.0])
"""Where the two sides of the line are looked at: clear of a hand's wander, near enough to be the tissue beside it."""
REDDER = 0.25
"""Difference of log red / green from which one side is the gingiva: mean attached gingiva (L* 50, a* 24, b* 15;
Gomez-Polo, J Adv Prosthodont 2019;11:239) has 0.85, gold alloy about 0.4, enamel 0.15."""
AGREE = 0.7
OUTLINE_POINTS = 24


def tooth_side(pixels: np.ndarray, gingiva: Feature, annotations: Annotations) -> float | None:
    """1 where the tooth lies to the right of the line's direction of travel (y down), -1 to the left, None where it cannot be told."""
    outlines = [f for f in annotations.all("facial_surface") if f.geometry is not None and f.seen_in == gingiva.seen_in]
    told = [_side_of_outline(outline, gingiva.xy) for outline in outlines]
    told = [side for side in told if side]
    return told[0] if told and len(set(told)) == 1 else _side_by_colour(pixels, gingiva.xy)


def side_of(line_xy: np.ndarray, at_px: np.ndarray, vector: np.ndarray) -> np.ndarray:
    """Side of the line on which each vector from its point at `at_px` points: 1 right of travel (y down), -1 left, 0 along it."""
    tangent = _tangent(line_xy, at_px)
    return np.asarray(np.sign(tangent[:, 0] * vector[:, 1] - tangent[:, 1] * vector[:, 0]))


def _tangent(line: np.ndarray, at: np.ndarray) -> np.ndarray:
    length = arc_length_px(line)
    ahead, behind = np.minimum(at + 1.0, length[-1]), np.maximum(at - 1.0, 0.0)
    return np.stack([np.interp(ahead, length, line[:, k]) - np.interp(behind, length, line[:, k]) for k in (0, 1)], axis=1)


def _side_of_outline(outline: Feature, line_xy: np.ndarray) -> float:
    """The side on which the greater part of the outlined surface lies; 0 where no part of it lies beside the line."""
    left, top, right, bottom = outline.geometry.bounds if outline.geometry is not None else (0.0, 0.0, 0.0, 0.0)
    x, y = np.meshgrid(np.linspace(left, right, OUTLINE_POINTS), np.linspace(top, bottom, OUTLINE_POINTS))
    points = np.stack([x.ravel(), y.ravel()], axis=1)
    points = points[shapely.contains_xy(outline.geometry, points)]
    if not len(points):
        return 0.0
    line = LineString(line_xy)
    at = shapely.line_locate_point(line, shapely.points(points))
    beside = (at > 1e-6) & (at < line.length - 1e-6)
    nearest = shapely.get_coordinates(shapely.line_interpolate_point(line, at[beside]))
    return float(np.sign(side_of(line_xy, at[beside], points[beside] - nearest).sum()))


def _side_by_colour(pixels: np.ndarray, line_xy: np.ndarray) -> float | None:
    """The side that is markedly less red all along the line."""
    if pixels.ndim != 3:
        return None
    line = resample_polyline(line_xy, 4.0)
    tangent = _tangent(line, arc_length_px(line))
    normal = np.stack([-tangent[:, 1], tangent[:, 0]], axis=1)
    normal /= np.maximum(np.hypot(normal[:, 0], normal[:, 1]), 1e-9)[:, None]
    red = [_redness(pixels, line[:, None, :] + side * NEAR_PX[None, :, None] * normal[:, None, :]) for side in (1.0, -1.0)]
    difference = (red[1] - red[0])[np.isfinite(red[0]) & np.isfinite(red[1])]
    if len(difference) < 5 or abs(np.median(difference)) < REDDER:
        return None
    side = float(np.sign(np.median(difference)))
    return side if np.mean(side * difference > 0) >= AGREE else None


def _redness(pixels: np.ndarray, at_xy: np.ndarray) -> np.ndarray:
    """Log of red over green in linear light, mean over the points beside each place on the line; NaN where all are clipped or black."""
    light = sample_linear(pixels, at_xy)
    sound = (light.max(axis=2) < 0.97) & (light[..., :2].min(axis=2) > 0.01)
    log = np.log(np.maximum(light[..., 0], 1e-4) / np.maximum(light[..., 1], 1e-4))
    count = sound.sum(axis=1)
    return np.asarray(np.where(count > 0, np.where(sound, log, 0.0).sum(axis=1) / np.maximum(count, 1), np.nan))
