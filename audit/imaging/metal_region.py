"""Polygons at full resolution of a region that was found on the working grid."""

from __future__ import annotations

import cv2
import numpy as np
from shapely import make_valid
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.ops import unary_union
from skimage.measure import find_contours

from audit.imaging.boundary import Edge, refine_edge
from audit.imaging.working_grid import Grid

__all__ = ["LEAST_PIXELS", "outline_region"]

LEAST_PIXELS = 12
"""Working pixels that a part must have to be one."""


def outline_region(
    pixels: np.ndarray, accepted: np.ndarray, smooth: np.ndarray, grid: Grid, outline: Polygon
) -> tuple[MultiPolygon, tuple[Edge, ...]]:
    """Polygons of the accepted region at full resolution, cut at the outline, and their free edges."""
    if not accepted.any():
        return MultiPolygon(), ()
    level = np.where(accepted, np.maximum(smooth, 0.05), np.minimum(smooth, -0.05)).astype(np.float32)
    level = _carry_out(level, grid.inside)
    reach = 3.0 * float(grid.step_px.mean()) + 1.5
    shells: list[BaseGeometry] = []
    holes: list[BaseGeometry] = []
    edges: list[Edge] = []
    for contour in _contours(level):
        ring = grid.to_photo(contour)
        if len(ring) < 8 or not np.allclose(ring[0], ring[-1]):
            continue
        if abs(_signed_area(ring)) < LEAST_PIXELS * grid.cell_px2:
            continue
        ring = ring if _metal_on_right(ring, level, grid) else ring[::-1]
        edges.append(refine_edge(pixels, ring, reach, outline))
        (shells if _signed_area(ring) > 0 else holes).append(make_valid(Polygon(edges[-1].xy)))
    body = unary_union(shells) if shells else MultiPolygon()
    if holes:
        body = body.difference(unary_union(holes))
    return _polygons(body.intersection(outline)), tuple(edges)


def _contours(level: np.ndarray) -> list[np.ndarray]:
    """Zero lines of a field that is negative beyond its border, x and y, shape (n, 2) each; only where it is positive is looked at."""
    rows, columns = (np.flatnonzero((level > 0.0).any(axis=axis)) for axis in (1, 0))
    part = np.pad(level, 1, constant_values=-6.0)[rows[0] : rows[-1] + 3, columns[0] : columns[-1] + 3]
    found = find_contours(part, 0.0)  # type: ignore[no-untyped-call]
    return [contour[:, ::-1] + [columns[0] - 1.0, rows[0] - 1.0] for contour in found]


def _carry_out(level: np.ndarray, inside: np.ndarray) -> np.ndarray:
    """The field continued outside the outline by its nearest value inside, so that it is cut by the outline itself."""
    _, labels = cv2.distanceTransformWithLabels((~inside).astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)
    table = np.zeros(int(labels.max()) + 1, dtype=np.float32)
    table[labels[inside]] = level[inside]
    return np.asarray(table[labels])


def _signed_area(ring: np.ndarray) -> float:
    x, y = ring[:, 0], ring[:, 1]
    return float(0.5 * np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]))


def _metal_on_right(ring: np.ndarray, level: np.ndarray, grid: Grid) -> bool:
    middle = (ring[:-1] + ring[1:]) / 2.0
    along = np.diff(ring, axis=0)
    normal = np.stack([-along[:, 1], along[:, 0]], axis=1) / np.maximum(np.hypot(*along.T), 1e-9)[:, None]
    at = np.round(((middle + 1.5 * normal * grid.step_px) - grid.origin_px) / grid.step_px).astype(int)
    rows, columns = (np.clip(at[:, k], 0, level.shape[1 - k] - 1) for k in (1, 0))
    return bool(np.mean(level[rows, columns] > 0) > 0.5)


def _polygons(shape: BaseGeometry) -> MultiPolygon:
    parts = [shape] if shape.geom_type == "Polygon" else list(getattr(shape, "geoms", []))
    return MultiPolygon([p for p in parts if p.geom_type == "Polygon" and p.area > 0])
