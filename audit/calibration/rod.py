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
from audit.imaging.edges import EdgeLine, edge_line, edge_places
from audit.imaging.marks import Strip
from audit.imaging.sample import sample_linear

__all__ = ["read_rod"]

DIAMETER_U_MM = 0.02
"""Standard uncertainty of a nominal diameter that was not measured; common practice, no published source."""
_LEAST_PX = 8.0
_PARALLEL_DEG = 3.0


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
        Two lines along the edges, a Polygon round a piece of the shaft, or a LineString across it.

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
                  "Draw a line across the shaft, beginning and ending a little outside it.")  # fmt: skip


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
    """The frame across a shaft that a line crosses: outermost clear edges, the way they run followed."""
    length = float(np.hypot(*(line[1] - line[0])))
    centre = line.mean(axis=0)
    strip = Strip(float(centre[0]), float(centre[1]), math.atan2(line[1, 1] - line[0, 1], line[1, 0] - line[0, 0]))
    width = 0.6 * length
    for _ in range(4):
        half = max(0.3 * width, 4.0)
        s, t = np.arange(-length / 2, length / 2 + 0.25, 0.5), np.arange(-half, half + 0.5, 1.0)
        slope = np.abs(np.nan_to_num(edge_places(_light(pixels, strip, s, t), 0.5)))
        outer = [_outermost(slope[np.abs(t - at) <= half / 3].mean(axis=0), s) for at in (-2 * half / 3, 0.0, 2 * half / 3)]
        if any(pair is None for pair in outer):
            break
        pairs = np.array([pair for pair in outer if pair is not None])
        turn = math.atan(float(np.mean(pairs[2] - pairs[0])) / (4 * half / 3))
        width = float(pairs[1, 1] - pairs[1, 0]) * math.cos(turn)
        moved = strip.moved(float(pairs[1].mean()), 0.0)
        strip = Strip(moved.x, moved.y, strip.angle - turn)
        length = min(length, 1.5 * width + 12.0)
        if abs(turn) < 2e-3:
            break
    return _Shaft(strip, width, 1.2 * width, False)


def _outermost(slope: np.ndarray, s: np.ndarray) -> tuple[float, float] | None:
    """First clear edge met from either end."""
    middle = len(s) // 2
    if slope.max() < 0.004:
        return None
    found = []
    for part, places in ((slope[:middle], s[:middle]), (slope[middle:][::-1], s[middle:][::-1])):
        above = np.flatnonzero(part > 0.4 * part.max())
        first = int(above[0])
        while first + 1 < len(part) and part[first + 1] > part[first]:
            first += 1
        found.append(float(places[first]))
    return found[0], found[1]


def _light(pixels: np.ndarray, strip: Strip, s: np.ndarray, t: np.ndarray) -> np.ndarray:
    return luminance(sample_linear(pixels, strip.image(s[None, :], t[:, None]), cubic=True))


def _edges(pixels: np.ndarray, shaft: _Shaft) -> tuple[EdgeLine, EdgeLine]:
    """The two edges of the shaft, each in the frame of the shaft."""
    reach = float(np.clip(0.2 * shaft.width, 4.0, 14.0))
    rows = int(np.clip(shaft.length, 8, 400))
    t = np.linspace(-shaft.length / 2, shaft.length / 2, rows)
    s = np.arange(-1.6 * reach, 1.6 * reach + 0.25, 0.5)
    found = []
    for side in (-1, 1):
        values = _light(pixels, shaft.strip.moved(side * shaft.width / 2, 0.0), s, t)
        fits = [] if not np.isfinite(values).all() else [edge_line(values, s, t, sign, reach) for sign in (1, -1)]
        strong = [_strength(values, s, sign, reach) for sign in (1, -1)]
        fit = fits[int(np.argmax(strong))] if fits else None
        if fit is None or fit.rms_px > 1.5:
            raise Refused("rod_edges_not_found", "Both edges of the rod must be clear and straight; got one that is not.",
                          "Choose a dry, evenly lit stretch of the shaft against a plain ground.")  # fmt: skip
        found.append(fit)
    return found[0], found[1]


def _strength(values: np.ndarray, s: np.ndarray, sign: int, reach: float) -> float:
    return float(np.median((sign * edge_places(values, 0.5))[:, np.abs(s) <= reach].max(axis=1)))


def _found(photo: Photo, feature: Feature, diameter: float, u: float | None, shaft: _Shaft, low: EdgeLine, high: EdgeLine) -> Found:
    apart = math.degrees(abs(math.atan(high.slope) - math.atan(low.slope)))
    if apart > _PARALLEL_DEG:
        raise Refused("rod_edges_not_parallel", f"The edges of a rod must be parallel; got {apart:.1f} degrees between them.",
                      "Mark a cylindrical stretch, not a taper.")  # fmt: skip
    lean = (low.slope + high.slope) / 2
    width = (shaft.width + high.place - low.place) / math.sqrt(1 + lean**2)
    rough = diameter / width
    middle = shaft.strip.image(np.float64((high.place + low.place) / 2), np.float64(0.0))
    across = shaft.strip.angle - math.atan(lean)
    aside = ((middle[0] - (photo.width_px - 1) / 2) * math.cos(across) + (middle[1] - (photo.height_px - 1) / 2) * math.sin(across)) * rough
    wider = math.sqrt(1 + (aside / object_distance(photo, rough).distance_mm) ** 2)
    given = DIAMETER_U_MM if u is None else u
    parts = {
        source("diameter", str(feature.properties.get("id") or photo.identity)): given / diameter,
        source("boundary", photo.identity): math.hypot(low.u_place, high.u_place) / width,
    }
    sigma, u_sigma = (low.sigma_px + high.sigma_px) / 2, math.hypot(low.u_sigma_px, high.u_sigma_px) / 2
    spread = max(u_sigma, abs(low.sigma_px - high.sigma_px) / 2, 0.05 * sigma)
    return Found(
        "rod", "rod_silhouette@1", rough * wider, parts, (float(middle[0]), float(middle[1])),
        math.degrees(across + math.pi / 2) % 180.0, "no", blur=Quantity(sigma, "px", {source("blur", photo.identity): spread}),
        flags=("diameter_tolerance_assumed",) if u is None else (), evidence=_evidence(shaft, low, high, width),
    )  # fmt: skip


def _evidence(shaft: _Shaft, low: EdgeLine, high: EdgeLine, width: float) -> dict[str, object]:
    t = np.array([-0.5, 0.5]) * shaft.length
    edges = [
        shaft.strip.image(side * shaft.width / 2 + edge.place + edge.slope * t, t).round(3).tolist()
        for side, edge in ((-1, low), (1, high))
    ]
    return {"edges_xy": edges, "width_px": width, "residual_rms_px": max(low.rms_px, high.rms_px), "marked_by_edges": shaft.marked}
