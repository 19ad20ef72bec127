"""A chessboard or ruled grid of known squares: scale and inclination from the homography of all its crossings."""

from __future__ import annotations

import math

import numpy as np
from scipy.optimize import least_squares

from audit.calibration.budget import DISTORTION_U, TILT_PRIOR_DEG, Found, Inclination, object_distance
from audit.calibration.plane_pose import Prior, plane_tilt
from audit.core.annotations import Feature
from audit.core.quantity import source
from audit.core.records import Photo
from audit.errors import Refused
from audit.imaging.homography import apply, homography, scale_along, through
from audit.imaging.lattice import Lattice, find_lattice
from audit.imaging.lattice_search import search_lattice

__all__ = ["read_grid"]

GRID_U = 0.003
"""Relative standard uncertainty of ruled paper or a printed board that nobody measured; common practice, no published source."""
ASPECT_U = 0.003
CROSSING_U_PX = 0.03
"""What the crossings have in common and their scatter does not show; from drawn scenes."""
_LEAST_PITCH_PX = 8.0
_FINE_PITCH_PX = 24.0
_CROPPED, _AXIS, _ANY_LENS_U = 0.25, 0.02, 0.6
_WORST = 0.01


def read_grid(pixels: np.ndarray, photo: Photo, feature: Feature) -> Found:
    """Scale along one family of lines at the middle of the grid.

    Parameters
    ----------
    pixels : ndarray, shape (height, width) or (height, width, 3)
    photo : Photo
    feature : Feature
        A Polygon round a part of the grid, or no geometry: then the grid is looked for. `square_mm` is the side of its smallest
        squares; `u_mm` of it.

    Raises
    ------
    Refused
        ``bad_length``, ``reference_not_marked``, ``no_grid_found``, ``ambiguous_pitch``.
    """
    square, u = feature.number("square_mm"), feature.number("u_mm")
    if square is None or not 0.2 <= square <= 50 or (u is not None and not 0 < u < 0.2 * square):
        raise Refused("bad_length", f"square_mm must lie between 0.2 and 50 and u_mm above 0; got {square} and {u}.",
                      "Give the side of the smallest squares in mm.")  # fmt: skip
    if feature.geometry is not None and feature.geometry.geom_type != "Polygon":
        raise Refused(
            "reference_not_marked", "A grid must be marked by an outline round it; got another shape.", "Draw a polygon round the squares."
        )
    lattice = search_lattice(pixels) if feature.geometry is None else find_lattice(pixels, feature.xy[:-1])
    if lattice is None and feature.geometry is None:
        raise Refused("no_grid_found", "A grid must be in the photo; got none that is beyond doubt.", "Draw a polygon round its squares.")
    if lattice is None or np.ptp(lattice.numbers, axis=0).min() < 2:
        raise Refused("no_grid_found", "At least four by four crossings must be clear within the outline; got fewer.",
                      "Outline a flat, sharp, evenly lit part of the grid.")  # fmt: skip
    _check_squares(lattice, square)
    return _found(photo, feature, lattice, square, u)


def _check_squares(lattice: Lattice, square: float) -> None:
    """Refuse a grid whose smallest squares may not be those that were found."""
    ambiguous = "Photograph it larger and sharper, and give the side of its smallest squares."
    if lattice.finer > 1:
        raise Refused("ambiguous_pitch", f"square_mm must be that of the smallest squares; got crossings with {lattice.finer} parts "
                      "between them.", ambiguous)  # fmt: skip
    if lattice.heavy_every > 1 and square > 1.5:
        raise Refused("ambiguous_pitch", f"square_mm must fit the paper, on which every {lattice.heavy_every}th line is heavier as on "
                      f"millimetre paper; got {square:g}.", ambiguous)  # fmt: skip
    pitch = float(np.median(np.hypot(*np.diff(lattice.xy[np.lexsort(lattice.numbers.T)], axis=0).T)))
    resolved = _LEAST_PITCH_PX if lattice.kind == "chessboard" or lattice.heavy_every > 1 else _FINE_PITCH_PX
    if pitch < resolved:
        raise Refused("ambiguous_pitch", f"Squares must be at least {resolved:.0f} px, so that finer lines would be seen; "
                      f"got {pitch:.0f} px.", ambiguous)  # fmt: skip


def _found(photo: Photo, feature: Feature, lattice: Lattice, square: float, u: float | None) -> Found:
    control_mm, control_px, covariance, rms = _fitted(lattice, square)
    middle = control_mm.mean(axis=0)
    px_per_mm, comb = scale_along(control_px, control_mm, covariance, middle)
    if comb > _WORST:
        raise Refused("no_grid_found", f"The crossings must fix the scale to {_WORST:.0%}; got {comb:.1%}.", "Outline more of the grid.")
    depth = object_distance(photo, 1 / px_per_mm)
    cropped = "resampled" in photo.flags or photo.optics.pixel_pitch_um is None
    axis = (_CROPPED if cropped else _AXIS) * max(photo.width_px, photo.height_px)
    centre = np.array([photo.width_px - 1, photo.height_px - 1]) / 2
    prior = Prior(depth.distance_mm, _ANY_LENS_U if depth.assumed else depth.relative_u, ASPECT_U, DISTORTION_U, axis, TILT_PRIOR_DEG)
    tilt = plane_tilt(control_px - centre, control_mm, covariance, prior, float(np.hypot(*centre)))
    to_px = np.linalg.inv(through(control_px, control_mm))
    low, at, high = apply(to_px, middle + np.array([[-1e-3, 0.0], [0.0, 0.0], [1e-3, 0.0]]))
    return Found(
        "grid", "grid_crossings@1", 1 / px_per_mm,
        {source("graduation", str(feature.properties.get("id") or photo.identity)): GRID_U if u is None else u / square,
         source("comb", photo.identity): comb},
        (float(at[0]), float(at[1])), math.degrees(math.atan2(*(high - low)[::-1])), tilt=Inclination(tilt.along, tilt.u_along),
        flags=("grid_tolerance_assumed",) if u is None else (),
        evidence={
            "ticks_xy": lattice.xy.round(2).tolist(), "residual_rms_px": rms, "crossings": len(lattice.xy), "grid": lattice.kind,
            "outlines_xy": [np.vstack([control_px, control_px[:1]]).round(2).tolist()],
            "tilt_across_deg": math.degrees(tilt.across), "u_tilt_across_deg": math.degrees(tilt.u_across),
        },
    )  # fmt: skip


def _fitted(lattice: Lattice, square: float) -> tuple[np.ndarray, np.ndarray, np.ndarray, float]:
    """Corners of the lattice in mm and on the image, their covariance and the scatter of the crossings, pixels."""
    numbers = lattice.numbers.astype(float)
    along, across = _steps(lattice)
    if along[0] * across[1] - along[1] * across[0] < 0:
        numbers[:, 1] = -numbers[:, 1]
    mm = numbers * square
    (x0, y0), (x1, y1) = mm.min(axis=0), mm.max(axis=0)
    corners = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])
    start = homography(mm, lattice.xy)
    if start is None:
        raise Refused("no_grid_found", "The crossings must lie on a plane; got some that do not.", "Outline a flat part of the grid.")

    def residual(px: np.ndarray) -> np.ndarray:
        return np.asarray((apply(np.linalg.inv(through(px.reshape(4, 2), corners)), mm) - lattice.xy).ravel())

    fit = least_squares(residual, apply(start, corners).ravel())
    rms = math.sqrt(2 * fit.cost / max(2 * len(mm) - 8, 1))
    covariance = np.linalg.inv(fit.jac.T @ fit.jac) * rms**2 + CROSSING_U_PX**2 * np.eye(8)
    return corners, fit.x.reshape(4, 2), covariance, rms


def _steps(lattice: Lattice) -> tuple[np.ndarray, np.ndarray]:
    """One step of each family of lines on the image."""
    design = np.column_stack([lattice.numbers, np.ones(len(lattice.xy))])
    slope = np.linalg.lstsq(design, lattice.xy, rcond=None)[0]
    return slope[0], slope[1]
