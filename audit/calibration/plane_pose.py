"""How a flat reference is inclined: from what a homography shows and what is known of lens and print."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

__all__ = ["Prior", "TiltPair", "plane_tilt", "project_plane"]

_COARSE_DEG, _REACH_DEG = 2.0, 40.0
_FINE = 23  # points a side of the finer grids
_BLUNT_PX = (1.0, 0.2, 1e-3, 1e-3)  # added to the points' own uncertainty on each grid: the first only look round
_NUISANCES = 9  # turn, two places, distance, distance error, aspect, distortion, principal point


@dataclass(frozen=True)
class Prior:
    """What is known before the picture is looked at.

    Parameters
    ----------
    distance_mm, relative_u_distance : float
        From the lens to the reference.
    aspect_u : float
        Relative standard uncertainty of the reference's width against its length, as printed.
    distortion_u : float
        Standard deviation of the relative radial displacement at the corner of the picture.
    centre_u_px : float
        Of the principal point about the middle of the picture; large where the picture may have been cropped.
    tilt_deg : float
        Standard deviation of either inclination, as a reference is held.
    """

    distance_mm: float
    relative_u_distance: float
    aspect_u: float
    distortion_u: float
    centre_u_px: float
    tilt_deg: float


@dataclass(frozen=True)
class TiltPair:
    """Inclination along the reference and across it, radians, each with its standard uncertainty.

    Positive where the reference runs away from the camera.
    """

    along: float
    u_along: float
    across: float
    u_across: float


def project_plane(parameters: np.ndarray, xy_mm: np.ndarray, distance_mm: float, corner_px: float) -> np.ndarray:
    """Image points, relative to the middle of the picture, of points of an inclined plane.

    Parameters
    ----------
    parameters : ndarray, shape (..., 11)
        Inclination along and across (radians), turn (radians), place x and y (mm), log of pixels per mm, log of the error of
        the distance, log of width over length as printed, radial displacement at the corner, principal point x and y (pixels).
    xy_mm : ndarray, shape (n, 2)
        Relative to the middle of the reference.
    distance_mm, corner_px : float
        Expected distance; half the diagonal of the picture.

    Returns
    -------
    ndarray, shape (..., n, 2)
    """
    along, across, turn, px, py, log_scale, log_far, log_aspect, bend, cx, cy = np.moveaxis(parameters, -1, 0)
    cos, sin = np.cos(along), np.sin(along)
    axis = np.stack([np.cos(turn) * cos, np.sin(turn) * cos, sin], axis=-1)
    flat = np.stack([-np.sin(turn), np.cos(turn), np.zeros_like(turn)], axis=-1)
    beside = np.cos(across)[..., None] * flat + np.sin(across)[..., None] * np.cross(axis, flat)
    far = distance_mm * np.exp(log_far)
    x, y = xy_mm[:, 0], xy_mm[:, 1] * np.exp(log_aspect)[..., None]
    point = axis[..., None, :] * x[:, None] + beside[..., None, :] * y[..., None]
    place = np.stack([px, py, far], axis=-1)[..., None, :]
    point = point + place
    focal = far * np.exp(log_scale)
    centre = np.stack([cx, cy], axis=-1)[..., None, :]
    image = point[..., :2] / point[..., 2:] * focal[..., None, None] + centre
    radius2 = np.sum(image**2, axis=-1, keepdims=True) / corner_px**2
    return np.asarray(image * (1 + bend[..., None, None] * radius2))


def plane_tilt(control_px: np.ndarray, control_mm: np.ndarray, covariance: np.ndarray, prior: Prior, corner_px: float) -> TiltPair:
    """Mean and standard deviation of both inclinations, over all that the prior leaves open.

    Parameters
    ----------
    control_px : ndarray, shape (n, 2)
        Image points relative to the middle of the picture.
    control_mm : ndarray, shape (n, 2)
        What of the plane they show, mm.
    covariance : ndarray, shape (2 n, 2 n)
        Of `control_px`, pixels^2, order x0, y0, x1, ...
    prior : Prior
    corner_px : float
        Half the diagonal of the picture.

    Notes
    -----
    The two inclinations are laid out on a grid; at each point turn, place, distance, aspect, distortion and principal
    point are fitted under their priors (least squares, a few rounds). Weights ``exp(-chi^2 / 2)`` with a normal prior give
    the moments: near zero, where foreshortening is flat and first order claims no uncertainty, they are still right,
    and where the sign cannot be told both signs are in them.
    """
    side = np.radians(np.arange(-_REACH_DEG, _REACH_DEG + 0.1, _COARSE_DEG))
    centre, spread = np.zeros(2), np.zeros(2)
    for level, blunt_px in enumerate(_BLUNT_PX):
        whiten = np.linalg.cholesky(np.linalg.inv(covariance + blunt_px**2 * np.eye(len(covariance)))).T
        fit = _Fit(control_px, control_mm - control_mm.mean(axis=0), whiten, prior, corner_px)
        reach = np.maximum(4.5 * spread, math.radians(0.02))
        grids = (np.linspace(c - r, c + r, _FINE) for c, r in zip(centre, reach)) if level else (side, side)
        centre, spread = fit.moments(*grids)
    return TiltPair(float(centre[0]), float(spread[0]), float(centre[1]), float(spread[1]))


@dataclass(frozen=True)
class _Fit:
    px: np.ndarray
    mm: np.ndarray
    whiten: np.ndarray
    prior: Prior
    corner_px: float

    def moments(self, along: np.ndarray, across: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Means and standard deviations over a grid of inclinations."""
        a, b = (grid.ravel() for grid in np.meshgrid(along, across, indexing="ij"))
        misfit = self._misfit(np.stack([a, b], axis=1)) + (a**2 + b**2) / math.radians(self.prior.tilt_deg) ** 2
        weight = np.exp(-0.5 * (misfit - misfit.min()))
        weight = weight / weight.sum()
        means = np.array([np.sum(weight * a), np.sum(weight * b)])
        variances = np.array([np.sum(weight * (a - means[0]) ** 2), np.sum(weight * (b - means[1]) ** 2)])
        steps = np.array([along[1] - along[0], across[1] - across[0]])
        return means, np.sqrt(variances + steps**2 / 12)

    def _misfit(self, tilts: np.ndarray) -> np.ndarray:
        parameters = np.concatenate([tilts, np.repeat(self._start()[None], len(tilts), axis=0)], axis=1)
        for _ in range(3):
            residual, jacobian = self._linear(parameters)
            normal = np.einsum("gij,gik->gjk", jacobian, jacobian)
            step = np.linalg.solve(normal, np.einsum("gij,gi->gj", jacobian, residual)[..., None])[..., 0]
            furthest = np.abs(step[:, 4:] / self._sd).max(axis=1)
            step = step / np.maximum(1.0, furthest / 2.0)[:, None]  # far from the data it would run away
            parameters = np.concatenate([tilts, parameters[:, 2:] + step], axis=1)
        residual, _ = self._linear(parameters)
        return np.asarray(np.sum(residual**2, axis=1))

    def _start(self) -> np.ndarray:
        """Turn, place and scale of the similarity that fits best; the rest as expected."""
        z, w = self.mm @ np.array([1, 1j]), (self.px - self.px.mean(axis=0)) @ np.array([1, 1j])
        ratio = np.vdot(z, w) / np.vdot(z, z)
        place = self.px.mean(axis=0) / abs(ratio)
        return np.array([np.angle(ratio), place[0], place[1], math.log(abs(ratio)), 0.0, 0.0, 0.0, 0.0, 0.0])

    def _linear(self, parameters: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Whitened residuals with the priors behind them, and minus their derivatives by the nuisances."""
        here = self._image(parameters)
        columns = []
        for k in range(2, 2 + _NUISANCES):
            step = 1e-3 if k in (3, 4, 9, 10) else 1e-6
            moved = parameters.copy()
            moved[:, k] += step
            columns.append((self._image(moved) - here) / step @ self.whiten.T)
        data = (self.px.ravel() - here) @ self.whiten.T
        pull = np.zeros((len(parameters), 5, _NUISANCES))
        pull[:, np.arange(5), np.arange(4, 9)] = 1 / self._sd
        residual = np.concatenate([data, -parameters[:, 6:] / self._sd], axis=1)
        return residual, np.concatenate([np.stack(columns, axis=-1), pull], axis=1)

    @property
    def _sd(self) -> np.ndarray:
        prior = self.prior
        return np.array([prior.relative_u_distance, prior.aspect_u, prior.distortion_u, prior.centre_u_px, prior.centre_u_px])

    def _image(self, parameters: np.ndarray) -> np.ndarray:
        return project_plane(parameters, self.mm, self.prior.distance_mm, self.corner_px).reshape(len(parameters), -1)
