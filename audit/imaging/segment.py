"""Proposes which part of a tooth's outline is metal, from the photo alone; the reader has the last word."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from shapely.geometry import MultiPolygon, Polygon

from audit.core.vocabulary import DESIGNS
from audit.imaging.boundary import Edge
from audit.imaging.colour import neutral_gains, to_linear
from audit.imaging.enamel import fit_enamel, log_colour
from audit.imaging.faint_border import FAINT_REACH, beyond_faint_border
from audit.imaging.metal_decision import coherent, decide, doubt
from audit.imaging.metal_features import metal_features
from audit.imaging.metal_network import metal_log_odds
from audit.imaging.metal_region import outline_region
from audit.imaging.outline_checks import gum_colour, gum_share, holds_two_teeth
from audit.imaging.working_grid import Grid, judge_light, working_grid

__all__ = ["Look", "Proposal", "propose_metal", "settle"]

_UNLIT, _RULED_OUT = -1.0, -4.5
"""ln Y over the enamel below which a pixel may be metal that mirrors the throat; log odds below which metal is ruled out."""
_FAINT_SHARE = 0.75
"""How far from the occlusal edge a faint border is looked for, share of the height: the prior rules metal out beyond it."""
_SURE = 4.0
"""Log odds that a reader's stroke adds at least, as deep as it reaches."""


@dataclass(frozen=True)
class Look:
    """What the photo says of every pixel inside one outline, before it is decided.

    Parameters
    ----------
    grid : Grid
    linear : ndarray of float32, shape (h, w, 3)
        Balanced linear light.
    above : ndarray of float32, shape (h, w)
        ln Y over the tooth's own enamel.
    log_odds : ndarray of float32, shape (h, w)
        Of metal by colour and structure alone; -9 outside the outline.
    prior : ndarray of float32, shape (h, w)
        Log odds that the design adds.
    beyond : ndarray of bool, shape (h, w)
        What lies beyond a faint line that may be the border of white alloy which mirrors teeth.
    evidence : mapping
        What a decision rests on, plain JSON types.
    """

    grid: Grid
    linear: np.ndarray
    above: np.ndarray
    log_odds: np.ndarray
    prior: np.ndarray
    beyond: np.ndarray
    evidence: Mapping[str, Any]


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
    look : Look
        What it was decided from.
    edges : tuple of Edge
        The free boundary (not along the outline), with its uncertainty.
    undecided_sd_px2 : float
        Standard uncertainty of the area from parts that are neither surely metal nor surely not, photo pixels squared.
    rest_px2 : float
        Probability-weighted area that was not accepted, photo pixels squared.
    faint_px2 : float
        Area beyond a faint border, clear of the region, photo pixels squared.
    """

    region: MultiPolygon
    probability: np.ndarray
    hidden: np.ndarray
    look: Look
    edges: tuple[Edge, ...]
    undecided_sd_px2: float
    rest_px2: float
    faint_px2: float = 0.0

    @property
    def grid(self) -> Grid:
        """The working grid."""
        return self.look.grid

    @property
    def evidence(self) -> Mapping[str, Any]:
        """What the decision rests on, plain JSON types."""
        return self.look.evidence

    @property
    def mask(self) -> np.ndarray:
        """The proposed region on the working grid, bool (h, w)."""
        out = np.zeros(self.grid.inside.shape, dtype=np.uint8)
        for part in self.region.geoms:
            rings = [np.asarray(ring.coords) for ring in (part.exterior, *part.interiors)]
            fixed = [np.round((r - self.grid.origin_px) / self.grid.step_px * 16).astype(np.int32) for r in rings]
            cv2.fillPoly(out, fixed, 1, shift=4)
        return out.astype(bool)


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
        ``outline_too_small``, ``outline_outside``, ``greyscale``, ``overexposed``, ``underexposed``.
    """
    return settle(pixels, outline, _look(working_grid(pixels, outline), design, alloy, upper))


def _look(grid: Grid, design: str | None, alloy: str | None, upper: bool | None) -> Look:
    judge_light(grid)
    linear = to_linear(grid.pixels)
    gains = neutral_gains(linear)
    linear = linear * gains
    border = cv2.distanceTransform(grid.inside.astype(np.uint8), cv2.DIST_L2, 5)
    enamel = fit_enamel(linear, grid.inside, border)
    features = metal_features(linear, enamel, grid.inside, border, alloy)
    log_odds, prior = (np.full(grid.inside.shape, value, dtype=np.float32) for value in (-9.0, 0.0))
    log_odds[grid.inside] = metal_log_odds(features, grid.inside)
    prior[grid.inside] = _prior(grid, linear, design, upper)
    above = log_colour(linear)[0] - enamel.log_light
    beyond = _may_mirror_teeth(grid, linear, border, upper) if alloy == "white" else np.zeros_like(grid.inside)
    evidence = {
        "enamel_share": enamel.share, "gum_share": gum_share(linear, grid.inside),
        "two_teeth": holds_two_teeth(above, log_odds < 0.0, grid.inside), "gains": [float(g) for g in gains],
        "working_step_px": float(grid.step_px.mean()), "design": design, "alloy": alloy, "upper": upper,
    }  # fmt: skip
    return Look(grid, linear, above, log_odds, prior, beyond, evidence)


def settle(pixels: np.ndarray, outline: Polygon, look: Look, told: np.ndarray | None = None) -> Proposal:
    """Decide a look, with the log odds that a reader's strokes add (shape (h, w)) where there are any."""
    grid = look.grid
    smooth = coherent(look.log_odds + look.prior, look.linear, grid.inside)
    told = np.zeros_like(smooth) if told is None else told
    smooth = np.where(grid.inside, smooth + told, smooth)
    probability = np.where(grid.inside, 1.0 / (1.0 + np.exp(-np.clip(smooth, -30.0, 30.0))), 0.0).astype(np.float32)
    decided = decide(probability, grid, look.above, told > 2.0 * _SURE)
    hidden = ((look.above < _UNLIT) | (look.log_odds > _RULED_OUT)) & grid.inside & ~decided.accepted
    faint = _left_open(look.beyond, decided.accepted) & (np.abs(told) < _SURE)
    hidden = (hidden | faint) & (told > -_SURE)
    faint_px2 = float(np.count_nonzero(faint)) * grid.cell_px2
    region, edges = outline_region(pixels, decided.accepted, smooth, grid, outline)
    variance = doubt(probability, _known_border(edges, grid)) + decided.variance
    undecided = float(np.hypot(np.sqrt(variance) * grid.cell_px2, 0.5 * faint_px2))
    return Proposal(region, probability, hidden, look, edges, undecided, decided.rest * grid.cell_px2, faint_px2)


def _known_border(edges: tuple[Edge, ...], grid: Grid) -> np.ndarray:
    """Working pixels beside the border where the picture at full size shows it to less than one of them."""
    out = np.zeros(grid.inside.shape, dtype=np.uint8)
    for edge in edges:
        at = np.round((edge.xy[edge.sd_px < grid.step_px.mean()] - grid.origin_px) / grid.step_px).astype(int)
        column, row = np.clip(at, 0, np.array(out.shape[::-1]) - 1).T
        out[row, column] = 1
    return np.asarray(cv2.dilate(out, np.ones((3, 3), np.uint8)) > 0)


def _may_mirror_teeth(grid: Grid, linear: np.ndarray, border: np.ndarray, upper: bool | None) -> np.ndarray:
    """What lies beyond a faint line from the occlusal edge: the end away from the gum, else as the record says, else either."""
    above, below = _gum_beyond(grid, linear)
    ends = [above > below] if above != below else [True, False] if upper is None else [upper]
    found = [beyond_faint_border(linear, grid.inside, border, end, _FAINT_SHARE) for end in ends]
    return np.asarray(np.logical_or.reduce(found))


def _left_open(beyond: np.ndarray, accepted: np.ndarray) -> np.ndarray:
    """What lies beyond the line and clear of the metal that was found."""
    near = cv2.dilate(accepted.astype(np.uint8), np.ones((2 * int(FAINT_REACH) + 1,) * 2, np.uint8)) > 0
    return np.asarray(beyond & ~near)


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
    gum = gum_colour(linear) & ~grid.inside
    rows, columns = np.nonzero(grid.inside)
    across = slice(int(np.quantile(columns, 0.25)), int(np.quantile(columns, 0.75)) + 1)
    over, under = gum[: rows.min(), across], gum[rows.max() + 1 :, across]
    return (float(over.mean()) if over.size else 0.0), (float(under.mean()) if under.size else 0.0)
