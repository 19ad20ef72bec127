"""Seamless random textures: the small unevenness of enamel, gingiva and saliva."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from audit.imaging.sample import look_up

__all__ = ["TILE", "ripples", "tiled"]

TILE = 256


@lru_cache(maxsize=32)
def ripples(seed: int, low: float, high: float) -> np.ndarray:
    """Height and slopes of a periodic random surface, unit variance of height.

    Parameters
    ----------
    seed : int
    low, high : float
        Band of spatial frequency, cycles per tile.

    Returns
    -------
    ndarray of float32, shape (TILE, TILE, 3), read-only
        Height, slope in x and slope in y, each scaled to unit variance.
    """
    fx, fy = np.fft.fftfreq(TILE)[None, :] * TILE, np.fft.fftfreq(TILE)[:, None] * TILE
    radius = np.hypot(fx, fy)
    band = np.where((radius >= low) & (radius <= high), 1.0 / np.maximum(radius, 1.0), 0.0)
    noise = np.fft.fft2(np.random.default_rng(seed).standard_normal((TILE, TILE))) * band
    planes = [np.fft.ifft2(noise * factor).real for factor in (1.0, 1j * fx, 1j * fy)]
    result = np.stack([p / p.std() for p in planes], axis=-1).astype(np.float32)
    result.setflags(write=False)
    return result


def tiled(seed: int, low: float, high: float, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """`ripples` at tile coordinates of any size, shape (n,) to (n, 3)."""
    return look_up(ripples(seed, low, high), x.astype(np.float32), y.astype(np.float32), wrap=True)
