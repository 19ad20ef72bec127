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
from scipy.ndimage import maximum_filter1d, uniform_filter1d
from scipy.special import ndtr

from audit.measure.slot_fit import CENTRE, SlotFit, within_window

__all__ = ["CRITICAL", "SLOPE_SD", "U_STAIN", "darker", "equivalent_widths", "of_three", "pixel_variance", "shadow_ratio"]

CRITICAL = 3.0
"""Standard uncertainties from which on something is there."""
SLOPE_SD = 0.004
"""Slope of the sides, relative to the tooth's level per pixel, one standard deviation."""
BROWN = np.array([0.60, 0.80, 1.00])
"""Light a brown stain takes from red, green and blue, relative to blue; common practice, no published source."""
LIT = 0.12
"""Share of a side's light that a crevice may send back in its hue; common practice, no published source."""
BESIDE_PX = 6.0
U_STAIN = 0.20
"""Colour error of a line by chroma subsampling, in units of the blur."""
SHADOW_PX = np.array([3.0, 5.0, 9.0])
"""Lengths over which a shadow may fade, pixels."""


def pixel_variance(residual: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Variance of one pixel's worth of profile, shape (n, channels), correlation across the margin counted in."""
    w = weights[..., None]
    own = (w * residual**2).sum(axis=1) / np.maximum(w.sum(axis=1) - 6.0, 4.0)
    pooled = uniform_filter1d(own, size=min(9, len(own)), axis=0, mode="nearest")
    base = 0.5 * (own + pooled) + 1e-6
    r = residual * np.sqrt(w)
    lags = [(r[:, k:] * r[:, :-k]).sum() / np.maximum((r**2).sum(), 1e-12) for k in (1, 2, 3)]
    return np.asarray(base * max(1.0, 1.0 + 2.0 * sum(lags)))


def of_three(values: np.ndarray, u: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Mean over three stations and its uncertainty, stations taken as independent."""
    size = min(3, len(values))
    return uniform_filter1d(values, size, mode="nearest"), np.sqrt(uniform_filter1d(u**2, size, mode="nearest") / size)


def darker(equivalent_px: np.ndarray, u_equivalent_px: np.ndarray, u_systematic_px: np.ndarray) -> np.ndarray:
    """Stations that are darker than noise and model error make them, bool, shape (n,)."""
    mean, u_noise = of_three(equivalent_px, u_equivalent_px)
    return np.asarray(mean > CRITICAL * np.hypot(u_noise, u_systematic_px))


def _solve(functions: np.ndarray, y: np.ndarray, weights: np.ndarray, ridge: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Weighted ridge least squares of many profiles: coefficients (n, q, c) and inverse Gram (n, q, q)."""
    weighted = functions * weights[:, None, :]
    inverse = np.linalg.inv(weighted @ functions.transpose(0, 2, 1) + np.diag(ridge + 1e-9))
    return inverse @ (weighted @ y), inverse


def _step_functions(u: np.ndarray, blur: np.ndarray) -> list[np.ndarray]:
    right = ndtr(u / blur[:, None])
    left = 1.0 - right
    return [left, right, u * left, u * right]


def _ridge(variance: np.ndarray, more: int) -> np.ndarray:
    slope = float(np.median(variance)) / SLOPE_SD**2
    return np.array([0.0, 0.0, slope, slope] + [0.0] * more)


def equivalent_widths(x: np.ndarray, y: np.ndarray, weights: np.ndarray, variance: np.ndarray, fit: SlotFit) -> tuple[np.ndarray, ...]:
    """Equivalent width in luma and of the brown part in blue, their uncertainties, and pigment that no lit side explains, pixels; and the
    level of the line's green or blue, the brighter, relative to the tooth's."""
    missing, u, _ = _missing_light(x, y[..., -1:], weights, variance, fit)
    neutral, u_neutral = missing[:, 0], u[:, 0]
    if y.shape[2] == 1:
        return neutral, u_neutral, np.zeros(len(y)), np.full(len(y), np.inf), np.zeros(len(y)), np.zeros(len(y))
    colour, u_colour, beside = _missing_light(x, y[..., :3], weights, None, fit)
    stain = (colour[:, 2] - colour[:, 0]) / (BROWN[2] - BROWN[0])
    u_stain = np.hypot(u_colour[:, 2], u_colour[:, 0]) / (BROWN[2] - BROWN[0])
    u_stain = np.hypot(u_stain, U_STAIN * fit.blur_px)
    darkens = (colour[:, 0] > 0.2 * colour[:, 2]) & (stain > 0)
    sides = _beside(x, y[..., :3], fit)
    redder = np.maximum(sides[:, :, 0] - sides[:, :, 2], 0.0).max(axis=1)
    lit = LIT * redder / (BROWN[2] - BROWN[0]) * np.maximum(np.abs(fit.width_px), neutral)
    cold = (beside * (1.0 - colour / np.maximum(np.abs(fit.width_px), 0.5)[:, None]))[:, 1:].max(axis=1)
    return neutral, u_neutral, np.where(darkens, stain, 0.0), u_stain, np.where(darkens, np.maximum(stain - lit, 0.0), 0.0), cold


def _beside(x: np.ndarray, y: np.ndarray, fit: SlotFit) -> np.ndarray:
    """Levels of the two sides just beyond the slot's walls relative to their mean, shape (n, 2, channels)."""
    u = x[None, :] - fit.theta[:, CENTRE, None]
    away = np.abs(u) - (np.maximum(fit.width_px, 0.0) / 2 + 1.5 * fit.blur_px)[:, None]
    near = (away >= 0.0) & (away <= BESIDE_PX)
    levels = []
    for side in (u < 0, u > 0):
        weight = (near & side).astype(float)
        levels.append((weight[:, None, :] @ y)[:, 0] / np.maximum(weight.sum(axis=1), 1.0)[:, None])
    both = np.stack(levels, axis=1)
    return np.asarray(both / np.maximum(both.mean(axis=1, keepdims=True), 0.05))


def _missing_light(
    x: np.ndarray, y: np.ndarray, weights: np.ndarray, variance: np.ndarray | None, fit: SlotFit,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:  # fmt: skip
    """Equivalent width of the fitted line in each channel and its uncertainty by noise, pixels, and the light beside it: (n, channels)."""
    width, blur = np.maximum(np.abs(fit.width_px), 0.5), fit.blur_px
    u = x[None, :] - fit.theta[:, CENTRE, None]
    line = (ndtr((u + width[:, None] / 2) / blur[:, None]) - ndtr((u - width[:, None] / 2) / blur[:, None])) / width[:, None]
    functions = np.stack([*_step_functions(u, blur), line], axis=1)
    coefficients, inverse = _solve(functions, y, weights, _ridge(np.full(1, 2e-4), 1))
    if variance is None:
        variance = pixel_variance(y - functions.transpose(0, 2, 1) @ coefficients, weights)
    level = np.maximum(coefficients[:, :2].mean(axis=1), 0.05)
    return -coefficients[:, 4] / level, np.sqrt(inverse[:, 4, 4, None] * variance) / level, level


def shadow_ratio(
    x: np.ndarray, y: np.ndarray, weights: np.ndarray, variance: np.ndarray, fit: SlotFit, dark: np.ndarray,
) -> np.ndarray:  # fmt: skip
    """Chi-square of the best one-sided shadow, with a blur of its own, over that of the slot, shape (n,); looked for where it is `dark`."""
    out = np.full(len(y), np.inf)
    if not dark.any():
        return out
    size = min(5, len(y))
    slot = ((weights[..., None] * (y - fit.model) ** 2).sum(axis=1) / variance).sum(axis=1)
    near = np.flatnonzero(maximum_filter1d(dark, size, mode="nearest"))
    window = within_window(x, y[near], weights[near])
    blurs = np.array([0.6, 0.75, 0.9, 1.05])[:, None] * fit.blur_px[near]
    ridge, best = _ridge(variance, 0), np.full(len(y), np.inf)
    everywhere = np.zeros(len(y))
    for misfit in _shadow_misfits(*window, variance[near], fit.theta[near, CENTRE], blurs, ridge):
        everywhere[near] = misfit
        best = np.minimum(best, uniform_filter1d(everywhere, size, mode="nearest"))
    out[dark] = (best / np.maximum(uniform_filter1d(slot, size, mode="nearest"), 1e-9))[dark]
    return out


def _shadow_misfits(
    x: np.ndarray, y: np.ndarray, weights: np.ndarray, variance: np.ndarray, around: np.ndarray, blurs: np.ndarray, ridge: np.ndarray,
) -> np.ndarray:  # fmt: skip
    """Chi-square of the best one-sided shadow under each of the blurs (b, n), shape (b, n)."""
    best = np.full(blurs.shape, np.inf)
    for shift in (-2.4, -1.2, 0.0, 1.2, 2.4):
        u = x - (around + shift)[:, None]
        fading = np.exp(-u[:, None, :] / SHADOW_PX[:, None])
        for k, blur in enumerate(blurs):
            step = np.stack(_step_functions(u, blur), axis=1)
            shadow = np.concatenate([_blurred_decays(u, fading, blur), _blurred_decays(-u, 1.0 / fading, blur)], axis=1)
            misfit = _misfit_of_one_more(step, shadow, y, weights, ridge) / variance[:, None, :]
            best[k] = np.minimum(best[k], misfit.sum(axis=2).min(axis=1))
    return best


def _misfit_of_one_more(base: np.ndarray, more: np.ndarray, y: np.ndarray, weights: np.ndarray, ridge: np.ndarray) -> np.ndarray:
    """Misfit, shape (n, k, c), of `base` (n, q, m) and each of the k functions `more` (n, k, m) in turn, by its Schur complement."""
    weighted, more_weighted = base * weights[:, None, :], more * weights[:, None, :]
    gram = weighted @ base.transpose(0, 2, 1) + np.diag(ridge + 1e-9)
    data, cross = weighted @ y, weighted @ more.transpose(0, 2, 1)
    solved = np.linalg.solve(gram, np.concatenate([data, cross], axis=2))
    by_data, by_cross = solved[..., : y.shape[2]], solved[..., y.shape[2] :]
    alone = (weights[..., None] * y**2).sum(axis=1) - (data * by_data).sum(axis=1)
    own = (more_weighted * more).sum(axis=2) - (cross * by_cross).sum(axis=1)
    explained = more_weighted @ y - cross.transpose(0, 2, 1) @ by_data
    return np.asarray(alone[:, None, :] - explained**2 / np.maximum(own + 1e-9, 1e-9)[..., None])


def _blurred_decays(u: np.ndarray, fading: np.ndarray, blur: np.ndarray) -> np.ndarray:
    """One-sided exponentials of each length of `SHADOW_PX`, blurred, shape (n, 3, m); `fading` is ``exp(-u / SHADOW_PX)``."""
    ratio = blur[:, None, None] / SHADOW_PX[:, None]
    return np.asarray(np.exp(np.minimum(0.5 * ratio**2, 50.0)) * fading * ndtr((u / blur[:, None])[:, None, :] - ratio))
