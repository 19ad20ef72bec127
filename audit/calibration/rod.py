"""A cylinder of known diameter across the view: its two silhouette edges, in linear light."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from audit.calibration.budget import Found, object_distance
from audit.core.annotations import Feature
from audit.core.quantity import Quantity, source
from audit.core.records import Photo
from audit.errors import Refused
from audit.imaging.colour import luminance
from audit.imaging.edges import EdgeLine, edge_line
from audit.imaging.sample import sample_linear
from audit.imaging.strip import Strip

__all__ = ["read_rod"]

DIAMETER_U_MM = 0.02
"""Standard uncertainty of a nominal diameter that was not measured; common practice, no published source."""
LIMB_U_PX = 0.1
"""How far shading beside the limb of a bright cylinder may draw one edge; from drawn scenes."""
_LEAST_PX = 8.0
_PARALLEL_DEG = 3.0
_WORST = 0.015  # relative uncertainty of the width beyond which a scale is refused


@dataclass(frozen=True)
class _Shaft:
    """A first idea of the shaft: frame across it (`s` across, `t` along), rough width and the length to use, pixels."""

    strip: Strip
    width: float
    length: float
    marked: bool


def read_rod(pixels: np.ndarray, photo: Photo, feature: Feature) -> Found:
    """Scale from the diameter of a cylinder.

    Parameters
    ----------
    pixels : ndarray, shape (height, width) or (height, width, 3)
    photo : Photo
    feature : Feature
        Two lines along the edges, a Polygon round a piece of the shaft, or a LineString across it from edge to edge.

    Notes
    -----
    Foreshortening along the axis leaves a diameter alone. A silhouette that lies aside of the optical axis by
    ``x`` object distances is wider by ``sqrt(1 + x^2)`` on a flat sensor; that is taken out.

    Raises
    ------
    Refused
        ``bad_length``, ``reference_not_marked``, ``rod_edges_not_found``, ``rod_edges_not_parallel``, ``landmarks_too_close``.
    """
    diameter, u = feature.number("diameter_mm"), feature.number("u_mm")
    if diameter is None or not 0.1 <= diameter <= 50 or (u is not None and not 0 < u < 0.2 * diameter):
        raise Refused("bad_length", f"diameter_mm must lie between 0.1 and 50 and u_mm above 0; got {diameter} and {u}.",
                      "Measure the shaft with a micrometer and give diameter_mm and u_mm.")  # fmt: skip
    shaft = _shaft(pixels, feature)
    if shaft.width < _LEAST_PX:
        raise Refused("landmarks_too_close", f"A rod must be at least {_LEAST_PX:.0f} px wide; got {shaft.width:.0f} px.",
                      "Photograph it larger, or use a thicker rod.")  # fmt: skip
    low, high = _edges(pixels, shaft)
    return _found(photo, feature, diameter, u, shaft, low, high)


def _shaft(pixels: np.ndarray, feature: Feature) -> _Shaft:
    geometry = feature.geometry
    kind = None if geometry is None else geometry.geom_type
    if geometry is not None and kind == "MultiLineString" and len(geometry.geoms) == 2:
        return _between(*(np.asarray(line.coords)[[0, -1], :2] for line in geometry.geoms))
    if geometry is not None and kind == "Polygon":
        corners = np.asarray(geometry.minimum_rotated_rectangle.exterior.coords)[:4, :2]
        if np.hypot(*(corners[1] - corners[0])) < np.hypot(*(corners[2] - corners[1])):
            corners = np.roll(corners, 1, axis=0)
        return _between(corners[[0, 1]], corners[[3, 2]])
    if kind == "LineString":
        return _across(pixels, feature.xy[[0, -1]])
    raise Refused("reference_not_marked", "A rod must be marked by its two edges, an outline or a line across it; got nothing that tells.",
                  "Draw a line across the shaft from edge to edge, or a line along each edge.")  # fmt: skip


def _between(a: np.ndarray, b: np.ndarray) -> _Shaft:
    """The frame across a shaft between two lines along its edges."""
    if np.dot(a[1] - a[0], b[1] - b[0]) < 0:
        b = b[::-1]
    axis = (a[1] - a[0]) / np.hypot(*(a[1] - a[0])) + (b[1] - b[0]) / np.hypot(*(b[1] - b[0]))
    axis = axis / np.hypot(*axis)
    across = np.array([axis[1], -axis[0]])
    centre = (a.mean(axis=0) + b.mean(axis=0)) / 2
    width = abs(float(np.dot(a.mean(axis=0) - b.mean(axis=0), across)))
    length = 0.9 * min(abs(float(np.dot(line[1] - line[0], axis))) for line in (a, b))
    return _Shaft(Strip(float(centre[0]), float(centre[1]), math.atan2(across[1], across[0])), width, length, True)


def _across(pixels: np.ndarray, line: np.ndarray) -> _Shaft:
    """The frame across a shaft that a line crosses from edge to edge: clear edges near its ends, and how they run."""
    length = float(np.hypot(*(line[1] - line[0])))
    centre = line.mean(axis=0)
    strip = Strip(float(centre[0]), float(centre[1]), math.atan2(line[1, 1] - line[0, 1], line[1, 0] - line[0, 0]))
    reach = float(np.clip(0.08 * length, 6.0, 9.0))
    half = 4.0
    ends = (-length / 2, length / 2)
    for turn in range(4):
        half = max((0.15, 0.25, 0.35, 0.5)[turn] * length, 6.0)
        t = np.linspace(-half, half, max(9, int(2 * half)))
        found = [_outermost(pixels, strip, end, reach, t, side) for end, side in zip(ends, (-1, 1))]
        if any(edge is None for edge in found):
            raise _unclear("an end of the line without one")
        low, high = (edge for edge in found if edge is not None)
        lean = math.atan((low[1] + high[1]) / 2)
        strip = strip.moved((low[0] + high[0]) / 2, 0.0)
        strip = Strip(strip.x, strip.y, strip.angle - lean)
        width = (high[0] - low[0]) * math.cos(lean)
        ends = (-width / 2, width / 2)
    drawn = ((line - np.array([strip.x, strip.y])) @ np.array([math.cos(strip.angle), math.sin(strip.angle)])).tolist()
    if max(abs(drawn[0] + width / 2), abs(drawn[1] - width / 2)) > 1.2 * reach:
        raise _unclear("edges that run away from the ends of the line")
    return _Shaft(strip, width, 2 * half, False)


def _unclear(what: str) -> Refused:
    return Refused("rod_edges_not_found", f"Both edges of the rod must be clear, straight and where they were marked; got {what}.",
                   "Choose a dry, evenly lit stretch against a plain ground, and draw a line along each edge.")  # fmt: skip


def _outermost(pixels: np.ndarray, strip: Strip, end: float, reach: float, t: np.ndarray, side: int) -> tuple[float, float] | None:
    """Place at ``t = 0`` and slope of the outermost clear edge near one end of a line."""
    s = np.arange(-1.3 * reach, 1.3 * reach + 0.25, 0.5)
    values = _light(pixels, strip.moved(end, 0.0), s, t)
    if not np.isfinite(values).all():
        return None
    edge = edge_line(values, s, t, reach, side)
    return None if edge is None else (end + edge.place, edge.slope)


def _light(pixels: np.ndarray, strip: Strip, s: np.ndarray, t: np.ndarray) -> np.ndarray:
    return luminance(sample_linear(pixels, strip.image(s[None, :], t[:, None]), cubic=True))


def _edges(pixels: np.ndarray, shaft: _Shaft) -> tuple[EdgeLine, EdgeLine]:
    """The two edges of the shaft, each in the frame of the shaft."""
    reach = float(np.clip(0.1 * shaft.width, 6.0, 9.0))
    rows = int(np.clip(shaft.length, 8, 400))
    t = np.linspace(-shaft.length / 2, shaft.length / 2, rows)
    s = np.arange(-1.6 * reach, 1.6 * reach + 0.25, 0.5)
    found = []
    for side in (-1, 1):
        values = _light(pixels, shaft.strip.moved(side * shaft.width / 2, 0.0), s, t)
        edge = edge_line(values, s, t, reach, side) if np.isfinite(values).all() else None
        if edge is None or edge.rms_px > 1.0:
            raise _unclear("one that is not")
        found.append(edge)
    low, high = found
    if not 0.5 < low.sigma_px / high.sigma_px < 2.0:
        raise _unclear(f"one blurred by {low.sigma_px:.1f} px and one by {high.sigma_px:.1f} px, so one is a reflection")
    return low, high


def _found(photo: Photo, feature: Feature, diameter: float, u: float | None, shaft: _Shaft, low: EdgeLine, high: EdgeLine) -> Found:
    apart = math.degrees(abs(math.atan(high.slope) - math.atan(low.slope)))
    if apart > _PARALLEL_DEG:
        raise Refused("rod_edges_not_parallel", f"The edges of a rod must be parallel; got {apart:.1f} degrees between them.",
                      "Mark a cylindrical stretch, not a taper.")  # fmt: skip
    lean = (low.slope + high.slope) / 2
    width = (shaft.width + high.place - low.place) / math.sqrt(1 + lean**2)
    boundary = _boundary(low, high) / width
    if boundary > _WORST:
        raise _unclear(f"edges that leave the width uncertain by {boundary:.1%}")
    rough = diameter / width
    middle = shaft.strip.image(np.float64((high.place + low.place) / 2), np.float64(0.0))
    across = shaft.strip.angle - math.atan(lean)
    aside = ((middle[0] - (photo.width_px - 1) / 2) * math.cos(across) + (middle[1] - (photo.height_px - 1) / 2) * math.sin(across)) * rough
    wider = math.sqrt(1 + (aside / object_distance(photo, rough).distance_mm) ** 2)
    given = DIAMETER_U_MM if u is None else u
    parts = {
        source("diameter", str(feature.properties.get("id") or photo.identity)): given / diameter,
        source("boundary", f"{photo.identity}:rod"): boundary,
    }
    sigma, u_sigma = (low.sigma_px + high.sigma_px) / 2, math.hypot(low.u_sigma_px, high.u_sigma_px) / 2
    spread = max(u_sigma, abs(low.sigma_px - high.sigma_px) / 2, 0.05 * sigma)
    return Found(
        "rod", "rod_silhouette@1", rough * wider, parts, (float(middle[0]), float(middle[1])),
        math.degrees(across + math.pi / 2) % 180.0, "no", blur=Quantity(sigma, "px", {source("blur", photo.identity): spread}),
        flags=("diameter_tolerance_assumed",) if u is None else (), evidence=_evidence(shaft, low, high, width),
    )  # fmt: skip


def _boundary(low: EdgeLine, high: EdgeLine) -> float:
    """Standard uncertainty of the width, pixels: scatter, shading of the limb, and edges that are not equally sharp."""
    return math.hypot(low.u_place, high.u_place, math.sqrt(2.0) * LIMB_U_PX, 0.5 * abs(low.sigma_px - high.sigma_px))


def _evidence(shaft: _Shaft, low: EdgeLine, high: EdgeLine, width: float) -> dict[str, object]:
    t = np.array([-0.5, 0.5]) * shaft.length
    edges = [
        shaft.strip.image(side * shaft.width / 2 + edge.place + edge.slope * t, t).round(3).tolist()
        for side, edge in ((-1, low), (1, high))
    ]
    return {"edges_xy": edges, "width_px": width, "residual_rms_px": max(low.rms_px, high.rms_px), "marked_by_edges": shaft.marked}
