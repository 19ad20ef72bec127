"""Two points of known distance: a caliper length of the tooth or casting, or any two marks of known spacing."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from audit.calibration.budget import Found, graduation_identity
from audit.core.annotations import Feature
from audit.core.clinical import KnownLength
from audit.core.quantity import source
from audit.core.records import Photo
from audit.errors import Refused

__all__ = ["read_known_length", "read_two_points"]

LANDMARK_U_PX = 1.5
"""How well a reader sets one landmark on the full-size picture, each axis; common practice, no published source."""
TWO_MARKS_U_MM = math.sqrt(2.0) * 0.1 / math.sqrt(3.0)
"""Two marks within 0.1 mm of nominal each (NIST/OJP requirement for photographic scales), rectangular."""
_LEAST_PX = 20.0


def read_known_length(photo: Photo, feature: Feature, known_lengths: Sequence[KnownLength] = ()) -> Found:
    """Scale from a length of this tooth or casting that was taken with a caliper.

    Notes
    -----
    The two landmarks lie on the tooth at an unknown inclination to the sensor, or on a radiograph to the film, which only
    ever shortens what is seen: the mean shortening is taken out of the scale and its spread is in the budget (one-sided,
    of second order).

    Raises
    ------
    Refused
        ``bad_length``, ``unknown_length``, ``length_without_uncertainty``, ``landmarks_too_close``.
    """
    name = feature.properties.get("name")
    known = next((k for k in known_lengths if k.name == name), None)
    length = feature.number("length_mm") if known is None else known.length_mm
    u = feature.number("u_mm") if known is None else known.u_mm
    if length is None:
        have = ", ".join(k.name for k in known_lengths) or "none"
        raise Refused("unknown_length", f"A known length must be named or given; got name {name!r}, this restoration has {have}.",
                      "Give length_mm and u_mm, or the name of a length stored with the restoration.")  # fmt: skip
    if u is None:
        raise Refused("length_without_uncertainty", f"A caliper length must have its uncertainty; got {length:g} mm without u_mm.",
                      "Measure it three times and give u_mm, e.g. 0.05 for a good caliper on a die.")  # fmt: skip
    given = feature.properties.get("id") if known is None else known.name
    identity = f"{given}={length:g}" if given else photo.identity
    return _found("known_length", photo, feature, length, u, source("known_length", identity), foreshortened="both")


def read_two_points(photo: Photo, feature: Feature) -> Found:
    """Scale between two marks of known spacing that the reader set by hand.

    Raises
    ------
    Refused
        ``bad_length``, ``landmarks_too_close``.
    """
    length = feature.number("length_mm")
    if length is None:
        raise Refused("bad_length", "two_points must have length_mm; got none.", "Give the distance between the two points in mm.")
    u = feature.number("u_mm")
    flags = ("length_tolerance_assumed",) if u is None else ()
    name = source("graduation", graduation_identity(photo, feature, length, 1e-3 * abs(length)))
    return _found("two_points", photo, feature, length, TWO_MARKS_U_MM if u is None else u, name, flags)


def _found(
    kind: str, photo: Photo, feature: Feature, length: float, u: float, name: str, flags: tuple[str, ...] = (), foreshortened: str = "along"
) -> Found:
    if not 0.2 <= length <= 500 or not 0 < u < 0.2 * length:
        raise Refused("bad_length", f"length_mm must lie in 0.2 to 500 and u_mm within a fifth of it; got {length:g} and {u:g}.",
                      "Check the length and its uncertainty, both in mm.")  # fmt: skip
    ends = _ends(feature, kind)
    dx, dy = ends[1] - ends[0]
    distance = math.hypot(dx, dy)
    if distance < _LEAST_PX:
        raise Refused("landmarks_too_close", f"Landmarks must be at least {_LEAST_PX:.0f} px apart; got {distance:.0f} px.",
                      "Use a longer length, or photograph the tooth larger.")  # fmt: skip
    middle = ends.mean(axis=0)
    return Found(
        kind, f"{kind}@2", length / distance,
        {name: u / length, source("landmark", photo.identity): math.sqrt(2.0) * LANDMARK_U_PX / distance},
        (float(middle[0]), float(middle[1])), math.degrees(math.atan2(dy, dx)) % 180.0, foreshortened, flags=flags,
        evidence={"line_xy": [[float(c) for c in end] for end in ends], "length_mm": length, "length_px": distance},
    )  # fmt: skip


def _ends(feature: Feature, kind: str) -> np.ndarray:
    geometry = feature.geometry
    if geometry is not None and geometry.geom_type == "LineString":
        return feature.xy[[0, -1]]
    if geometry is not None and geometry.geom_type == "MultiPoint" and len(geometry.geoms) == 2:
        return np.array([[point.x, point.y] for point in geometry.geoms])
    raise Refused("bad_geometry", f"{kind} must be marked by a line between two points; got another shape or none.",
                  "Draw a line from one landmark to the other.")  # fmt: skip
