"""From the scale along a reference to the scale at the tooth: depth, inclination and lens, with their uncertainty.

Two scales are told. Along the reference: what anybody reads off its marks as it lies, moved to the depth of the tooth.
Across: that of the plane through the tooth parallel to the sensor (or film), where a reference that leans along itself is
taken as longer than it looks, by what it shows of its inclination; what the photo projects is measured with it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from audit.core.annotations import Feature
from audit.core.quantity import Quantity, source
from audit.core.records import Calibration, Photo
from audit.errors import Refused

__all__ = [
    "DISTORTION_U", "FILM_TILT_PRIOR_DEG", "SHOWN_TILT_PRIOR_DEG", "TILT_PRIOR_DEG", "Depth", "Found", "Inclination", "calibrated",
    "graduation_identity", "inclination", "object_distance", "scale_error_per_mm",
]  # fmt: skip

TILT_PRIOR_DEG = 7.0
"""Standard deviation of the inclination of a hand-held reference; common practice, no published source."""
SHOWN_TILT_PRIOR_DEG = 12.0
"""The same of one that shows its inclination itself, wide enough that one at 20 degrees is not drawn to lying flat: that of angles evenly
spread to 20 degrees; common practice, no published source."""
FILM_TILT_PRIOR_DEG = 3.0
"""The same on a radiograph: a holder keeps beam, tooth and film square to one another within a few degrees; common practice,
no published source."""
DISTORTION_U = 0.002
"""Relative allowance for lens distortion between reference and tooth; common practice, no published source."""
_ANGLES, _SPREAD = np.radians(np.linspace(-60, 60, 481)), np.linspace(-2.5, 2.5, 41)
_ANGLES.setflags(write=False)
_SPREAD.setflags(write=False)
_FINEST = 0.005  # of a sine, what these angles resolve
_OFFSET_U_MM = 1.0  # depth between reference and tooth where the reader gives none; common practice, no published source
_OFFSET_GIVEN_U_MM = 0.5  # where the reader gives the depth without its uncertainty
_TILT_GIVEN_U_DEG = 2.0  # where the reader gives the inclination
_DEFAULT_PER_MM = 0.0045  # out-of-plane scale error where the file tells no distance: middle of 0.33 to 0.56 %/mm
_DISTANCE_U = 0.15  # relative: close focus shortens a lens by about as much
_ASSUMED_DISTANCE_U = 0.25  # relative: that range and, at two standard deviations, a phone held close or a copying stand
_FOCUS_MM, _FOCUS_U = 300.0, 0.2  # focal spot to tooth, 200 to 400 mm rectangular; common practice, no published source
_LEANING_DEG = 8.0  # beyond it the correction exceeds 1 % and the reader is told


@dataclass(frozen=True)
class Depth:
    """Distance from the lens to the reference, mm, its relative uncertainty, and whether it is only a default."""

    distance_mm: float
    relative_u: float
    assumed: bool


@dataclass(frozen=True)
class Inclination:
    """Angle of the reference to the image plane along itself, radians, positive where it runs away from the camera.

    `signed` is false where only its size is known.
    """

    angle: float
    u: float
    signed: bool = True

    def foreshortening(self, off_axis: float = 0.0) -> tuple[float, float]:
        """Mean and standard deviation of apparent over true length.

        Parameters
        ----------
        off_axis : float
            Distance of the reference from the image centre along itself, over the object distance.

        Notes
        -----
        Apparent over true length is ``cos(a) - x sin(a) = A cos(a + p)``. Its mean and variance over a normal
        angle are exact: first order would claim no uncertainty at a = 0.
        """
        size, phase = math.hypot(1.0, off_axis), math.atan(off_axis)
        damp = math.exp(-(self.u**2) / 2)
        angles = [self.angle + phase] if self.signed else [self.angle + phase, -self.angle + phase]
        mean = size * damp * math.fsum(math.cos(a) for a in angles) / len(angles)
        square = size**2 * (1 + damp**4 * math.fsum(math.cos(2 * a) for a in angles) / len(angles)) / 2
        return mean, math.sqrt(max(square - mean**2, 0.0))


@dataclass(frozen=True)
class Found:
    """What a reference of one kind showed: its scale in its own place, and what is to be shown of it.

    Parameters
    ----------
    kind, method : str
    mm_per_px : float
        Along the reference at its middle.
    parts : mapping of str to float
        Relative standard uncertainties by source.
    middle_px : tuple of float
        Image position of its middle.
    direction_deg : float
        Towards which `tilt` counts as away from the camera.
    foreshortened : {'along', 'both', 'no'}
        ``along``: marks that look closer where they lean; the scale along them is kept as laid. ``both``: a length of the tooth
        itself, whose inclination is taken out of either scale. ``no``: a silhouette.
    tilt : Inclination or None
        What it shows of its inclination; ``None`` leaves how a reference is held.
    blur : Quantity or None
    """

    kind: str
    method: str
    mm_per_px: float
    parts: Mapping[str, float]
    middle_px: tuple[float, float]
    direction_deg: float
    foreshortened: str = "along"
    tilt: Inclination | None = None
    blur: Quantity | None = None
    flags: tuple[str, ...] = ()
    evidence: Mapping[str, Any] = field(default_factory=dict)


def scale_error_per_mm(focal_length_mm: float, ratio: float) -> float:
    """Relative scale error per millimetre of depth, ``1 / (f (1 + 1 / m))``, thin lens, at reproduction ratio `m`."""
    return 1.0 / (focal_length_mm * (1.0 + 1.0 / ratio))


def object_distance(photo: Photo, mm_per_px: float) -> Depth:
    """Distance from the lens to what has this scale.

    Notes
    -----
    Thin lens, ``f (1 + 1/m)`` with the reproduction ratio m from pixel pitch and scale. Used between 40 and 3000 mm and
    for a picture that was not resampled; otherwise the middle of what macro lenses give. A radiograph has no lens:
    there it is the distance from the focal spot.
    """
    if photo.modality == "radiograph":
        return Depth(_FOCUS_MM, _FOCUS_U, True)
    focal, pitch = photo.optics.focal_length_mm, photo.optics.pixel_pitch_um
    if focal and pitch and focal > 0 and pitch > 0 and "resampled" not in photo.flags:
        distance = 1.0 / scale_error_per_mm(focal, pitch / 1000.0 / mm_per_px)
        if 40.0 < distance < 3000.0:
            return Depth(distance, _DISTANCE_U, False)
    return Depth(1.0 / _DEFAULT_PER_MM, _ASSUMED_DISTANCE_U, True)


def graduation_identity(photo: Photo, feature: Feature, length_mm: float, slack_mm: float) -> str:
    """Name of the marks that a scale rests on: of the instrument where it and these marks are named, else of this photo alone.

    Parameters
    ----------
    photo : Photo
    feature : Feature
        `id` names the instrument, `first_mm` and `last_mm` its first and last mark.
    length_mm : float
        Between the first and the last mark that were used.
    slack_mm : float
        How far the two lengths may differ.
    """
    name, first, last = feature.properties.get("id"), feature.number("first_mm"), feature.number("last_mm")
    if name and first is not None and last is not None and abs(abs(last - first) - length_mm) <= slack_mm:
        return f"{name}:{first:g}-{last:g}"
    return f"{name}:{photo.identity}" if name else photo.identity


def inclination(sine: float, u_sine: float, relative_u: float, prior_deg: float) -> Inclination:
    """What perspective shows of the inclination, combined with how a reference may be held.

    Parameters
    ----------
    sine : float
        Of the inclination, as the perspective shows it at the distance that is taken for true.
    u_sine : float
        Of reading the perspective, distance apart.
    relative_u : float
        Of that distance.
    prior_deg : float
        Standard deviation of a normal prior of mean 0.

    Notes
    -----
    Mean and standard deviation of the angle after the sine was seen, over all distances. A camera farther off than assumed makes
    the same perspective of more inclination and one nearer of less; to first order, with the uncertainty of what was seen in
    place of what is there, the steeper ones would be missed too often.
    """
    sine = min(max(sine, -0.85), 0.85)  # steeper ones are refused or given
    ratio = np.maximum(1.0 + relative_u * _SPREAD, 0.3)
    angle = _ANGLES[:, None]
    density = np.exp(-0.5 * ((sine - np.sin(angle) / ratio) / max(u_sine, _FINEST)) ** 2) @ np.exp(-0.5 * _SPREAD**2)
    density = density * np.exp(-0.5 * (_ANGLES / math.radians(prior_deg)) ** 2)
    mean = float(density @ _ANGLES / density.sum())
    return Inclination(mean, math.sqrt(float(density @ (_ANGLES - mean) ** 2 / density.sum())))


def calibrated(found: Found, photo: Photo, feature: Feature) -> Calibration:
    """The scale at the tooth: depth offset, inclination and lens allowance added to what the reference showed."""
    depth = object_distance(photo, found.mm_per_px)
    offset, u_offset, flags = _offset(feature)
    factor = 1.0 + offset / depth.distance_mm
    relative = dict(found.parts)
    relative[source("offset", photo.identity)] = math.hypot(u_offset, offset * depth.relative_u) / depth.distance_mm / factor
    relative[source("distortion", photo.identity)] = DISTORTION_U
    tilt = _tilt(found, photo, feature)
    laid = Quantity(1.0, "mm/px", relative).scaled(found.mm_per_px * factor)
    square = laid if tilt is None else _square(laid, tilt, _off_axis(found, photo, depth), photo)
    degrees = None if tilt is None else Quantity(math.degrees(tilt.angle), "deg", {source("tilt", photo.identity): math.degrees(tilt.u)})
    leaning = ("reference_leans",) if degrees is not None and abs(degrees.value) > _LEANING_DEG else ()
    flags = found.flags + flags + leaning + (("object_distance_assumed",) if depth.assumed else ())
    return Calibration(
        found.kind, square if found.foreshortened == "both" else laid, square, found.direction_deg % 180.0, degrees, found.blur,
        "mirror" if feature.seen_in == "mirror" else "direct", found.method, flags,
        {
            **found.evidence, "middle_xy": list(found.middle_px), "object_distance_mm": depth.distance_mm,
            "offset_mm": offset, "u_offset_mm": u_offset, "mm_per_px_as_laid": found.mm_per_px,
        },
    )  # fmt: skip


def _square(laid: Quantity, tilt: Inclination, off_axis: float, photo: Photo) -> Quantity:
    """The scale square to the line of sight, from that along a reference that leans."""
    mean, spread = tilt.foreshortening(off_axis)
    return laid.scaled(mean).with_part(source("tilt", photo.identity), laid.value * spread)


def _off_axis(found: Found, photo: Photo, depth: Depth) -> float:
    """Distance of the reference from the image centre, along itself, over the object distance."""
    angle = math.radians(found.direction_deg)
    dx = found.middle_px[0] - (photo.width_px - 1) / 2
    dy = found.middle_px[1] - (photo.height_px - 1) / 2
    return (dx * math.cos(angle) + dy * math.sin(angle)) * found.mm_per_px / depth.distance_mm


def _offset(feature: Feature) -> tuple[float, float, tuple[str, ...]]:
    offset, u = feature.number("offset_mm"), feature.number("u_offset_mm")
    if (offset is not None and abs(offset) > 50) or (u is not None and not 0 <= u <= 50):
        raise Refused("bad_offset", f"offset_mm must lie within 50 mm and u_offset_mm between 0 and 50 mm; got {offset} and {u}.",
                      "Give how much nearer to the camera the reference lies than the tooth, in mm.")  # fmt: skip
    if offset is None:
        return 0.0, _OFFSET_U_MM if u is None else u, ("offset_assumed",)
    return offset, _OFFSET_GIVEN_U_MM if u is None else u, ()


def _tilt(found: Found, photo: Photo, feature: Feature) -> Inclination | None:
    given = feature.number("tilt_deg")
    if given is not None and abs(given) >= 60:
        raise Refused(
            "bad_tilt", f"tilt_deg must be under 60; got {given:g}.", "Photograph the reference more nearly square to the camera."
        )
    if found.foreshortened == "no":
        return None
    if given is not None:
        return Inclination(math.radians(abs(given)), math.radians(_TILT_GIVEN_U_DEG), signed=False)
    prior = FILM_TILT_PRIOR_DEG if photo.modality == "radiograph" else TILT_PRIOR_DEG
    return found.tilt or Inclination(0.0, math.radians(prior))
