"""The project's own printed strip: scale, inclination and blur from everything that is printed on it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from audit.calibration.budget import DISTORTION_U, TILT_PRIOR_DEG, Found, Inclination, object_distance
from audit.calibration.plane_pose import Prior, TiltPair, plane_tilt
from audit.core.annotations import Feature
from audit.core.quantity import Quantity, source
from audit.core.records import Photo
from audit.core.reference_strip import CHECK_MM, MARKERS, WIDTH_MM, marker_corners
from audit.errors import Refused
from audit.imaging.fiducials import find_fiducials
from audit.imaging.ghost import strip_ghost
from audit.imaging.homography import scale_along
from audit.imaging.pattern_fit import PatternFit, fit_pattern
from audit.imaging.slanted_edge import strip_blur

__all__ = ["read_strip"]

UNCHECKED_U = 0.02
"""Relative, of a print that nobody measured: printers err by up to 1 %, and "fit to page" shrinks by 3 to 6 %; common
practice, no published source."""
PRINT_LOCAL_U = 0.0015
"""Relative, of the head against the whole check length: a printer's feed is not even; common practice, no published source."""
CHECK_U_MM = 0.1
"""Of a caliper held to printed marks, where its uncertainty is not given; common practice, no published source."""
UNCHECKED_ASPECT_U = 0.003
"""Relative, of width against length of a print whose width nobody measured; common practice, no published source."""
FIT_U_PX = 0.02
"""Of each control point: interpolation, sharpening and tone curve, which the scatter of the print does not show; from drawn scenes."""
_MOST_RESIDUAL = 0.15  # of the contrast
_WORST = 0.01  # relative uncertainty of the reading beyond which it is refused
_CROPPED = 0.25  # of the longer side: where the optical axis may lie in a picture that may have been cropped
_ANY_LENS_U = 0.6  # relative, of the distance where the file tells nothing of the lens: from a phone held close to a long lens
_AXIS = 0.02  # the same in a whole one


@dataclass(frozen=True)
class _Print:
    """What the printer made of a millimetre: along, and the width against the length, with relative uncertainties."""

    along: float
    u_along: float
    aspect: float
    u_aspect: float
    flags: tuple[str, ...]


def read_strip(pixels: np.ndarray, photo: Photo, feature: Feature) -> Found:
    """Scale along the printed strip at the middle of what is seen of it.

    Parameters
    ----------
    pixels : ndarray, shape (height, width) or (height, width, 3)
    photo : Photo
    feature : Feature
        The strip finds itself, also mirrored and partly hidden. `id` is the sheet's, `check_mm` (`u_check_mm`) what a caliper
        said of the check length along the strips, `check_across_mm` of the one down the sheet.

    Raises
    ------
    Refused
        ``bad_length``, ``strip_not_found``, ``several_strips``, ``strip_not_read``, ``seen_in_contradicts``.
    """
    printed = _print(feature)
    fiducials = find_fiducials(pixels)
    if fiducials.repeated:
        raise Refused("several_strips", "One strip must be in the picture; got the same fiducial more than once.",
                      "Photograph one strip alone, or crop to it.")  # fmt: skip
    if len(fiducials.corners_px) < 2:
        raise Refused("strip_not_found", f"At least two of the strip's {len(MARKERS)} fiducials must be seen whole; "
                      f"got {len(fiducials.corners_px)}.",
                      "Keep the fiducials dry, in focus and clear of lips and mirror rims, and 14 px wide or more.")  # fmt: skip
    if fiducials.mirrored and feature.seen_in != "mirror":
        raise Refused("seen_in_contradicts", "A strip marked as seen directly must not look mirrored; got one that does.",
                      'Say "seen_in": "mirror" of the strip, and of the tooth if it is seen in the same mirror.')  # fmt: skip
    fit = fit_pattern(pixels, fiducials)
    if fit is None or fit.residual > _MOST_RESIDUAL:
        raise _not_read("print that does not match" if fit is None else f"light that differs by {fit.residual:.0%} of the contrast")
    flags = ("picture_flipped",) if feature.seen_in == "mirror" and not fiducials.mirrored else ()
    return _found(pixels, photo, feature, fit, printed, flags)


def _not_read(what: str) -> Refused:
    return Refused("strip_not_read", f"The print of the strip must be seen as it was drawn; got {what}.",
                   "Use a dry, flat, matt strip without glare, in focus.")  # fmt: skip


def _print(feature: Feature) -> _Print:
    along, across, given_u = (feature.number(name) for name in ("check_mm", "check_across_mm", "u_check_mm"))
    u = CHECK_U_MM if given_u is None else given_u
    for value in (along, across):
        if (value is not None and not 0.9 * CHECK_MM <= value <= 1.1 * CHECK_MM) or not 0 < u <= 2:
            raise Refused("bad_length", f"check_mm must lie within a tenth of {CHECK_MM:g} and u_check_mm in 0 to 2; got {value} and {u}.",
                          "Measure between the two check marks of the printed sheet with a caliper, in mm.")  # fmt: skip
    if along is None:
        return _Print(1.0, UNCHECKED_U, 1.0, UNCHECKED_ASPECT_U, ("print_scale_unchecked",))
    u_along = math.hypot(u / CHECK_MM, PRINT_LOCAL_U)
    if across is None:
        return _Print(along / CHECK_MM, u_along, 1.0, UNCHECKED_ASPECT_U, ("print_width_unchecked",))
    return _Print(along / CHECK_MM, u_along, across / along, math.sqrt(2) * u / CHECK_MM, ())


def _found(pixels: np.ndarray, photo: Photo, feature: Feature, fit: PatternFit, printed: _Print, flags: tuple[str, ...]) -> Found:
    middle = _middle_mm(fit)
    px_per_mm, comb = scale_along(fit.control_px, fit.control_mm, _control_covariance(fit), middle)
    if comb > _WORST:
        raise _not_read(f"so little of it that its scale is uncertain by {comb:.1%}")
    scale = printed.along / px_per_mm
    tilt = _tilt(photo, fit, printed, scale)
    ends = fit.to_px(middle + np.array([[-1e-3, 0.0], [0.0, 0.0], [1e-3, 0.0]]))
    blur_name = source("blur", photo.identity)
    blur = strip_blur(pixels, fit, blur_name) or Quantity(fit.blur_px, "px", {blur_name: max(0.1 * fit.blur_px, 0.1)})
    ghost = strip_ghost(pixels, fit, scale) if feature.seen_in == "mirror" else None
    hidden = 1.0 - float(fit.seen.mean()) / _PRINTED_SHARE
    flags = printed.flags + flags + (("strip_partly_hidden",) if hidden > 0.15 else ()) + (("ghost_edge",) if ghost else ())
    sheet = source("print", str(feature.properties.get("id") or photo.identity))
    return Found(
        "strip", "strip_print@1", scale, {sheet: printed.u_along, source("comb", photo.identity): comb},
        (float(ends[1, 0]), float(ends[1, 1])), math.degrees(math.atan2(*(ends[2] - ends[0])[::-1])),
        tilt=Inclination(tilt.along, tilt.u_along), blur=blur, flags=flags,
        evidence={
            **_outlines(fit), "mirrored": fit.mirrored, "residual_of_contrast": fit.residual, "ink_spread_mm": fit.spread_mm,
            "tilt_across_deg": math.degrees(tilt.across), "u_tilt_across_deg": math.degrees(tilt.u_across),
            **({"ghost_px": ghost.shift_px, "ghost_share": ghost.share} if ghost else {}),
        },
    )  # fmt: skip


_PRINTED_SHARE = 0.95  # of the blocks of the head have print enough to be recognised


def _middle_mm(fit: PatternFit) -> np.ndarray:
    """Middle of what is seen of the head."""
    rows, columns = np.nonzero(fit.seen)
    return np.array([columns.mean() * 2.0 + 1.0, rows.mean() * 2.0 + 1.0])


def _control_covariance(fit: PatternFit) -> np.ndarray:
    """Covariance of the control points on the image, pixels^2."""
    turn = np.zeros((8, 8))
    for k, point in enumerate(fit.control_mm):
        for axis in range(2):
            step = np.eye(2)[axis] * 1e-3
            turn[2 * k : 2 * k + 2, 2 * k + axis] = (fit.to_px(point + step) - fit.to_px(point - step)) / 2e-3
    return np.asarray(turn @ fit.covariance @ turn.T + FIT_U_PX**2 * np.eye(8))


def _tilt(photo: Photo, fit: PatternFit, printed: _Print, scale: float) -> TiltPair:
    depth = object_distance(photo, scale)
    cropped = "resampled" in photo.flags or photo.optics.pixel_pitch_um is None
    axis = (_CROPPED if cropped else _AXIS) * max(photo.width_px, photo.height_px)
    prior = Prior(
        depth.distance_mm, _ANY_LENS_U if depth.assumed else depth.relative_u, printed.u_aspect, DISTORTION_U, axis, TILT_PRIOR_DEG
    )
    centre = np.array([photo.width_px - 1, photo.height_px - 1]) / 2
    mm = fit.control_mm.copy()
    if fit.mirrored:
        mm[:, 1] = WIDTH_MM - mm[:, 1]
    mm = mm * printed.along * np.array([1.0, printed.aspect])
    return plane_tilt(fit.control_px - centre, mm, _control_covariance(fit), prior, float(np.hypot(*centre)))


def _outlines(fit: PatternFit) -> dict[str, list[list[list[float]]]]:
    """The fiducials and the graduated edge as the fit puts them, for the picture."""
    corners = [marker_corners(identity) for identity in MARKERS]
    seen = [c for c in corners if fit.seen[tuple((c.mean(axis=0) // 2).astype(int)[::-1])]]
    outlines = [fit.to_px(np.vstack([c, c[:1]])).round(2).tolist() for c in seen]
    return {"outlines_xy": outlines, "graduated_edge_xy": fit.to_px(np.array([[0.0, 0.0], [30.0, 0.0]])).round(2).tolist()}
