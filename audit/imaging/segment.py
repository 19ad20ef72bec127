"""Proposes which part of a tooth's outline is metal, from the photo alone; the reader has the last word."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from shapely import make_valid
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.ops import unary_union
from skimage.measure import find_contours

from audit.core.vocabulary import DESIGNS
from audit.errors import Refused
from audit.imaging.boundary import Edge, refine_edge
from audit.imaging.colour import neutral_gains, to_linear
from audit.imaging.enamel import fit_enamel, log_colour
from audit.imaging.metal_features import metal_features
from audit.imaging.metal_network import metal_log_odds
from audit.imaging.sample import crop

__all__ = ["UNDECIDED", "Grid", "Proposal", "propose_metal", "working_grid"]

UNDECIDED = (0.08, 0.92)
"""Probabilities of metal between which a pixel is undecided."""

_WORK_SIZE = 256.0
"""Side of the square of equal area that an outline is reduced to, pixels."""
_SMALLEST_SIDE = 24.0
_LEAST_SHARE = 0.003
_LEAST_PIXELS = 12
_MOST_FILLED = 0.04
_SLIVER, _DARK = 0.025, -1.5
"""Share of the outline below which a component is a sliver; ln Y over the enamel below which it is a shadow."""

_UNLIT, _RULED_OUT = -1.0, -3.0
"""ln Y over the enamel below which a pixel may be metal that mirrors the throat; log odds below which metal is ruled out."""
_GUM_RED, _GUM_LIGHT = 0.45, 0.05
"""ln(R/G) and Y of gingiva at least: the throat is as red and darker, teeth are lighter and less red."""


@dataclass(frozen=True)
class Grid:
    """The reduced crop that regions are proposed on.

    Parameters
    ----------
    pixels : ndarray of uint8 or uint16, shape (h, w, 3)
    inside : ndarray of bool, shape (h, w)
        Whether a pixel's centre lies within the outline.
    origin_px, step_px : ndarray, shape (2,)
        Photo position (x, y) of the centre of pixel (0, 0); photo pixels between centres.
    """

    pixels: np.ndarray
    inside: np.ndarray
    origin_px: np.ndarray
    step_px: np.ndarray

    def to_photo(self, xy: np.ndarray) -> np.ndarray:
        """Photo coordinates of working coordinates, shape (..., 2)."""
        return np.asarray(xy * self.step_px + self.origin_px)

    @property
    def cell_px2(self) -> float:
        """Area of a working pixel, photo pixels squared."""
        return float(np.prod(self.step_px))


@dataclass(frozen=True)
class Proposal:
    """Where the photo shows metal inside one outline.

    Parameters
    ----------
    region : MultiPolygon
        Boundary in photo coordinates, inside the outline; empty where no metal was found.
    probability : ndarray of float32, shape (h, w)
        Of metal, on the working grid; 0 outside the outline.
    hidden : ndarray of bool, shape (h, w)
        Outside the region, where the photo alone does not rule out metal: what is not surely enamel, whatever the design.
    grid : Grid
    edges : tuple of Edge
        The free boundary (not along the outline), with its uncertainty.
    undecided_sd_px2 : float
        Standard uncertainty of the area from parts that are neither surely metal nor surely not, photo pixels squared.
    rest_px2 : float
        Probability-weighted area that was not accepted, photo pixels squared.
    evidence : mapping
        What the decision rests on, plain JSON types.
    """

    region: MultiPolygon
    probability: np.ndarray
    hidden: np.ndarray
    grid: Grid
    edges: tuple[Edge, ...]
    undecided_sd_px2: float
    rest_px2: float
    evidence: Mapping[str, Any] = field(default_factory=dict)

    @property
    def mask(self) -> np.ndarray:
        """The proposed region on the working grid, bool (h, w)."""
        out = np.zeros(self.grid.inside.shape, dtype=np.uint8)
        for part in self.region.geoms:
            rings = [np.asarray(ring.coords) for ring in (part.exterior, *part.interiors)]
            fixed = [np.round((r - self.grid.origin_px) / self.grid.step_px * 16).astype(np.int32) for r in rings]
            cv2.fillPoly(out, fixed, 1, shift=4)
        return out.astype(bool)


def working_grid(pixels: np.ndarray, outline: Polygon) -> Grid:
    """The crop of one outline, reduced so that work does not grow with the photo.

    Raises
    ------
    Refused
        ``outline_too_small``: fewer pixels than a region can be found in.
    """
    side = float(np.sqrt(outline.area))
    if side < _SMALLEST_SIDE:
        raise Refused("outline_too_small", f"The outline is only {side:.0f} px across; metal cannot be told from enamel.",
                      "Photograph the tooth larger, or trace on the original instead of a thumbnail.")  # fmt: skip
    factor = max(1.0, side / _WORK_SIZE)
    part, origin = crop(pixels, np.asarray(outline.exterior.coords)[:, :2], 4.0 * factor + 0.08 * side)
    height, width = part.shape[:2]
    small = max(2, round(width / factor)), max(2, round(height / factor))
    step = np.array([width / small[0], height / small[1]])
    reduced = cv2.resize(np.ascontiguousarray(part), small, interpolation=cv2.INTER_AREA) if factor > 1.0 else np.ascontiguousarray(part)
    first = origin + step / 2.0 - 0.5
    inside = np.zeros(reduced.shape[:2], dtype=np.uint8)
    ring = (np.asarray(outline.exterior.coords)[:, :2] - first) / step
    cv2.fillPoly(inside, [np.round(ring * 16).astype(np.int32)], 1, shift=4)
    return Grid(reduced, inside.astype(bool), first, step)


def propose_metal(
    pixels: np.ndarray, outline: Polygon, design: str | None = None, alloy: str | None = None, upper: bool | None = None
) -> Proposal:
    """Propose the metal inside one outline.

    Parameters
    ----------
    pixels : ndarray, shape (height, width, 3)
        The photo as read.
    outline : Polygon
        Of the tooth's facial surface, photo pixels.
    design, alloy : str or None
        Words of the vocabulary, where the record has them.
    upper : bool or None
        Whether the tooth stands in the upper jaw (its occlusal edge is then at the bottom of the image).

    Raises
    ------
    Refused
        ``outline_too_small``, ``greyscale``, ``overexposed``, ``underexposed``.
    """
    grid = working_grid(pixels, outline)
    _judge_light(grid)
    linear = to_linear(grid.pixels)
    gains = neutral_gains(linear)
    linear = linear * gains
    border = cv2.distanceTransform(grid.inside.astype(np.uint8), cv2.DIST_L2, 5)
    enamel = fit_enamel(linear, grid.inside, border)
    logit = np.full(grid.inside.shape, -9.0, dtype=np.float32)
    features = metal_features(linear, enamel, grid.inside, border, alloy)
    seen = metal_log_odds(features, grid.inside)
    logit[grid.inside] = seen + _prior(grid, linear, design, upper)
    smooth = _coherent(logit, linear, grid.inside)
    probability = np.where(grid.inside, 1.0 / (1.0 + np.exp(-smooth)), 0.0).astype(np.float32)
    above = log_colour(linear)[0] - enamel.log_light
    accepted, rejected_sd, rest = _decide(probability, grid, above)
    hidden = (above < _UNLIT) & grid.inside & ~accepted
    hidden[grid.inside] |= (seen > _RULED_OUT) & ~accepted[grid.inside]
    region, edges = _outline_region(pixels, accepted, smooth, grid, outline)
    evidence = {
        "enamel_share": enamel.share, "gains": [float(g) for g in gains], "working_step_px": float(grid.step_px.mean()),
        "design": design, "alloy": alloy, "upper": upper,
    }  # fmt: skip
    return Proposal(region, probability, hidden, grid, edges, rejected_sd * grid.cell_px2, rest * grid.cell_px2, evidence)


def _judge_light(grid: Grid) -> None:
    values = grid.pixels[grid.inside]
    top = 255.0 if grid.pixels.dtype == np.uint8 else 65535.0
    if values.ndim == 1:
        raise Refused("greyscale", "The photo has no colour; metal cannot be told from enamel.", "Measure on the colour original.")
    high, low = values.T.max(axis=0) / top, values.T.min(axis=0) / top
    if np.mean(low >= 0.97) > 0.5:
        raise Refused("overexposed", "Most of the tooth is burnt out to white.", "Photograph again with less flash or a smaller aperture.")
    if np.quantile(high, 0.9) < 0.12:
        raise Refused("underexposed", "The tooth is nearly black.", "Photograph again with the flash on.")
    if (high - low).max() < 0.02:
        raise Refused("greyscale", "The photo has no colour; metal cannot be told from enamel.", "Measure on the colour original.")


def _prior(grid: Grid, linear: np.ndarray, design: str | None, upper: bool | None) -> np.ndarray:
    """Log odds of where this design may show metal on the facial surface; flat where nothing is known.

    A photograph may stand on its head: where gum shows beyond the end that should be the occlusal one, the design says nothing.
    """
    rows = np.nonzero(grid.inside)[0].astype(np.float32)
    flat = np.zeros(len(rows), dtype=np.float32)
    if design is None or upper is None or DESIGNS[design].facial_metal in ("all", "distal_half"):
        return flat
    above, below = _gum_beyond(grid, linear)
    if (below > above) if upper else (above > below):
        return flat
    from_edge = (rows.max() - rows if upper else rows - rows.min()) / max(float(np.ptp(rows)), 1.0)
    return np.asarray(-4.0 * np.clip((from_edge - 0.45) / 0.3, 0.0, 1.0), dtype=np.float32)


def _gum_beyond(grid: Grid, linear: np.ndarray) -> tuple[float, float]:
    """Share of gum just beyond the upper and the lower end of the outline, 0 to 1."""
    light, red_green, _ = log_colour(linear)
    gum = (red_green > _GUM_RED) & (light > np.log(_GUM_LIGHT)) & ~grid.inside
    rows, columns = np.nonzero(grid.inside)
    across = slice(int(np.quantile(columns, 0.25)), int(np.quantile(columns, 0.75)) + 1)
    over, under = gum[: rows.min(), across], gum[rows.max() + 1 :, across]
    return (float(over.mean()) if over.size else 0.0), (float(under.mean()) if under.size else 0.0)


def _coherent(logit: np.ndarray, linear: np.ndarray, inside: np.ndarray) -> np.ndarray:
    """Log odds smoothed where the picture is smooth (guided filter, He et al. 2013, doi:10.1109/TPAMI.2012.213)."""
    guide = np.sqrt(linear.mean(axis=-1)).astype(np.float32)
    mask = inside.astype(np.float32)
    value = np.clip(logit, -6.0, 6.0)
    window = (7, 7)

    def mean(field_: np.ndarray) -> np.ndarray:
        return np.asarray(cv2.boxFilter(field_ * mask, -1, window, normalize=False) / count)

    count = np.maximum(cv2.boxFilter(mask, -1, window, normalize=False), 1.0)
    mean_guide, mean_value = mean(guide), mean(value)
    slope = (mean(guide * value) - mean_guide * mean_value) / (mean(guide * guide) - mean_guide**2 + np.float32(1e-3))
    offset = mean_value - slope * mean_guide
    return np.where(inside, mean(slope) * guide + mean(offset), -9.0).astype(np.float32)


def _decide(probability: np.ndarray, grid: Grid, above: np.ndarray) -> tuple[np.ndarray, float, float]:
    """Accepted components, sd of the undecided area, and the weighted area not accepted (working pixels).

    A sliver that is dark throughout may be metal that mirrors the throat, or the throat itself beside
    an outline drawn too wide; nothing in the photo tells them apart, so it is not called metal. `above` is ln Y over the enamel.
    """
    total = np.count_nonzero(grid.inside)
    count, labels, stats, _ = cv2.connectedComponentsWithStats((probability > 0.5).astype(np.uint8), connectivity=8)
    accepted = np.zeros(probability.shape, dtype=bool)
    rest, dark = 0.0, 0.0
    least = max(_LEAST_PIXELS, _LEAST_SHARE * total)
    for label in range(1, count):
        part = labels == label
        area = float(stats[label, cv2.CC_STAT_AREA])
        sure = float(np.mean(probability[part] > 0.9))
        mean = float(probability[part].mean())
        shadow = area < _SLIVER * total and float(np.quantile(above[part], 0.75)) < _DARK
        if area >= least and sure > 0.3 and mean > 0.75 and not shadow:
            accepted |= part
        else:
            rest += area * mean
            dark += (0.5 * area) ** 2 if shadow else 0.0
    filled, variance = _fill(accepted, probability, grid.inside, _MOST_FILLED * total)
    return filled, float(np.sqrt(_doubt(probability) + variance + dark)), rest


def _doubt(probability: np.ndarray) -> float:
    """Variance of the area from undecided pixels: those that touch are wrong together, patches apart are independent."""
    low, high = UNDECIDED
    _, labels = cv2.connectedComponents(((probability > low) & (probability < high)).astype(np.uint8), connectivity=8)
    sd = np.bincount(labels.ravel(), weights=np.sqrt(probability * (1.0 - probability)).ravel())
    return float(np.sum(sd[1:] ** 2))


def _fill(accepted: np.ndarray, probability: np.ndarray, inside: np.ndarray, most: float) -> tuple[np.ndarray, float]:
    """Small remnants that only metal and the outline enclose are reflections in it; and the variance that this adds."""
    if not accepted.any():
        return accepted, 0.0
    count, labels, stats, _ = cv2.connectedComponentsWithStats((inside & ~accepted).astype(np.uint8), connectivity=4)
    main = 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA])) if count > 1 else 0
    filled, variance = accepted.copy(), 0.0
    for label in range(1, count):
        area = float(stats[label, cv2.CC_STAT_AREA])
        if label == main or area > most:
            continue
        part = labels == label
        doubt = 1.0 - float(probability[part].mean())
        filled |= part
        variance += (0.5 * doubt * area) ** 2
    return filled, variance


def _outline_region(
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
    for contour in find_contours(np.pad(level, 1, constant_values=-6.0), 0.0):  # type: ignore[no-untyped-call]
        ring = grid.to_photo(contour[:, ::-1] - 1.0)
        if len(ring) < 8 or not np.allclose(ring[0], ring[-1]):
            continue
        if abs(_signed_area(ring)) < _LEAST_PIXELS * grid.cell_px2:
            continue
        ring = ring if _metal_on_right(ring, level, grid) else ring[::-1]
        edges.append(refine_edge(pixels, ring, reach, outline))
        (shells if _signed_area(ring) > 0 else holes).append(make_valid(Polygon(edges[-1].xy)))
    body = unary_union(shells) if shells else MultiPolygon()
    if holes:
        body = body.difference(unary_union(holes))
    return _polygons(body.intersection(outline)), tuple(edges)


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
