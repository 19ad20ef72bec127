"""Least-squares fit of an edge of given shape whose position along an outline is a parabola.

The shape is drawn once on a grid across the outline; every sample of the straightened picture reads it
at its own distance from the parabola.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.optimize import least_squares

__all__ = ["Outline"]

DIFFERENCE = 1.5e-8
"""Step of forward differences, relative, about the root of the precision of numbers."""


@dataclass(frozen=True)
class Outline:
    """A straightened picture beside an outline, and the shape that is to meet it.

    Parameters
    ----------
    along, across : ndarray, shape (n,), (m,)
        Pixels.
    scaled : ndarray, shape (n, m)
        Scaled grey.
    sigma : float
        Of one sample.
    grid : ndarray, shape (g,)
        Equally spaced distances from the edge, pixels.
    shapes : callable
        (k, p) parameters to (k, g) scaled grey; the first three, the parabola, do not matter to it.
    prior, prior_mean : ndarray, shape (r, p), (r,)
        ``prior @ parameters - prior_mean`` are r more residuals.
    """

    along: np.ndarray
    across: np.ndarray
    scaled: np.ndarray
    sigma: float
    grid: np.ndarray
    shapes: Callable[[np.ndarray], np.ndarray]
    prior: np.ndarray
    prior_mean: np.ndarray

    def fit(self, start: np.ndarray, low: np.ndarray, high: np.ndarray, moving: np.ndarray) -> Any:  # SciPy's result is untyped
        """Best parameters: SciPy's result, its ``x`` (p,) complete, its ``jac`` by those that are `moving` (indices)."""

        def complete(moved: np.ndarray) -> np.ndarray:
            p = start.copy()
            p[moving] = moved
            return p

        begin = np.clip(start, low + 1e-6, high - 1e-6)[moving]
        found = least_squares(
            lambda moved: self._residual(complete(moved)), begin, lambda moved: self._jacobian(complete(moved), moving),
            bounds=(low[moving], high[moving]), max_nfev=40,
        )  # fmt: skip
        found.x = complete(found.x)
        return found

    def _position(self, p: np.ndarray) -> np.ndarray:
        return np.asarray(self.across[None, :] - (p[0] + p[1] * self.along + p[2] * self.along**2)[:, None])

    def _residual(self, p: np.ndarray) -> np.ndarray:
        drawn = np.interp(self._position(p), self.grid, self.shapes(p[None])[0])
        return np.asarray(np.concatenate([((drawn - self.scaled) / self.sigma).ravel(), self.prior @ p - self.prior_mean]))

    def _jacobian(self, p: np.ndarray, moving: np.ndarray) -> np.ndarray:
        shaping = moving[moving >= 3]
        size = DIFFERENCE * np.maximum(np.abs(p[shaping]), 1.0)
        moved = np.repeat(p[None], len(shaping) + 1, axis=0)
        moved[np.arange(len(shaping)) + 1, shaping] += size
        curves = self.shapes(moved)
        step = float(self.grid[1] - self.grid[0])
        at = (self._position(p) - self.grid[0]) / step
        cell = np.clip(at.astype(int), 0, len(self.grid) - 2)
        rise = np.where((at >= 0.0) & (at <= len(self.grid) - 1), curves[0][cell + 1] - curves[0][cell], 0.0) / step
        part = np.clip(at - cell, 0.0, 1.0)
        by_shape = (curves[1:] - curves[0]) / size[:, None]
        by_place = [-rise * self.along[:, None] ** power for power in range(3)]
        slopes = np.concatenate([by_place, by_shape[:, cell] * (1.0 - part) + by_shape[:, cell + 1] * part]) / self.sigma
        return np.asarray(np.concatenate([slopes.reshape(len(moving), -1).T, self.prior[:, moving]]))
