"""Tells a slot from what darkens a margin without being one: a brown stain, a step with its shadow.

Notes
-----
Three things darken a margin and are no slot. A stain keeps more red than blue: the missing light of
the three channels is split into a neutral part (the slot's) and a brown part. A step throws a shadow
that fades to one side: it is fitted instead of the slot, and the better of the two is kept. A narrow
dark line of the metal's own reflections is what the model error is for.

The variance of a station is taken from what its fit leaves over and from its neighbours', corrected
for its correlation across the margin; it is the variance of pixels, not of samples.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import uniform_filter1d
from scipy.special import ndtr

from audit.measure.slot_fit import SlotFit

__all__ = ["SLOPE_SD", "equivalent_widths", "pixel_variance", "shadow_ratio"]

SLOPE_SD = 0.004
"""Slope of the sides, relative to the tooth's level per pixel, one standard deviation."""
BROWN = np.array([0.60, 0.80, 1.00])
"""Light a brown stain takes from red, green and blue, relative to blue; common practice, no published source."""
U_STAIN = 0.20
"""Colour error of a line by chroma subsampling, in units of the blur."""


def pixel_variance(residual: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Variance of one pixel's worth of profile, shape (n, channels), correlation across the margin counted in."""
    w = weights[..., None]
    own = (w * residual**2).sum(axis=1) / np.maximum(w.sum(axis=1) - 6.0, 4.0)
    pooled = uniform_filter1d(own, size=min(9, len(own)), axis=0, mode="nearest")
    base = 0.5 * (own + pooled) + 1e-6
    r = residual * np.sqrt(w)
    lags = [(r[:, k:] * r[:, :-k]).sum() / np.maximum((r**2).sum(), 1e-12) for k in (1, 2, 3)]
    return np.asarray(base * max(1.0, 1.0 + 2.0 * sum(lags)))


def _solve(columns: np.ndarray, y: np.ndarray, weights: np.ndarray, ridge: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Weighted ridge least squares of many profiles: coefficients (n, q, c), inverse Gram (n, q, q), misfit (n, c)."""
    weighted = columns * weights[..., None]
    gram = weighted.transpose(0, 2, 1) @ columns + np.diag(ridge + 1e-9)
    data = weighted.transpose(0, 2, 1) @ y
    coefficients = np.linalg.solve(gram, data)
    misfit = np.einsum("nmc,nm->nc", y**2, weights) - np.einsum("nqc,nqc->nc", data, coefficients)
    return coefficients, np.linalg.inv(gram), misfit


def _step_columns(x: np.ndarray, centre: np.ndarray, blur: np.ndarray) -> list[np.ndarray]:
    u = x[None, :] - centre[:, None]
    right = ndtr(u / blur[:, None])
    return [1.0 - right, right, u * (1.0 - right), u * right]


def _ridge(variance: np.ndarray, more: int) -> np.ndarray:
    slope = float(np.median(variance)) / SLOPE_SD**2
    return np.array([0.0, 0.0, slope, slope] + [0.0] * more)


def equivalent_widths(x: np.ndarray, y: np.ndarray, weights: np.ndarray, variance: np.ndarray, fit: SlotFit) -> tuple[np.ndarray, ...]:
    """Equivalent width in luma and of the brown part in blue, with their uncertainties, pixels."""
    missing, u = _missing_light(x, y[..., -1:], weights, variance, fit)
    neutral, u_neutral = missing[:, 0], u[:, 0]
    if y.shape[2] == 1:
        return neutral, u_neutral, np.zeros(len(y)), np.full(len(y), np.inf)
    colour, u_colour = _missing_light(x, y[..., :3], weights, None, fit)
    stain = (colour[:, 2] - colour[:, 0]) / (BROWN[2] - BROWN[0])
    u_stain = np.hypot(u_colour[:, 2], u_colour[:, 0]) / (BROWN[2] - BROWN[0])
    u_stain = np.hypot(u_stain, U_STAIN * fit.blur_px)
    darkens = (colour[:, 0] > 0.2 * colour[:, 2]) & (stain > 0)
    return neutral, u_neutral, np.where(darkens, stain, 0.0), u_stain


def _missing_light(
    x: np.ndarray, y: np.ndarray, weights: np.ndarray, variance: np.ndarray | None, fit: SlotFit,
) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
    """Equivalent width of the fitted line in each channel and its uncertainty by noise, shape (n, channels), pixels."""
    width, blur, centre = np.maximum(np.abs(fit.width_px), 0.5), fit.blur_px, fit.theta[:, 0]
    u = x[None, :] - centre[:, None]
    line = (ndtr((u + width[:, None] / 2) / blur[:, None]) - ndtr((u - width[:, None] / 2) / blur[:, None])) / width[:, None]
    columns = np.stack([*_step_columns(x, centre, blur), line], axis=2)
    coefficients, inverse, _ = _solve(columns, y, weights, _ridge(np.full(1, 2e-4), 1))
    if variance is None:
        variance = pixel_variance(y - columns @ coefficients, weights)
    level = np.maximum(coefficients[:, :2].mean(axis=1), 0.05)
    return -coefficients[:, 4] / level, np.sqrt(inverse[:, 4, 4, None] * variance) / level


def shadow_ratio(x: np.ndarray, y: np.ndarray, weights: np.ndarray, variance: np.ndarray, fit: SlotFit) -> np.ndarray:
    """Chi-square of the best one-sided shadow, with a blur of its own, over that of the slot, shape (n,)."""
    size = min(5, len(y))
    best = np.full(len(y), np.inf)
    for factor in (0.6, 0.75, 0.9, 1.05):
        misfit = _shadow_misfit(x, y, weights, variance, fit.theta[:, 0], factor * fit.blur_px)
        best = np.minimum(best, uniform_filter1d(misfit, size, mode="nearest"))
    slot = (np.einsum("nmc,nm->nc", (y - fit.model) ** 2, weights) / variance).sum(axis=1)
    return np.asarray(best / np.maximum(uniform_filter1d(slot, size, mode="nearest"), 1e-9))


def _shadow_misfit(
    x: np.ndarray, y: np.ndarray, weights: np.ndarray, variance: np.ndarray, around: np.ndarray, blur: np.ndarray,
) -> np.ndarray:  # fmt: skip
    """Chi-square of the best one-sided shadow, shape (n,)."""
    best = np.full(len(y), np.inf)
    for shift in (-2.4, -1.2, 0.0, 1.2, 2.4):
        centre = around + shift
        step = _step_columns(x, centre, blur)
        u = x[None, :] - centre[:, None]
        for side in (-1.0, 1.0):
            for reach in (3.0, 5.0, 9.0):
                shadow = _blurred_decay(side * u, blur[:, None], reach)
                _, _, misfit = _solve(np.stack([*step, shadow], axis=2), y, weights, _ridge(variance, 1))
                best = np.minimum(best, (misfit / variance).sum(axis=1))
    return best


def _blurred_decay(u: np.ndarray, blur: np.ndarray, reach: float) -> np.ndarray:
    """One-sided exponential of length `reach`, blurred."""
    return np.asarray(np.exp(np.minimum(0.5 * (blur / reach) ** 2 - u / reach, 50.0)) * ndtr(u / blur - blur / reach))
