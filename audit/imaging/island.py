"""Finds islands of not-metal inside a metal surface: where a casting is worn through."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import cv2
import numpy as np
from shapely import make_valid
from shapely.geometry import MultiPolygon, Polygon, mapping
from shapely.geometry.base import BaseGeometry
from shapely.ops import unary_union

from audit.errors import Refused
from audit.imaging.boundary import refine_edge
from audit.imaging.colour import neutral_gains, to_linear
from audit.imaging.enamel import brightest, log_colour
from audit.imaging.working_grid import Grid, working_grid

__all__ = ["Islands", "find_islands"]

_LEAST_SHARE = 0.002
_LEAST_PIXELS = 16
_MOST_ISLANDS = 3
_UNSEEN = 4.0
_BORDER_STEPS = 1.2
"""How far the border of an island may lie from where its colour changes, working pixels: glints at its rim."""
_OTHER_COLOUR = 0.16
"""How far ln(G/B) of tooth or luting agent lies from that of the metal, at least."""
_CLEARLY: Mapping[str, float] = MappingProxyType({"gold": 0.32, "white": 0.16})
"""The same for the middle of an island as a whole: the lighter reflections in gold move half as far as tooth does."""
_RIM = 0.05
_ROUND = 0.80
_LONGEST = 2.2
"""Length over breadth of an island, at most: the skirts of glints along a fissure are longer."""
_RING_CONTRAST = 0.10
_CLIPPED = 0.97
_MOST_GLINT = 0.35
"""Share of the ring round an island that may be burnt out, at most: the skirt of a glint is no island."""


@dataclass(frozen=True)
class Islands:
    """Islands found in one surface.

    Parameters
    ----------
    region : MultiPolygon
        Photo pixels; empty where none was found.
    sd_px2 : float
        Standard uncertainty of the whole area from the boundary.
    limit_px2 : float
        Largest island that could be there unseen.
    """

    region: MultiPolygon
    sd_px2: float
    limit_px2: float

    @property
    def area_px2(self) -> float:
        """Area of all islands, photo pixels squared."""
        return float(self.region.area)

    def to_json(self) -> dict[str, Any]:
        """As GeoJSON geometry in photo pixels."""
        return dict(mapping(self.region))


def find_islands(pixels: np.ndarray, outline: Polygon, alloy: str | None = None) -> Islands:
    """Find islands of not-metal that lie wholly inside the metal of an occlusal surface.

    Parameters
    ----------
    pixels : ndarray, shape (height, width, 3)
    outline : Polygon
        Of the occlusal surface, photo pixels.
    alloy : str or None

    Notes
    -----
    The metal's own colour is the commonest chromaticity of its lit parts: whatever gold mirrors, it
    tints. Tooth and luting agent are less tinted than gold and more than a white alloy, matt, and an island of them is
    compact, has an edge of colour all round, and keeps clear of the outline, where uncovered tooth lies.

    Raises
    ------
    Refused
        ``alloy_unknown``, ``greyscale``, ``outline_too_small``; ``perforation_undecided``: more than three such places.
    """
    if alloy is None:
        raise Refused("alloy_unknown", "Tooth shows lighter than gold and yellower than a white alloy; the alloy is not recorded.",
                      "Write alloy in the annotation file.")  # fmt: skip
    grid = working_grid(pixels, outline)
    if grid.pixels.ndim < 3:
        raise Refused("greyscale", "The photo has no colour; tooth cannot be told from metal.", "Measure on the colour original.")
    shift = _tint_shift(grid, alloy)
    least = max(_LEAST_PIXELS, round(_LEAST_SHARE * np.count_nonzero(grid.inside)))
    shapes, variance = [], 0.0
    for part in _islands(shift, grid, least, _CLEARLY[alloy]):
        shape = _exact(pixels, part, grid, outline)
        shapes.append(shape)
        variance += (_BORDER_STEPS * float(grid.step_px.mean()) * shape.length) ** 2
    if len(shapes) > _MOST_ISLANDS:
        raise Refused("perforation_undecided", f"{len(shapes)} places have the colour of a tooth; reflections cannot be told from holes.",
                      "Dry the surface, photograph it from a slightly different direction, and outline the metal alone.")  # fmt: skip
    body = unary_union(shapes) if shapes else MultiPolygon()
    parts = [body] if body.geom_type == "Polygon" else [p for p in body.geoms if p.geom_type == "Polygon"]
    return Islands(MultiPolygon(parts), float(np.sqrt(variance)), _UNSEEN * least * grid.cell_px2)


def _tint_shift(grid: Grid, alloy: str) -> np.ndarray:
    """How far ln(G/B) of each pixel has moved from the metal's own towards a tooth's; minus infinity where it cannot be told."""
    linear = to_linear(grid.pixels)
    linear = linear * neutral_gains(linear)
    light, red_green, green_blue = log_colour(cv2.GaussianBlur(linear, (0, 0), 0.8))
    lit = grid.inside & (light >= np.quantile(light[grid.inside], 0.35)) & (brightest(linear) < 0.93)
    table, red_at, blue_at = np.histogram2d(red_green[lit], green_blue[lit], bins=[np.arange(-0.3, 1.5, 0.06), np.arange(-0.5, 2.0, 0.06)])
    i, j = np.unravel_index(int(np.argmax(cv2.GaussianBlur(table, (0, 0), 1.0))), table.shape)
    metal_blue = float(blue_at[j]) + 0.03
    moved = metal_blue - green_blue if alloy == "gold" else green_blue - metal_blue
    tooth = (red_green < float(red_at[i]) + 0.15) & (green_blue > -0.02) & (green_blue < 0.9)
    return np.where(lit & tooth, moved, -np.inf)


def _islands(shift: np.ndarray, grid: Grid, least: int, clearly: float) -> list[np.ndarray]:
    """Compact components of another colour, ringed by metal, clear of the outline."""
    size = float(np.sqrt(np.count_nonzero(grid.inside)))
    depth = cv2.distanceTransform(grid.inside.astype(np.uint8), cv2.DIST_L2, 5)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (5, 5))
    candidate = cv2.morphologyEx((shift > _OTHER_COLOUR).astype(np.uint8), cv2.MORPH_CLOSE, kernel)
    candidate = cv2.morphologyEx(candidate, cv2.MORPH_OPEN, kernel)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(candidate, connectivity=4)
    found = []
    for label in range(1, count):
        part = labels == label
        if stats[label, cv2.CC_STAT_AREA] < least or depth[part].min() < _RIM * size:
            continue
        rings, _ = cv2.findContours(part.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        ring = max(rings, key=len)
        sides = cv2.minAreaRect(ring)[1]
        if max(sides) > _LONGEST * min(sides) or cv2.contourArea(ring) < _ROUND * cv2.contourArea(cv2.convexHull(ring)):
            continue
        around = (cv2.dilate(part.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0) & ~(cv2.dilate(part.astype(np.uint8), kernel) > 0)
        middle = float(np.median(shift[part & np.isfinite(shift)]))
        step = middle - np.quantile(np.clip(shift[around], -1.0, 1.0), 0.8)
        burnt = float(np.mean(grid.pixels[around].max(axis=1) > _CLIPPED * np.iinfo(grid.pixels.dtype).max))
        if middle > clearly and step > _RING_CONTRAST and (burnt < _MOST_GLINT or part.sum() > _UNSEEN * least):
            found.append(part)
    return found


def _exact(pixels: np.ndarray, part: np.ndarray, grid: Grid, outline: Polygon) -> BaseGeometry:
    rings, _ = cv2.findContours(part.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    ring = max(rings, key=len)[:, 0, :].astype(float)
    closed = grid.to_photo(np.vstack([ring, ring[:1]]))
    x, y = closed[:, 0], closed[:, 1]
    if np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]) < 0:
        closed = closed[::-1]
    edge = refine_edge(pixels, closed, 3.0 * float(grid.step_px.mean()) + 1.5, outline)
    return make_valid(Polygon(edge.xy))
