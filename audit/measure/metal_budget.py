"""What is not known of an area or a height seen on a facial photograph, source by source.

Notes
-----
*Outline by hand.* A hand follows an edge within about 2 px (stated, no published source), and over
about a twenty-fourth of the way round its errors are one. Moving such a stretch of length l along its
normal by s changes the area by s l; the stretches are independent.

*Viewing direction.* A surface that slopes by s against the image plane shows cos(s); a camera that
stands d higher shows cos(s - d). With s and d normally distributed the relative standard deviation of
what is seen is taken by quadrature, so that it does not vanish where the slope does.

*A surface that turns.* Metal on one side of the facial surface shows more of itself to a camera that swings to that side. On a
surface that turns evenly by F to each side (a cylinder, seen along x = R sin f) a place at f shows 1 + d tan(f) of itself from d
aside, so the area changes by d times the mean of tan(f) over the metal: by d tan((F + f0) / 2) for metal from f0 to the side,
by nothing for metal that lies evenly about the middle. F = 45 degrees is stated for a molar (plane geometry; no source for F).

*Below detection.* What could be there unseen: a hairline thinner than `thin` along as much of the outline as the design may
leave bare, and every pixel that is not surely enamel. A hairline could run all along, so the extent is limited by the outline alone.
White alloy can mirror teeth; a band of it too narrow to show a border of its own (`faint_border`) is such a hairline.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter
from shapely import contains_xy
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from audit.core.annotations import Feature
from audit.core.vocabulary import DESIGNS
from audit.errors import Refused
from audit.imaging.faint_border import FAINT_REACH
from audit.imaging.metal_decision import UNDECIDED
from audit.imaging.segment import Proposal

__all__ = [
    "BEVEL_SLOPE_DEG", "FACIAL_SLOPE_DEG", "HAND_SD_PX", "K95", "LEVEL_DEG", "SPIKE_SHARES", "RegionSd", "drawn_sd", "hand_area_sd_px2",
    "pose_fraction_sd", "pose_relative_sd", "proposed_sd", "slope_of", "source_parts", "turning_sd",
]  # fmt: skip

HAND_SD_PX = 2.0
SPIKE_SHARES = (0.03, 0.12)
"""Widths of what counts as a spike, shares of the side of the outline: strictest and as reported."""
K95 = 1.959964
_STRETCHES = 24
VIEW_SD_DEG = 5.0
FACIAL_SLOPE_DEG = (10.0, 10.0)
BEVEL_SLOPE_DEG = (45.0, 10.0)
LEVEL_DEG = (0.0, 10.0)
_STEEPEST_DEG = 80.0
_TURN_DEG = 45.0
"""How far a molar's facial surface turns mesially and distally from the direction of view."""
_COMMON_PX = 0.25
_CORRELATED_STEPS = 4.0
_THINNEST_STEPS = 3.0


def hand_area_sd_px2(shape: BaseGeometry, sd_px: float = HAND_SD_PX, within: BaseGeometry | None = None) -> float:
    """Standard uncertainty of the area of a hand-drawn outline, pixels squared.

    Parameters
    ----------
    shape : Polygon or MultiPolygon
    sd_px : float
        Of the hand, along the normal.
    within : Polygon or MultiPolygon, optional
        Only the length of the outline that runs along this shape counts.
    """
    parts = [shape] if isinstance(shape, Polygon) else list(getattr(shape, "geoms", []))
    total = 0.0
    for part in parts:
        for ring in (part.exterior, *part.interiors):
            stretch = ring.length / _STRETCHES
            length = ring.length if within is None else ring.intersection(within).length
            total += length * stretch
    return sd_px * math.sqrt(total)


def pose_relative_sd(slope_deg: tuple[float, float], view_sd_deg: float = VIEW_SD_DEG) -> float:
    """Relative standard deviation of an apparent length across a sloping surface, unit 1.

    Parameters
    ----------
    slope_deg : (float, float)
        Slope of the surface against the image plane, and its standard uncertainty.
    view_sd_deg : float
        Standard deviation of the viewing direction.
    """
    ratio, weight = _seen(slope_deg, view_sd_deg)
    mean = float(np.sum(weight * ratio))
    return math.sqrt(float(np.sum(weight * (ratio - mean) ** 2)) + (mean - 1.0) ** 2)


def pose_fraction_sd(metal_deg: tuple[float, float], facial_deg: tuple[float, float], view_sd_deg: float = VIEW_SD_DEG) -> float:
    """Relative standard deviation of a share of the surface: metal and surface turn together, unit 1."""
    metal, weight = _seen(metal_deg, view_sd_deg)
    facial, _ = _seen(facial_deg, view_sd_deg)
    ratio = metal / facial
    return math.sqrt(float(np.sum(weight * (ratio - 1.0) ** 2)))


def turning_sd(x: np.ndarray, weight: np.ndarray, view_sd_deg: float = VIEW_SD_DEG) -> float:
    """Relative standard deviation of what shows of metal on a surface that turns evenly, for a camera that swings, unit 1.

    Parameters
    ----------
    x : ndarray, shape (n,)
        Places across the outline, -1 at one side and 1 at the other.
    weight : ndarray, shape (n,)
        How much metal there is at each.
    view_sd_deg : float
        Standard deviation of the viewing direction.
    """
    if not weight.sum() > 0.0:
        return 0.0
    sine = math.sin(math.radians(_TURN_DEG)) * np.clip(x, -1.0, 1.0)
    return math.radians(view_sd_deg) * abs(float(np.average(sine / np.sqrt(1.0 - sine**2), weights=weight)))


def _seen(slope_deg: tuple[float, float], view_sd_deg: float) -> tuple[np.ndarray, np.ndarray]:
    """Apparent over true-to-this-view length, cos(s - d) / cos(s), on a grid of slopes and views, and its weights."""
    node, weight = np.polynomial.hermite_e.hermegauss(15)
    weight = weight / weight.sum()
    slope = np.radians(np.clip(slope_deg[0] + slope_deg[1] * node, -_STEEPEST_DEG, _STEEPEST_DEG))[:, None]
    view = np.radians(view_sd_deg * node)[None, :]
    return np.cos(slope - view) / np.cos(slope), weight[:, None] * weight[None, :]


def source_parts(*pairs: tuple[str, float]) -> Mapping[str, float]:
    """Parts by source; those of one name are added in square."""
    out: dict[str, float] = {}
    for name, part in pairs:
        out[name] = math.hypot(out.get(name, 0.0), part)
    return out


def slope_of(feature: Feature, default: tuple[float, float]) -> tuple[float, float]:
    """Slope and its uncertainty as the reader gave them, else the stated default, degrees.

    Raises
    ------
    Refused
        ``bad_number``: no number, or an inclination that shows nothing of the surface.
    """
    slope, sd = feature.number("slope_deg"), feature.number("u_slope_deg")
    if (slope is not None and abs(slope) > _STEEPEST_DEG) or (sd is not None and not 0.0 < sd <= 45.0):
        raise Refused("bad_number", f"slope_deg of a {feature.role} must lie within {_STEEPEST_DEG:.0f} and u_slope_deg between 0 and 45; "
                      f"got {slope} and {sd}.", "Correct it in the annotation file.")  # fmt: skip
    return default if slope is None else (slope, default[1] if sd is None else sd)


@dataclass(frozen=True)
class RegionSd:
    """How well a region is known, photo pixels (and their squares), before scale and viewing direction.

    Parameters
    ----------
    area_px2, height_px, extent_px : float
        Standard uncertainty from the boundary between metal and tooth: blur, contrast, undecided parts.
    hand_area_px2, hand_px : float
        From what a hand drew: the region itself, or the outline where the region ends at it.
    limit_area_px2, limit_px, limit_extent_px : float
        What could be there unseen, 95 %.
    signed_px2 : float
        Probability-weighted area of what was not accepted as metal.
    columns : (float, float, tuple of float)
        Undecided thickness by column: x of the first, step, standard uncertainties.
    """

    area_px2: float
    height_px: float
    extent_px: float
    hand_area_px2: float
    hand_px: float
    limit_area_px2: float
    limit_px: float
    limit_extent_px: float
    signed_px2: float = 0.0
    columns: tuple[float, float, tuple[float, ...]] = (0.0, 1.0, ())

    def column_doubt_px(self, x: float) -> float:
        """Standard uncertainty of the thickness in the column at x from undecided pixels, photo pixels."""
        first, step, doubt = self.columns
        if not doubt or not math.isfinite(x):
            return 0.0
        return doubt[min(max(round((x - first) / step), 0), len(doubt) - 1)]


def drawn_sd(region: MultiPolygon, outline: Polygon) -> RegionSd:
    """Of a region that a reader drew: the hand alone. A strip thinner than the hand is steady would not have been drawn."""
    hand = HAND_SD_PX * math.sqrt(2.0)
    thin = K95 * hand
    return RegionSd(0.0, 0.0, 0.0, hand_area_sd_px2(region), hand, thin * outline.length, thin, _widest_px(outline))


def _widest_px(outline: Polygon) -> float:
    """Width of an outline and what the hand that drew it may have left out at both ends, photo pixels."""
    left, _, right, _ = outline.bounds
    return float(right - left) + K95 * HAND_SD_PX * math.sqrt(2.0)


def proposed_sd(proposal: Proposal, outline: Polygon, blur_px: float = 0.0) -> RegionSd:
    """Of a region that was proposed: its free edges, its undecided parts, and the outline where it ends there.

    `blur_px` is the photo's blur (sigma) where it is known: a line thinner than two of it is lost between its neighbours.
    """
    step = float(proposal.grid.step_px.mean())
    free, variance = 0.0, 0.0
    for edge in proposal.edges:
        near = contains_xy(outline, edge.xy[:, 0], edge.xy[:, 1])
        free += edge.spacing_px * float(np.count_nonzero(near))
        variance += float(np.sum(edge.sd_px[near] ** 2)) * edge.spacing_px * _CORRELATED_STEPS * step
    common = _COMMON_PX * free
    shared = max(0.0, proposal.region.length - free)
    sds = [e.sd_px[contains_xy(outline, e.xy[:, 0], e.xy[:, 1])] for e in proposal.edges]
    seen = np.concatenate(sds) if sds else np.zeros(0)
    local = float(np.sqrt(np.mean(seen**2))) if len(seen) else 0.0
    steps = FAINT_REACH if proposal.evidence["alloy"] == "white" else _THINNEST_STEPS
    thin = max(steps * step, 2.0, 2.0 * blur_px)
    hidden = proposal.hidden
    return RegionSd(
        math.sqrt(variance + common**2 + proposal.undecided_sd_px2**2),
        math.hypot(local, _COMMON_PX),
        math.hypot(_extent_doubt_px(proposal), math.hypot(local, _COMMON_PX)),
        HAND_SD_PX * math.sqrt(shared * outline.exterior.length / _STRETCHES),
        HAND_SD_PX,
        thin * _bare_px(proposal, outline) + float(np.count_nonzero(hidden)) * proposal.grid.cell_px2,
        thin + _longest_run(hidden) * float(proposal.grid.step_px[1]),
        _widest_px(outline),
        proposal.rest_px2,
        _column_doubt(proposal),
    )


def _bare_px(proposal: Proposal, outline: Polygon) -> float:
    """Length of the outline along which this design may show metal: all of it, or the occlusal half."""
    design = proposal.evidence["design"]
    occlusal_only = design is not None and DESIGNS[design].facial_metal == "bevel"
    return float(outline.length) * (0.5 if occlusal_only else 1.0)


def _longest_run(mask: np.ndarray) -> float:
    """Longest unbroken run of a mask in its columns, rows; runs in fewer columns than a spike is wide do not count."""
    run, longest = np.zeros(mask.shape[1]), np.zeros(mask.shape[1])
    for row in mask:
        run = np.where(row, run + 1.0, 0.0)
        longest = np.maximum(longest, run)
    spike = 2 * round(SPIKE_SHARES[0] * math.sqrt(mask.size) / 2.0) + 1
    return float(median_filter(longest, size=spike, mode="constant").max())


def _extent_doubt_px(proposal: Proposal) -> float:
    """Half of how far the region reaches if possible metal counts, and if only sure metal does, photo pixels."""
    reach = []
    for level in UNDECIDED:
        columns = np.flatnonzero((proposal.probability > level).any(axis=0))
        reach.append(float(np.ptp(columns)) if len(columns) else 0.0)
    return 0.5 * abs(reach[0] - reach[1]) * float(proposal.grid.step_px[0])


def _column_doubt(proposal: Proposal) -> tuple[float, float, tuple[float, ...]]:
    """Undecided thickness of each working column, as one run of pixels that are wrong together."""
    chance = proposal.probability
    undecided = (chance > UNDECIDED[0]) & (chance < UNDECIDED[1])
    doubt = np.where(undecided, np.sqrt(chance * (1.0 - chance)), 0.0).sum(axis=0) * float(proposal.grid.step_px[1])
    return float(proposal.grid.origin_px[0]), float(proposal.grid.step_px[0]), tuple(float(d) for d in doubt)
