"""A periodontal probe: rings or band edges whose places on this very instrument were measured."""

from __future__ import annotations

import itertools
import math

import numpy as np
from scipy.ndimage import gaussian_filter1d
from scipy.optimize import least_squares

from audit.calibration.budget import Found
from audit.core.annotations import Feature
from audit.core.quantity import source
from audit.core.records import Photo
from audit.errors import Refused
from audit.imaging.sample import crop, sample
from audit.imaging.strip import Strip, grey

__all__ = ["read_probe"]

PROBE_MARK_U_MM = 0.05
"""Standard uncertainty of one mark of a measured probe; common practice, no published source (makers' marks differ)."""
_LEAST = 4


def read_probe(pixels: np.ndarray, photo: Photo, feature: Feature) -> Found:
    """Scale along a probe from its marks.

    Parameters
    ----------
    pixels : ndarray, shape (height, width) or (height, width, 3)
    photo : Photo
    feature : Feature
        LineString along the shaft, across the marks, in either direction.

    Notes
    -----
    Rings are taken at their middle, bands at their edges, whichever explains all marks. Every pairing of two
    marks with two places is tried; the one that finds all marks wins, and it must win clearly.

    Raises
    ------
    Refused
        ``bad_marks``, ``too_few_marks``, ``ambiguous_pitch``.
    """
    marks = _marks(feature)
    if feature.geometry is None or feature.geometry.geom_type != "LineString":
        raise Refused(
            "reference_not_marked", "A probe must be marked by a line along its marks; got none.", "Draw a line from tip to handle."
        )
    ends = feature.xy[[0, -1]]
    length = float(np.hypot(*(ends[1] - ends[0])))
    strip = Strip(float(ends[0, 0]), float(ends[0, 1]), math.atan2(ends[1, 1] - ends[0, 1], ends[1, 0] - ends[0, 0]))
    profile = _profile(pixels, strip, length)
    best: tuple[float, np.ndarray, np.ndarray] | None = None
    for places in (_rings(profile), _edges(profile)):
        match = _match(places, marks, length)
        if match is not None and (best is None or match[0] < best[0]):
            best = match
    if best is None:
        raise Refused("too_few_marks", f"At least {_LEAST} marks of the probe must be found where marks_mm puts them; got fewer.",
                      "Draw the line along the middle of the shaft, and check marks_mm against your own instrument.")  # fmt: skip
    return _found(photo, feature, strip, *best[1:])


def _marks(feature: Feature) -> np.ndarray:
    given = feature.properties.get("marks_mm")
    try:
        marks = np.asarray(given, dtype=float)
    except (TypeError, ValueError, OverflowError):
        marks = np.array([])
    if marks.ndim != 1 or len(marks) < _LEAST or not np.isfinite(marks).all() or not np.all(np.diff(marks) > 0.05):
        raise Refused("bad_marks", f"marks_mm must be {_LEAST} or more distances from the tip in rising order; got {given!r}.",
                      "Measure the marks of your own probe and list them in mm from the tip.")  # fmt: skip
    return marks


def _profile(pixels: np.ndarray, strip: Strip, length: float) -> np.ndarray:
    s = np.arange(0.0, length + 0.25, 0.5)
    t = np.linspace(-2.0, 2.0, 5)
    xy = strip.image(s[None, :], t[:, None])
    part, origin = crop(pixels, xy, 4.0)
    values = sample(grey(part), xy - origin, cubic=True)
    return np.asarray(np.nan_to_num(np.nanmedian(values, axis=0)), dtype=float)


def _peaks(signal: np.ndarray) -> np.ndarray:
    """Sub-sample places of the clear maxima."""
    inner = signal[1:-1]
    at = np.flatnonzero((inner > signal[:-2]) & (inner >= signal[2:])) + 1
    if len(at) == 0:
        return np.array([])
    at = at[signal[at] > 0.25 * np.sort(signal[at])[-min(3, len(at))]]
    left, centre, right = signal[at - 1], signal[at], signal[at + 1]
    return np.asarray(0.5 * (at + 0.5 * (left - right) / np.minimum(left - 2 * centre + right, -1e-12)))


def _rings(profile: np.ndarray) -> np.ndarray:
    """Middles of dark rings, pixels along the line."""
    best, strongest = np.array([]), 0.0
    for sigma in (2.0, 4.0, 8.0, 14.0):
        response = gaussian_filter1d(profile, sigma, order=2) * sigma**1.5
        places = _peaks(response)
        if len(places) >= _LEAST and response.max() > strongest:
            best, strongest = places, float(response.max())
    return best


def _edges(profile: np.ndarray) -> np.ndarray:
    """Places of dark-to-light and light-to-dark edges, pixels along the line."""
    return _peaks(np.abs(gaussian_filter1d(profile, 2.5, order=1)))


def _match(places: np.ndarray, marks: np.ndarray, length: float) -> tuple[float, np.ndarray, np.ndarray] | None:
    """Misfit, matched places and their marks, for the pairing that finds all marks; refuses a tie."""
    if len(places) < _LEAST or len(places) > 40:
        return None
    found: list[tuple[float, float, np.ndarray]] = []
    for a, b in itertools.permutations(range(len(places)), 2):
        scale = (places[b] - places[a]) / (marks[-1] - marks[0])
        expected = places[a] + scale * (marks - marks[0])
        gap = np.abs(places[None, :] - expected[:, None])
        if expected.min() < -1 or expected.max() > length + 1:
            continue
        off = gap.min(axis=1) / abs(scale)
        if np.all(off < 0.15) and len(set(gap.argmin(axis=1))) == len(marks):
            found.append((float(np.sqrt(np.mean(off**2))), abs(scale), gap.argmin(axis=1)))
    if not found:
        return None
    found.sort(key=lambda item: item[0])
    if any(abs(scale / found[0][1] - 1) > 0.03 and misfit < 2 * found[0][0] for misfit, scale, _ in found):
        raise Refused(
            "ambiguous_pitch",
            "The marks must fit the probe in one way only; got more than one.",
            "Draw the line from tip to handle over all marks.",
        )
    return found[0][0], places[found[0][2]], marks


def _found(photo: Photo, feature: Feature, strip: Strip, places: np.ndarray, marks: np.ndarray) -> Found:
    centre = float(np.mean(marks[[0, -1]]))
    k = marks - centre
    straight = np.polyfit(k, places, 1)

    def residual(p: np.ndarray) -> np.ndarray:
        return np.asarray(p[0] + p[1] * k / (1 + p[2] * k) - places)

    perspective = len(marks) >= 6
    start = np.array([straight[1], straight[0], 0.0])
    fit = least_squares(residual, start) if perspective else None
    p = start if fit is None else fit.x
    rms = math.sqrt(float(np.sum(residual(p) ** 2)) / max(len(marks) - (3 if perspective else 2), 1))
    pitch = abs(float(p[1]))
    u = feature.number("u_mm")
    mark_u = PROBE_MARK_U_MM if u is None else u
    span = float(np.sqrt(np.sum(k**2)))
    middle = strip.image(np.float64(p[0]), np.float64(0.0))
    parts = {
        source("graduation", _identity(photo, feature, marks)): mark_u / span,
        source("comb", photo.identity): rms / pitch / span,
    }
    xy = strip.image(places, np.zeros_like(places)).round(3).tolist()
    return Found(
        "probe", "probe_marks@2", 1.0 / pitch, parts, (float(middle[0]), float(middle[1])), math.degrees(strip.angle) % 180.0,
        flags=("marks_tolerance_assumed",) if u is None else (),
        evidence={"ticks_xy": xy, "marks_mm": marks.tolist(), "line_xy": [xy[0], xy[-1]], "residual_rms_px": rms, "pitch_px": pitch},
    )  # fmt: skip


def _identity(photo: Photo, feature: Feature, marks: np.ndarray) -> str:
    """The instrument and its marks where it is named: all of them are always found; else this photo alone."""
    name = feature.properties.get("id")
    return f"{name}:{'-'.join(f'{mark:g}' for mark in marks)}" if name else photo.identity
