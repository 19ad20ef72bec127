"""The outline of a disc or a ball as an ellipse, from its edge to sub-pixel in linear light."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares
from scipy.special import ndtr

from audit.imaging.colour import luminance
from audit.imaging.sample import sample_linear

__all__ = ["Ellipse", "fit_ellipse"]

_RAYS = 240
_STEP_PX = 0.5


@dataclass(frozen=True)
class Ellipse:
    """A bright or dark ellipse.

    Parameters
    ----------
    x, y : float
        Middle, pixels.
    radius : float
        Mean of the semi-axes, pixels; the edge stands where a sharp one would, whatever the blur.
    stretch : tuple of float
        ``e cos 2 theta, e sin 2 theta``: the semi-axes are ``radius (1 +- e)``, the longer one in direction theta.
    u_radius, u_stretch : float
    sigma_px : float
        Gaussian-equivalent blur.
    rms_px : float
        Scatter of single rays.
    seen : float
        Share of the outline on which the edge was found.
    """

    x: float
    y: float
    radius: float
    stretch: tuple[float, float]
    u_radius: float
    u_stretch: float
    sigma_px: float
    rms_px: float
    seen: float

    def outline(self) -> np.ndarray:
        """Points of the outline, shape (n, 2), closed."""
        angle = np.linspace(0.0, 2 * math.pi, 121)
        return _on(np.array([self.x, self.y, self.radius, *self.stretch]), angle)


def fit_ellipse(pixels: np.ndarray, outline: np.ndarray) -> Ellipse | None:
    """The clearest elliptical edge near a rough outline, shape (n, 2); ``None`` where there is none.

    Notes
    -----
    Rays cross the outline at right angles; on each the edge is the centroid of the slope of the light, of the sign that most
    rays show. A robust geometric fit gives the ellipse; the mean edge across it, a step convolved with a Gaussian, moves
    it to where a sharp edge would stand. A blurred disc of radius R looks smaller by ``sigma^2 / (2 R)``, which is taken out.
    """
    middle = (outline.min(axis=0) + outline.max(axis=0)) / 2
    shape = np.array([*middle, float(np.mean(np.hypot(*(outline - middle).T))), 0.0, 0.0])
    reach = float(np.clip(0.3 * shape[2], 5.0, 25.0))
    for narrower in (1.0, 0.6, 0.4):
        half = max(narrower * reach, min(reach, 9.0))
        s = np.arange(-half, half + 0.1, _STEP_PX)
        angle = np.linspace(0.0, 2 * math.pi, _RAYS, endpoint=False)
        values = _light(pixels, _rays(shape, angle, s))
        places = _edges(values, s)
        if places is None or np.isfinite(places).mean() < 0.4:
            return None
        fit = _fitted(shape, angle, places)
        shape = fit[0]
    return _finished(pixels, shape, *fit[1:], s, angle)


def _light(pixels: np.ndarray, xy: np.ndarray) -> np.ndarray:
    values = sample_linear(pixels, xy, cubic=True)
    return luminance(values) if values.ndim > xy.ndim - 1 else values


def _on(shape: np.ndarray, angle: np.ndarray) -> np.ndarray:
    """Points of the ellipse; to first order in the stretch, radius times ``1 + e cos 2 (angle - theta)``."""
    turn = 0.5 * math.atan2(shape[4], shape[3])
    e = math.hypot(shape[3], shape[4])
    u, v = shape[2] * (1 + e) * np.cos(angle - turn), shape[2] * (1 - e) * np.sin(angle - turn)
    return np.stack([shape[0] + u * math.cos(turn) - v * math.sin(turn), shape[1] + u * math.sin(turn) + v * math.cos(turn)], axis=-1)


def _rays(shape: np.ndarray, angle: np.ndarray, s: np.ndarray) -> np.ndarray:
    on = _on(shape, angle)
    along = _on(shape, angle + 1e-4) - on
    normal = np.stack([along[:, 1], -along[:, 0]], axis=1) / np.hypot(*along.T)[:, None]
    return np.asarray(on[:, None, :] + s[None, :, None] * normal[:, None, :])


def _edges(values: np.ndarray, s: np.ndarray) -> np.ndarray | None:
    """Place of the edge on each ray, NaN where it is not clear; ``None`` where no sign prevails."""
    slope = np.gradient(np.nan_to_num(values), axis=1)
    slope[~np.isfinite(values)] = 0.0
    rise, fall = slope.max(axis=1), (-slope).max(axis=1)
    sign = 1.0 if np.median(rise) > np.median(fall) else -1.0
    slope = np.clip(sign * slope, 0, None)
    top = slope.max(axis=1)
    peak = slope.argmax(axis=1)
    near = np.abs(np.arange(len(s))[None, :] - peak[:, None]) * _STEP_PX <= 4.0
    weight = np.where(near & (slope > 0.3 * top[:, None]), slope, 0.0)
    total = weight.sum(axis=1)
    clear = (top > 0.4 * np.median(top)) & (total > 0) & (peak > 1) & (peak < len(s) - 2)
    return np.where(clear, (weight @ s) / np.maximum(total, 1e-12), np.nan) if total.max() > 1e-3 else None


def _fitted(shape: np.ndarray, angle: np.ndarray, places: np.ndarray) -> tuple[np.ndarray, np.ndarray, float, float]:
    """The ellipse through the edges, its covariance, scatter and share of rays that agree."""
    seen = np.isfinite(places)
    points = (
        _rays(shape, angle[seen], np.zeros(1))[:, 0]
        + (_rays(shape, angle[seen], np.ones(1))[:, 0] - _rays(shape, angle[seen], np.zeros(1))[:, 0]) * places[seen, None]
    )

    def away(p: np.ndarray) -> np.ndarray:
        turn, e = 0.5 * math.atan2(p[4], p[3]), math.hypot(p[3], p[4])
        dx, dy = points[:, 0] - p[0], points[:, 1] - p[1]
        u, v = dx * math.cos(turn) + dy * math.sin(turn), dy * math.cos(turn) - dx * math.sin(turn)
        a, b = p[2] * (1 + e), p[2] * (1 - e)
        rho = np.hypot(u / a, v / b)
        return np.asarray((rho - 1) * rho / np.hypot(u / a**2, v / b**2))

    fit = least_squares(away, shape, loss="soft_l1", f_scale=0.15, x_scale=np.array([1, 1, 1, 1e-2, 1e-2]))
    left = away(fit.x)
    spread = max(1.4826 * float(np.median(np.abs(left))), 0.01)
    good = np.abs(left) < 4 * spread
    rms = float(np.sqrt(np.mean(left[good] ** 2)))
    circumference = 2 * math.pi * fit.x[2]
    independent = min(1.0, circumference / (1.5 * _RAYS))  # rays closer than a pixel and a half repeat one another
    covariance = np.linalg.pinv(fit.jac.T @ fit.jac) * rms**2 / independent
    return fit.x, covariance, rms, float(good.sum()) / len(places)


def _finished(
    pixels: np.ndarray, shape: np.ndarray, covariance: np.ndarray, rms: float, seen: float, s: np.ndarray, angle: np.ndarray
) -> Ellipse | None:
    values = _light(pixels, _rays(shape, angle, s))
    mean = np.nanmedian(values, axis=0)
    level = np.array([mean[:3].mean(), mean[-3:].mean()])
    rise = float(level[1] - level[0])
    if abs(rise) < 0.01:
        return None

    def step(p: np.ndarray) -> np.ndarray:
        return np.asarray((p[2] + p[3] * ndtr((s - p[0]) / math.exp(p[1])) + p[4] * s - mean) / rise)

    edge = least_squares(step, np.array([0.0, 0.2, level[0], rise, 0.0]))
    shift, sigma = float(edge.x[0]), math.exp(float(edge.x[1]))
    if abs(shift) > 2.0 or not 0.1 < sigma < abs(s[0]) / 2:
        return None
    radius = float(shape[2]) + shift + sigma**2 / (2 * float(shape[2]))
    u_radius = math.hypot(math.sqrt(covariance[2, 2]), 0.5 * abs(shift))
    u_stretch = math.sqrt(max(covariance[3, 3], covariance[4, 4]))
    return Ellipse(float(shape[0]), float(shape[1]), radius, (float(shape[3]), float(shape[4])), u_radius, u_stretch, sigma, rms, seen)
