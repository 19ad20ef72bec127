"""Corrects the largest of many noisy means for having been chosen because it is the largest.

Notes
-----
The values already hold one draw of their noise, so a second draw on top of them would find too little: the spread that the noise
explains in 95 % of cases is taken out first (the values are shrunk to their mean), then the noise is drawn anew. What errs along a
margin - textures, reflections - errs alike over a few stations: the noise is drawn with that length.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter1d

__all__ = ["excess_of_largest", "windows_of"]

DRAWS = 400
ALIKE = 1.5
"""Standard deviation, in stations, of the kernel along which errors are alike."""
CORRELATED = 5.3
"""Stations to one independent error, under that kernel: 2 sqrt(pi) of its standard deviation."""
_SEED = 20240229


def excess_of_largest(values: np.ndarray, sd: np.ndarray, windows: np.ndarray) -> float:
    """By how much the largest mean over `windows` (k, size) of `values` (n,), each with noise `sd` (n,), is too large on average."""
    used = np.unique(windows)
    middle, variance = values[used].mean(), values[used].var()
    most = (1.0 + 1.645 * (2.0 * CORRELATED / len(used)) ** 0.5) * float((sd[used] ** 2).mean())
    left = max(0.0, 1.0 - most / max(float(variance), 1e-12))
    shrunk = middle + left**0.5 * (values - middle)
    white = np.random.default_rng(_SEED).normal(size=(DRAWS, len(values)))
    alike = gaussian_filter1d(white, ALIKE, axis=1, mode="reflect")
    noise = alike / alike.std() * sd
    drawn = (shrunk + noise)[:, windows].mean(axis=2).max(axis=1)
    return float(drawn.mean() - shrunk[windows].mean(axis=1).max())


def windows_of(index: np.ndarray, size: int) -> np.ndarray:
    """Every `size` of the stations `index` that follow one another, shape (k, size)."""
    rows = np.lib.stride_tricks.sliding_window_view(index, size)
    close = rows[:, -1] - rows[:, 0] < size + 1
    return np.asarray(rows[close] if close.any() else rows)
