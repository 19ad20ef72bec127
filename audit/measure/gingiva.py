"""Measures how far a restoration margin stands from the gingival margin, as projected in this photo.

Notes
-----
Every point of the traced margin looks at its nearest point of the gingival line. It faces the gingiva
if that point is not an end of the line, if no other part of the margin is markedly nearer to it, and if
it looks across the margin and not along it (within 30 degrees of the normal: a finish line that runs up
the tooth leads away from the gingiva and does not face it, however far the gingiva has receded). A stretch
1.5 mm farther away than the nearest quarter (the bevel over an uncovered cusp) is not part of it.
The reading is the mean of the distances over the facing part, weighted by its length.

Sign: positive where the margin is supragingival, on the tooth's side of the gingival line, negative beyond it
(flags ``partly_subgingival``, ``subgingival``). On which side the tooth lies the outline of its surface says, else the colour of
the two sides (`gingival_side`). Where neither can tell, the side of most of the facing margin is assumed: ``side_assumed``. The
distance is projected: along the surface of a tooth inclined by s to the picture it is 1/cos(s) longer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry import LineString

from audit.core.annotations import Annotations
from audit.core.quantity import Quantity, source
from audit.core.records import Calibration, Photo, Reading, Refusal
from audit.imaging.sample import arc_length_px, resample_polyline
from audit.measure.gingival_side import side_of, tooth_side

__all__ = ["measure_gingiva"]

MEASURAND = "margin_to_gingiva"
METHOD = "margin_to_gingiva@2"
U_TRACE_PX = 2.0
"""How far a hand trace lies off, and over which length it does so in one direction; common practice, no published source."""
TRACE_CORRELATION_PX = 25.0
U_READER_PX = 1.0
"""Where a reader sets the edge of a soft, shining gingiva, the same along the whole line; common practice, no published source."""
U_POSE = 0.03
SHORTEST_MM = 0.5
STEP_PX = 3.0
_MARKEDLY = 1.25
_ACROSS = 0.7
BEYOND_MM = 1.5


@dataclass(frozen=True)
class _Facing:
    """Distances of the facing part of the margin: shape (n,) in px, signed; the vectors; and its length in px."""

    distance_px: np.ndarray
    vector: np.ndarray
    margin_xy: np.ndarray
    gingiva_xy: np.ndarray
    length_px: float


def measure_gingiva(
    pixels: np.ndarray, photo: Photo, calibration: Calibration | None, annotations: Annotations,
) -> tuple[list[Reading], list[Refusal]]:  # fmt: skip
    """Distance from the gingival margin to the restoration margin.

    Parameters
    ----------
    pixels : ndarray, shape (height, width, 3) or (height, width)
        Only the colour beside the gingival line is looked at, to tell the tooth's side.
    photo : Photo
    calibration : Calibration or None
    annotations : Annotations
        Features of role ``margin`` and ``gingival_margin``; none of the latter gives nothing.
    """
    margins = [f.xy for f in annotations.all("margin") if f.geometry is not None]
    gingivae = [f for f in annotations.all("gingival_margin")]
    if not gingivae:
        return [], []
    refusal = _refusal(margins, gingivae[0].geometry is not None, calibration)
    if refusal is not None or calibration is None:
        return [], [refusal] if refusal is not None else []
    tooth = tooth_side(pixels, gingivae[0], annotations)
    faces = _facing(margins, gingivae[0].xy, BEYOND_MM / calibration.mm_per_px.value, tooth)
    if faces is None or faces.length_px * calibration.mm_per_px.value < SHORTEST_MM:
        return [], [Refusal(MEASURAND, "does_not_face", f"margin must face the gingival line over {SHORTEST_MM} mm; got less.",
                            "Trace the margin and the gingival line beside each other.")]  # fmt: skip
    return [_reading(faces, photo, calibration, annotations.reader or photo.identity, tooth is None)], []


def _refusal(margins: list[np.ndarray], line_drawn: bool, calibration: Calibration | None) -> Refusal | None:
    if not line_drawn:
        return Refusal(MEASURAND, "no_gingival_margin", "gingival_margin must be traced; got a feature without a line.",
                       "Trace the gingival margin on the photo.")  # fmt: skip
    if not margins:
        return Refusal(MEASURAND, "no_margin", "margin must be traced beside the gingival margin; got none.", "Trace the margin too.")
    if calibration is None:
        return Refusal(MEASURAND, "no_reference", "margin_to_gingiva must have a reference in the same photo; got none.",
                       "Put a rule, a probe or a bur shank beside the tooth, or give a known length of this tooth.")  # fmt: skip
    return None


def _facing(margins: list[np.ndarray], gingiva_xy: np.ndarray, beyond_px: float, tooth: float | None) -> _Facing | None:
    """The part of the margins that faces the gingival line; signed by the tooth's side, else by the greater part's."""
    gingiva = LineString(gingiva_xy)
    lines = [LineString(xy) for xy in margins]
    shapely.prepare(lines)
    pieces = [resample_polyline(xy, STEP_PX) for xy in margins]
    points = np.concatenate(pieces)
    normal = np.concatenate([_normals(piece) for piece in pieces])
    at = shapely.line_locate_point(gingiva, shapely.points(points))
    nearest = shapely.get_coordinates(shapely.line_interpolate_point(gingiva, at))
    vector = points - nearest
    distance = np.hypot(vector[:, 0], vector[:, 1])
    least = np.min([shapely.distance(line, shapely.points(nearest)) for line in lines], axis=0)
    inside = (at > 1e-6) & (at < gingiva.length - 1e-6)
    across = np.abs((vector * normal).sum(axis=1)) >= _ACROSS * distance
    facing = inside & (distance <= _MARKEDLY * least + 2.0) & (across | (distance < U_TRACE_PX))
    if facing.any():
        facing &= distance <= np.quantile(distance[facing], 0.25) + beyond_px
    if facing.sum() < 2:
        return None
    side = side_of(gingiva_xy, at, vector)
    if tooth is None:
        tooth = 1.0 if side[facing].sum() >= 0 else -1.0
    signed = distance * np.where(side == 0, 1.0, side * tooth)
    step = sum(float(arc_length_px(xy)[-1]) for xy in margins) / len(points)
    return _Facing(signed[facing], vector[facing], points[facing], nearest[facing], step * float(facing.sum()))


def _normals(xy: np.ndarray) -> np.ndarray:
    """Unit normals of a line with a point every `STEP_PX`, shape (n, 2), its direction averaged over the length of a hand's wander."""
    at = np.arange(len(xy))
    half = TRACE_CORRELATION_PX / 2 / STEP_PX
    ahead, behind = np.minimum(at + half, at[-1]), np.maximum(at - half, 0.0)
    along = np.stack([np.interp(ahead, at, xy[:, k]) - np.interp(behind, at, xy[:, k]) for k in (0, 1)], axis=1)
    along /= np.maximum(np.hypot(along[:, 0], along[:, 1]), 1e-9)[:, None]
    return np.stack([-along[:, 1], along[:, 0]], axis=1)


def _reading(faces: _Facing, photo: Photo, calibration: Calibration, reader: str, assumed: bool) -> Reading:
    long = np.abs(faces.distance_px) > 0.5
    angle = np.arctan2(faces.vector[:, 1], faces.vector[:, 0])
    double = np.exp(2j * angle[long]).mean() if long.any() else 1.0
    direction = float(np.degrees(np.angle(double) / 2) % 180.0)
    turn = angle - np.radians(calibration.direction_deg)
    scale = np.hypot(np.cos(turn) * calibration.mm_per_px.value, np.sin(turn) * calibration.mm_per_px_across.value)
    distance_mm = faces.distance_px * scale
    value = float(distance_mm.mean())
    mm_per_px = float(scale.mean())
    stretches = max(1.0, faces.length_px / TRACE_CORRELATION_PX)
    parts = {name: part * value for name, part in calibration.scale(direction).relative_parts.items()}
    parts[source("trace", f"{reader}/{photo.identity}")] = U_TRACE_PX * mm_per_px * (2.0 / stretches) ** 0.5
    parts[source("boundary", f"{photo.identity}:gingiva")] = U_READER_PX * mm_per_px
    parts[source("pose", photo.identity)] = U_POSE * value
    below = float((distance_mm < 0).mean())
    depth = ("subgingival",) if below == 1.0 else ("partly_subgingival",) if below > 0 else ()
    flags = ("projected", *depth, *(("side_assumed",) if assumed else ()))
    sparse = slice(None, None, max(1, len(distance_mm) // 60))
    details = {
        "least_mm": float(distance_mm.min()), "greatest_mm": float(distance_mm.max()), "share_subgingival": below,
        "facing_mm": faces.length_px * mm_per_px, "profile_mm": [round(float(d), 3) for d in distance_mm[sparse]],
        "margin_px": faces.margin_xy[sparse].round(1).tolist(), "gingiva_px": faces.gingiva_xy[sparse].round(1).tolist(),
    }  # fmt: skip
    return Reading.measured(MEASURAND, Quantity(value, "mm", parts), METHOD, flags=flags, details=details, non_negative=False)
