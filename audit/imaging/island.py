"""Finds islands of not-metal inside a metal surface: where a casting is worn through."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from shapely import make_valid
from shapely.geometry import MultiPolygon, Polygon, mapping
from shapely.ops import unary_union

from audit.errors import Refused
from audit.imaging.boundary import refine_edge
from audit.imaging.colour import neutral_gains, to_linear
from audit.imaging.enamel import log_colour
from audit.imaging.segment import Grid, working_grid

__all__ = ["Islands", "find_islands"]

_LEAST_SHARE = 0.0015
_LEAST_PIXELS = 20
_MOST_SHARE = 0.4


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
    Dentine and luting agent are diffuse: they have the colour of a tooth and vary little, while the
    metal round them mirrors. An island is a matt, tooth-coloured component that touches no border of the outline.

    Raises
    ------
    Refused
        ``perforation_undecided``: more than two fifths of the surface are like an island.
    """
    grid = working_grid(pixels, outline)
    if grid.pixels.ndim < 3:
        raise Refused("greyscale", "The photo has no colour; tooth cannot be told from metal.", "Measure on the colour original.")
    candidate = _toothlike(grid, alloy)
    total = int(np.count_nonzero(grid.inside))
    least = max(_LEAST_PIXELS, round(_LEAST_SHARE * total))
    if np.count_nonzero(candidate) > _MOST_SHARE * total:
        raise Refused("perforation_undecided", "Much of the surface has the colour of a tooth; a perforation cannot be told.",
                      "Outline the metal alone, and photograph the dried surface.")  # fmt: skip
    border = cv2.dilate((~grid.inside).astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    count, labels, stats, _ = cv2.connectedComponentsWithStats(candidate.astype(np.uint8), connectivity=4)
    shapes, variance = [], 0.0
    for label in range(1, count):
        part = labels == label
        if stats[label, cv2.CC_STAT_AREA] < least or (part & border).any():
            continue
        edge, shape = _exact(pixels, part, grid, outline)
        shapes.append(shape)
        variance += float(np.sum(edge.sd_px**2)) * edge.spacing_px * 4.0 * grid.step_px.mean() + (0.3 * shape.length) ** 2
    body = unary_union(shapes) if shapes else MultiPolygon()
    parts = [body] if body.geom_type == "Polygon" else [p for p in body.geoms if p.geom_type == "Polygon"]
    return Islands(MultiPolygon(parts), float(np.sqrt(variance)), 2.0 * least * grid.cell_px2)


def _toothlike(grid: Grid, alloy: str | None) -> np.ndarray:
    linear = to_linear(grid.pixels)
    linear = linear * neutral_gains(linear)
    light, red_green, green_blue = log_colour(linear)
    least_yellow, most_yellow = (0.02, 0.62) if alloy != "white" else (0.18, 0.9)
    colour = (red_green > -0.02) & (red_green < 0.42) & (green_blue > least_yellow) & (green_blue < most_yellow)
    lit = (light > np.log(0.08)) & (linear.max(axis=-1) < 0.95)
    radius = max(1, round(np.sqrt(np.count_nonzero(grid.inside)) * 0.008))
    window = (2 * radius + 1,) * 2
    mean = cv2.blur(light, window)
    rough = np.sqrt(np.maximum(cv2.blur(light * light, window) - mean * mean, 0.0))
    matt = rough < 0.22
    candidate = (colour & lit & matt & grid.inside).astype(np.uint8)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1,) * 2)
    candidate = cv2.morphologyEx(candidate, cv2.MORPH_OPEN, kernel)
    closed = cv2.morphologyEx(candidate, cv2.MORPH_CLOSE, kernel).astype(bool)
    return np.asarray(closed & grid.inside)


def _exact(pixels: np.ndarray, part: np.ndarray, grid: Grid, outline: Polygon) -> tuple[Any, Polygon]:
    rings, _ = cv2.findContours(part.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    ring = max(rings, key=len)[:, 0, :].astype(float)
    closed = grid.to_photo(np.vstack([ring, ring[:1]]))
    x, y = closed[:, 0], closed[:, 1]
    if np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]) < 0:
        closed = closed[::-1]
    edge = refine_edge(pixels, closed, 3.0 * float(grid.step_px.mean()) + 1.5, outline)
    return edge, make_valid(Polygon(edge.xy))
