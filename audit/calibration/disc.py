"""A flat disc on a photograph, a ball on a radiograph: its diameter along the axis that inclination leaves alone."""

from __future__ import annotations

import math

import numpy as np

from audit.calibration.budget import Found, object_distance
from audit.core.annotations import Feature
from audit.core.quantity import Quantity, source
from audit.core.records import Photo
from audit.errors import Refused
from audit.imaging.ellipse import Ellipse, fit_ellipse

__all__ = ["ball_axes_px", "read_disc"]

DIAMETER_U_MM = 0.05
"""Standard uncertainty of a diameter that was not measured; common practice, no published source: printed and punched discs
are off their nominal size more often than rules are."""
TONE_U = 0.055
"""How far a tone curve whose exponent is off by 8 % draws a soft edge, in units of its blur; from drawn scenes."""
RADIOGRAPH_TONE_U = 0.3
"""The same on a radiograph whose grey curve is unknown."""
_LEAST_PX = 16.0
_WORST = 0.015
_LEAST_SEEN = 0.6


def read_disc(pixels: np.ndarray, photo: Photo, feature: Feature) -> Found:
    """Scale from the outline of a disc of known diameter.

    Parameters
    ----------
    pixels : ndarray, shape (height, width) or (height, width, 3)
    photo : Photo
    feature : Feature
        A Polygon round the disc; `diameter_mm`, `u_mm`.

    Notes
    -----
    A flat disc inclined by t is an ellipse whose longer axis is parallel to the sensor and whose shorter one is cos t of it. On a
    radiograph a ball is meant: it has no inclination, an oblique film only stretches its shadow, so the shorter axis counts,
    and the scale is that of its own depth from the focal spot. The longer of two noisy axes is too long by chance:
    twice the variance of the stretch is taken off its square.

    Raises
    ------
    Refused
        ``bad_length``, ``reference_not_marked``, ``disc_edge_not_found``, ``landmarks_too_close``.
    """
    diameter, given = feature.number("diameter_mm"), feature.number("u_mm")
    if diameter is None or not 0.2 <= diameter <= 100 or (given is not None and not 0 < given < 0.2 * diameter):
        raise Refused("bad_length", f"diameter_mm must lie between 0.2 and 100 and u_mm above 0; got {diameter} and {given}.",
                      "Measure the disc or ball with a caliper and give diameter_mm and u_mm.")  # fmt: skip
    if feature.geometry is None or feature.geometry.geom_type != "Polygon":
        raise Refused("reference_not_marked", "A disc must be marked by an outline round it; got none.", "Draw a polygon along its edge.")
    ellipse = fit_ellipse(pixels, feature.xy[:-1])
    if ellipse is None or ellipse.seen < _LEAST_SEEN or ellipse.rms_px > max(0.6, 0.03 * ellipse.radius):
        raise _unclear("an edge that is hidden, broken or not an ellipse")
    if 2 * ellipse.radius < _LEAST_PX:
        raise Refused("landmarks_too_close", f"A disc must be at least {_LEAST_PX:.0f} px wide; got {2 * ellipse.radius:.0f} px.",
                      "Photograph it larger, or use a larger disc.")  # fmt: skip
    return _found(photo, feature, ellipse, diameter, DIAMETER_U_MM if given is None else given, given is None)


def _unclear(what: str) -> Refused:
    return Refused("disc_edge_not_found", f"The edge of the disc must be clear all round, near where it was marked; got {what}.",
                   "Choose a plain ground, and draw the outline along the edge.")  # fmt: skip


def ball_axes_px(radius_mm: float, distance_mm: float, aside: float, focal_px: float) -> tuple[float, float]:
    """Semi-axes of a ball's outline in perspective, longer and shorter, pixels; `aside` is the tangent of its angle off the axis.

    Notes
    -----
    The rays that touch the ball form a cone of half angle a with ``sin a = radius / distance``; a plane cuts it in an
    ellipse: ``f sin a cos a / (cos^2 b - sin^2 a)`` and ``f sin a / sqrt(cos^2 b - sin^2 a)`` for a ball at angle b off the axis.
    """
    sin_a = radius_mm / distance_mm
    cos_b2 = 1.0 / (1.0 + aside**2)
    return focal_px * sin_a * math.sqrt(1 - sin_a**2) / (cos_b2 - sin_a**2), focal_px * sin_a / math.sqrt(cos_b2 - sin_a**2)


def _found(photo: Photo, feature: Feature, ellipse: Ellipse, diameter: float, u: float, assumed: bool) -> Found:
    ball = photo.modality == "radiograph"
    stretch = math.sqrt(max(ellipse.stretch[0] ** 2 + ellipse.stretch[1] ** 2 - 2 * ellipse.u_stretch**2, 0.0))
    semi = ellipse.radius * (1 - stretch if ball else 1 + stretch)
    boundary, tone = (
        math.hypot(ellipse.u_radius / semi, ellipse.u_stretch),
        (RADIOGRAPH_TONE_U if ball else TONE_U) * ellipse.sigma_px / semi,
    )
    if math.hypot(boundary, tone) > _WORST:
        raise _unclear(f"one that leaves the diameter uncertain by {math.hypot(boundary, tone):.1%}")
    scale = diameter / (2 * semi)
    if ball:
        scale *= _wider(photo, ellipse, scale)
    blur = Quantity(ellipse.sigma_px, "px", {source("blur", photo.identity): max(0.08 * ellipse.sigma_px, 0.05)})
    parts = {
        source("diameter", str(feature.properties.get("id") or photo.identity)): u / diameter,
        source("boundary", photo.identity): boundary,
        source("tone", photo.identity): tone,
    }
    tilt, u_tilt = _inclination(stretch, ellipse.u_stretch)
    return Found(
        "disc", "disc_ellipse@1", scale,
        parts,
        (ellipse.x, ellipse.y), math.degrees(0.5 * math.atan2(ellipse.stretch[1], ellipse.stretch[0])) + (90.0 if ball else 0.0), "no",
        blur=blur, flags=("diameter_tolerance_assumed",) if assumed else (),
        evidence={
            "outlines_xy": [ellipse.outline().round(2).tolist()], "width_px": 2 * semi, "residual_rms_px": ellipse.rms_px,
            **({} if ball else {"inclination_deg": tilt, "u_inclination_deg": u_tilt}),
        },
    )  # fmt: skip


def _wider(photo: Photo, ellipse: Ellipse, scale: float) -> float:
    """By how much the shorter axis of a ball's shadow aside of the axis is longer than that of one on it."""
    distance = object_distance(photo, scale).distance_mm
    aside = math.hypot(ellipse.x - (photo.width_px - 1) / 2, ellipse.y - (photo.height_px - 1) / 2) * scale / distance
    radius = ellipse.radius * scale
    return ball_axes_px(radius, distance, aside, 1.0)[1] / (radius / distance)


def _inclination(stretch: float, u: float) -> tuple[float, float]:
    """Inclination of a flat disc from its axes, degrees, and its uncertainty; its sign cannot be told."""

    def angle(e: float) -> float:
        return math.degrees(math.acos(min(max((1 - e) / (1 + e), 0.0), 1.0)))

    return angle(stretch), (angle(stretch + u) - angle(max(stretch - u, 0.0))) / 2
