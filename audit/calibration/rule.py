"""A graduated scale: its pitch by a whole-comb fit, along a drawn line or found unaided."""

from __future__ import annotations

import math

import numpy as np

from audit.calibration.budget import (
    DISTORTION_U,
    FILM_TILT_PRIOR_DEG,
    SHOWN_TILT_PRIOR_DEG,
    TILT_PRIOR_DEG,
    Found,
    Inclination,
    graduation_identity,
    inclination,
    object_distance,
)  # fmt: skip
from audit.calibration.graduation import Graduation, graduation
from audit.core.annotations import Feature
from audit.core.quantity import Quantity, source
from audit.core.records import TOLD_FLAG, Photo
from audit.errors import Refused
from audit.imaging.comb import Comb, comb_blur, read_comb
from audit.imaging.comb_search import CombSeed, comb_candidates
from audit.imaging.strip import Pyramid

__all__ = ["read_rule"]

MARK_U_MM = 0.1 / math.sqrt(3)
"""Standard uncertainty of one mark: within 0.1 mm of nominal (NIST/OJP requirement for photographic scales), rectangular."""
_COMB_FLOOR = 1e-4  # relative: direction of the scale and interpolation, which the residuals do not show; from drawn scenes
_LEAST_MARKS = 6
_STEEPEST_DEG = 30.0  # by its own perspective; beyond it the scale at the tooth is a guess
_TRIES = 2  # at one comb that several candidates point to
_LEAST_UNAIDED = 11  # three marks of 5 mm can stand among them
_LARGEST = 1.4  # reproduction ratio: lenses for teeth end at 1, and the pixel pitch may be off; common practice, no published source
_LEAST_LONG, _LEAST_LONG_UNAIDED = 2, 3  # longer ticks from which the worth of the finest is told


def read_rule(pixels: np.ndarray, photo: Photo, feature: Feature) -> Found:
    """Scale along a graduated rule.

    Parameters
    ----------
    pixels : ndarray, shape (height, width) or (height, width, 3)
    photo : Photo
    feature : Feature
        LineString across the graduations, or no geometry: then the rule is looked for.

    Raises
    ------
    Refused
        ``no_rule_found``, ``too_few_marks``, ``ambiguous_pitch``, ``bad_length``, ``reference_leans_too_much``.
    """
    stated = feature.number("tick_mm")
    if stated is not None and not 0.05 <= stated <= 50:
        raise Refused(
            "bad_length", f"tick_mm must lie between 0.05 and 50; got {stated:g}.", "Give the finest graduation in mm, e.g. 0.5 or 1."
        )
    pyramid = Pyramid(pixels)
    if feature.geometry is None:
        comb, worth, tick_mm = _unaided(pyramid, stated)
    else:
        line = _line(feature)
        comb = read_comb(pyramid, line[0], line[-1])
        _demand_regular(comb, _LEAST_MARKS)
        worth = graduation(comb.length_px, comb.pitch_px, _LEAST_LONG)
        tick_mm = _worth(worth, stated)
    if stated is None:
        flags = _told(photo, tick_mm / comb.pitch_px)
    else:
        flags = () if worth.tick_mm == tick_mm else ("graduation_as_stated",)
    return _found(pixels, photo, feature, comb, tick_mm, worth, flags)


def _line(feature: Feature) -> np.ndarray:
    if feature.geometry is None or feature.geometry.geom_type != "LineString":
        raise Refused(
            "bad_geometry", "A rule must be marked by a line across its graduations; got another shape.", "Draw a line along the ticks."
        )
    return feature.xy


def _unaided(pyramid: Pyramid, stated: float | None) -> tuple[Comb, Graduation, float]:
    """The first candidate that is a metric scale beyond doubt; the most telling refusal otherwise."""
    refusal = Refused("no_rule_found", "A graduated rule must be in the photo; got none that is beyond doubt.",
                      "Draw a line across its graduations, or photograph the tooth with a rule beside it.")  # fmt: skip
    failed: list[CombSeed] = []
    for seed in comb_candidates(pyramid):
        if sum(seed.is_beside(other) for other in failed) >= _TRIES:
            continue
        failed.append(seed)
        try:
            comb = read_comb(pyramid, seed.start, seed.end, period_px=seed.period_px, grow=True)
            _demand_regular(comb, _LEAST_UNAIDED)
        except Refused:
            continue
        worth = graduation(comb.length_px, comb.pitch_px, _LEAST_LONG_UNAIDED)
        if worth.tick_mm is not None:
            return comb, worth, _worth(worth, stated)
        if comb.fit.used.sum() >= 2 * _LEAST_UNAIDED and comb.fit.rms < 0.03 * comb.pitch_px:
            refusal = Refused("ambiguous_pitch", f"What its ticks are worth must be certain; got a comb where {worth.words}.",
                              "Draw a line across the graduations and give tick_mm.")  # fmt: skip
    raise refusal


def _demand_regular(comb: Comb, least: int) -> None:
    used = int(comb.fit.used.sum())
    if used < least or used < 0.4 * len(comb.ticks):
        raise Refused("too_few_marks", f"A scale must show at least {least} ticks in a row; got {used} of {len(comb.ticks)}.",
                      "Photograph more of the scale, sharper or larger, or draw the line across more ticks.")  # fmt: skip
    if comb.fit.rms > 0.12 * comb.pitch_px:
        off = comb.fit.rms / comb.pitch_px
        raise Refused("no_rule_found", f"Graduations must be evenly spaced; got marks off by {off:.0%} of their spacing.",
                      "Draw the line along the ticks of a scale.")  # fmt: skip


def _worth(worth: Graduation, stated: float | None) -> float:
    """Millimetres of the finest tick, from its length pattern and what the reader says of it."""
    if stated is None:
        if worth.tick_mm is None:
            raise Refused("ambiguous_pitch", f"What the ticks are worth must be certain; got a scale where {worth.words}.",
                          "Give tick_mm, or draw the line where a 5 and a 10 mm mark are seen at their full length.")  # fmt: skip
        return worth.tick_mm
    if worth.tick_mm is not None and math.isclose(stated, 1.0) and math.isclose(worth.tick_mm, 0.5):
        return worth.tick_mm  # the reader names the millimetres of a scale that has halves too
    if not worth.allows(stated):
        raise Refused("ambiguous_pitch", f"tick_mm must fit the scale; got {stated:g} where {worth.words}.",
                      "Give the worth of the finest tick that is drawn, and check on which side of the scale the line lies.")  # fmt: skip
    return stated


def _told(photo: Photo, mm_per_px: float) -> tuple[str, ...]:
    """Flag of a scale that lengths of ticks alone decide: a finer one looks the same, unless no lens would show it so large."""
    if photo.optics.pixel_pitch_um is None or "resampled" in photo.flags:
        return (TOLD_FLAG,)
    ratio = photo.optics.pixel_pitch_um / 1000.0 / mm_per_px
    return () if ratio <= _LARGEST < 2 * ratio else (TOLD_FLAG,)


def _found(
    pixels: np.ndarray, photo: Photo, feature: Feature, comb: Comb, tick_mm: float, worth: Graduation, flags: tuple[str, ...]
) -> Found:
    mm_per_px = tick_mm / comb.pitch_px
    number = comb.ticks[comb.fit.used]
    length_mm = float(number[-1] - number[0]) * tick_mm
    mark_u = feature.number("u_mm")
    if mark_u is not None and mark_u < 0:
        raise Refused("bad_length", f"u_mm of a rule must not be negative; got {mark_u:g}.", "Give the uncertainty of one mark in mm.")
    mark_u = MARK_U_MM if mark_u is None else mark_u
    parts = {
        source("graduation", graduation_identity(photo, feature, length_mm, 2.5 * tick_mm)): math.sqrt(2.0) * mark_u / length_mm,
        source("comb", photo.identity): math.hypot(math.sqrt(comb.fit.covariance[1, 1]) / comb.fit.pitch, _COMB_FLOOR),
    }
    middle = comb.strip.image(np.float64(0.0) + comb.fit.centre, np.float64(0.0))
    angle = comb.strip.angle + comb.turn
    blur = comb_blur(pixels, comb)
    name = source("blur", photo.identity)
    return Found(
        "rule", "rule_comb@2", mm_per_px, parts, (float(middle[0]), float(middle[1])), math.degrees(angle),
        tilt=_tilt(photo, feature, comb, tick_mm, mm_per_px),
        blur=None if blur is None else Quantity(blur.sigma_px, "px", {name: blur.u_sigma_px}),
        flags=flags, evidence=_evidence(comb, tick_mm, worth),
    )  # fmt: skip


def _tilt(photo: Photo, feature: Feature, comb: Comb, tick_mm: float, mm_per_px: float) -> Inclination:
    """Inclination from the perspective of the comb, ``q = tick sin(a) / distance``, and how a rule is held."""
    depth = object_distance(photo, mm_per_px)
    radiograph = photo.modality == "radiograph"
    sine = comb.fit.q * depth.distance_mm / tick_mm
    gradient = DISTORTION_U / (0.5 * max(photo.width_px, photo.height_px))
    reading = math.hypot(
        math.sqrt(comb.fit.covariance[2, 2]) * depth.distance_mm / tick_mm, 0.5 * gradient * depth.distance_mm / mm_per_px
    )  # fmt: skip
    u = math.hypot(reading, sine * depth.relative_u)
    if not 0 < u < 1:
        return Inclination(0.0, math.radians(FILM_TILT_PRIOR_DEG if radiograph else TILT_PRIOR_DEG))
    doubt = 2.0 * u if depth.assumed else 0.0  # a camera nearer than assumed makes the same perspective of less inclination
    if abs(sine) - doubt > max(math.sin(math.radians(_STEEPEST_DEG)), 2.5 * u - doubt) and feature.number("tilt_deg") is None:
        raise Refused("reference_leans_too_much", f"A rule must lie within {_STEEPEST_DEG:.0f} degrees of square to the camera; got more.",
                      "Lay the rule flat and photograph it from straight above, or give tilt_deg if it was measured.")  # fmt: skip
    prior = SHOWN_TILT_PRIOR_DEG
    if radiograph:  # as a holder keeps it, or as much as it plainly leans
        prior = min(max(math.degrees(math.sqrt(max(sine**2 - u**2, 0.0))), FILM_TILT_PRIOR_DEG), SHOWN_TILT_PRIOR_DEG)
    return inclination(sine, reading, depth.relative_u, prior)


def _evidence(comb: Comb, tick_mm: float, worth: Graduation) -> dict[str, object]:
    xy = comb.tick_xy
    return {
        "ticks_xy": [[round(float(x), 3), round(float(y), 3)] for x, y in xy],
        "tick_numbers": [int(k - comb.ticks[0]) for k in comb.ticks[comb.fit.used]],
        "tick_mm": tick_mm,
        "line_xy": [[float(c) for c in xy[0]], [float(c) for c in xy[-1]]],
        "residual_rms_px": comb.fit.rms,
        "pitch_px": comb.pitch_px,
        "graduation": worth.words,
    }
