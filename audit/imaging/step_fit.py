"""Where a blurred step lies in profiles taken across an edge, by least squares.

Notes
-----
Each profile is the outside colour plus a step that is blurred by a Gaussian, and on either side of it a ramp (shade outside, a
reflection that changes inside; ridge, so that they explain no step). What lies deeper inside than the blur reaches counts
half: mirrored light says little of the edge. For every place on a grid the model is linear, so that its residual follows from one
product of matrices; a step further in misfits what lies outside of it, so the outermost step wins over reflections behind it.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter1d
from scipy.special import ndtr

__all__ = ["misfit", "outside_colour", "settled"]

_BLURS_PX = (0.7, 1.0, 1.4, 2.0, 2.8, 4.0)
_RIDGE = 1.0
_CALM = 0.02
"""Share of the usual contrast that counts as none: where there is no edge to see, no place is preferred."""
_EVERY = 6
_DEEP = 0.5
"""Weight of what lies deep inside: enough that a step placed before the edge pays for the edge."""


def outside_colour(profile: np.ndarray, offsets: np.ndarray) -> np.ndarray:
    """Colour just outside the edge by profile, shape (n, 3), of profiles (n, m, 3) whose first samples lie outside."""
    outer = offsets < 0.55 * offsets[0]
    return np.asarray(gaussian_filter1d(np.median(profile[:, outer], axis=1), 2.0, axis=0, mode="wrap"))


def misfit(profile: np.ndarray, offsets: np.ndarray, places: np.ndarray) -> tuple[np.ndarray, float]:
    """What a step at each place leaves unexplained, share of the contrast, shape (n, c); and the blur that fits best, pixels.

    Parameters
    ----------
    profile : ndarray, shape (n, m, 3)
        Linear light from outside to inside.
    offsets, places : ndarray, shape (m,) and (c,)
        Where the samples lie, and where a step is tried, pixels.
    """
    outside = outside_colour(profile, offsets)
    contrast = (profile - outside[:, None]) / np.maximum(outside, 0.02)[:, None]
    strength = np.mean(contrast**2, axis=(1, 2))
    floor = _CALM * float(np.median(strength)) + 1e-5
    few, reach = contrast[::_EVERY], float(offsets[-1])
    blurs = [b for b in _BLURS_PX if b < reach / 3.0] or [_BLURS_PX[0]]
    left = [float(np.median((_residual(few, offsets, places, b) / (strength[::_EVERY, None] + floor)).min(axis=1))) for b in blurs]
    blur = blurs[int(np.argmin(left))]
    return _residual(contrast, offsets, places, blur) / (strength[:, None] + floor), blur


def _residual(contrast: np.ndarray, offsets: np.ndarray, places: np.ndarray, blur: float) -> np.ndarray:
    """Weighted mean square that the model leaves at each place, shape (n, c)."""
    s = offsets[None, :] - places[:, None]
    reach = float(offsets[-1])
    basis = np.stack([ndtr(s / blur), np.maximum(s, 0.0) / reach, np.minimum(s, 0.0) / reach], axis=1)
    weight = np.maximum(np.exp(-0.5 * (np.maximum(s - 2.5 * blur, 0.0) / (2.0 * blur)) ** 2), _DEEP)
    heavy = basis * weight[:, None]
    normal = np.einsum("cim,cjm->cij", heavy, basis) + np.diag([1e-6, _RIDGE, _RIDGE])
    root = np.linalg.cholesky(np.linalg.inv(normal))
    n, m, channels = contrast.shape
    flat = np.ascontiguousarray(contrast.transpose(1, 0, 2)).reshape(m, n * channels)
    explained = np.square((root.transpose(0, 2, 1) @ heavy).reshape(-1, m).astype(np.float32) @ flat.astype(np.float32))
    explained = explained.reshape(len(places), 3, n, channels).sum(axis=(1, 3))
    total = weight.astype(np.float32) @ np.square(flat).reshape(m, n, channels).sum(axis=2)
    return np.asarray(np.maximum(total - explained, 0.0) / (channels * weight.sum(axis=1)[:, None])).T


def settled(left: np.ndarray, column: np.ndarray, step: float, samples: float) -> tuple[np.ndarray, np.ndarray]:
    """Sub-step shift of the minimum near `column` of each row, and its standard uncertainty, pixels.

    Parameters
    ----------
    left : ndarray, shape (n, c)
        Misfit.
    column : ndarray of int, shape (n,)
    step : float
        Between places, pixels.
    samples : float
        Independent samples in a profile, all channels.
    """
    rows, at = np.arange(len(column)), np.clip(column, 1, left.shape[1] - 2)
    before, here, after = left[rows, at - 1], left[rows, at], left[rows, at + 1]
    bend = np.maximum(before - 2.0 * here + after, 1e-9)
    shift = (at - column + np.clip(0.5 * (before - after) / bend, -1.0, 1.0)) * step
    return shift, np.sqrt(2.0 * np.maximum(here, 1e-4) / max(samples - 4.0, 1.0) / bend) * step
