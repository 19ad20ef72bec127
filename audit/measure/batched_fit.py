"""Many small bounded least-squares problems of one shape, solved side by side.

References
----------
Levenberg, Q Appl Math 1944;2:164-168, https://doi.org/10.1090/qam/10666; Marquardt, J Soc Ind Appl Math 1963;11:431-441,
https://doi.org/10.1137/0111030.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

__all__ = ["Solution", "minimise"]

MOST_STEPS = 40

Solution = tuple[np.ndarray, np.ndarray, np.ndarray]


def minimise(
    residual: Callable[[np.ndarray], np.ndarray], start: np.ndarray, low: np.ndarray, high: np.ndarray, tolerance: float = 1e-3
) -> Solution:  # fmt: skip
    """Parameters of least sums of squares, each problem for itself.

    Parameters
    ----------
    residual : callable
        (k, p) parameters to (k, m) residuals.
    start : ndarray, shape (k, p)
    low, high : ndarray, shape (p,)
        Bounds.
    tolerance : float
        A problem has settled once a step lowers its sum of squares by less than this.

    Returns
    -------
    parameters : ndarray, shape (k, p)
    sums : ndarray, shape (k,)
        Sums of squares.
    jacobian : ndarray, shape (k, m, p)
        At the solution.

    Notes
    -----
    Levenberg-Marquardt with forward differences; a parameter that presses against its bound is held.
    """
    at = np.clip(start, low + 1e-9, high - 1e-9)
    value = residual(at)
    sums = (value**2).sum(axis=1)
    damping, settled = np.full(len(at), 1e-3), np.zeros(len(at), dtype=bool)
    for _ in range(MOST_STEPS):
        slope = _jacobian(residual, at, value, low, high)
        step = _step(slope, value, at, damping, low, high)
        tried = np.clip(at + step, low, high)
        new = residual(tried)
        new_sums = (new**2).sum(axis=1)
        better = new_sums < sums
        settled |= np.where(better, sums - new_sums < tolerance, damping > 1e3)
        at, value = np.where(better[:, None], tried, at), np.where(better[:, None], new, value)
        sums = np.minimum(sums, new_sums)
        damping = np.where(better, damping / 6.0, damping * 5.0)
        if settled.all():
            break
    return at, sums, _jacobian(residual, at, value, low, high)


def _jacobian(
    residual: Callable[[np.ndarray], np.ndarray], at: np.ndarray, value: np.ndarray, low: np.ndarray, high: np.ndarray
) -> np.ndarray:  # fmt: skip
    columns = []
    for k in range(at.shape[1]):
        size = 1e-5 * np.maximum(np.abs(at[:, k]), 0.1)
        size = np.where(at[:, k] + size > high[k], -size, size)
        moved = at.copy()
        moved[:, k] += size
        columns.append((residual(moved) - value) / size[:, None])
    return np.stack(columns, axis=2)


def _step(
    slope: np.ndarray, value: np.ndarray, at: np.ndarray, damping: np.ndarray, low: np.ndarray, high: np.ndarray
) -> np.ndarray:  # fmt: skip
    gradient = np.einsum("kmp,km->kp", slope, value)
    held = ((at <= low) & (gradient > 0)) | ((at >= high) & (gradient < 0))
    slope = np.where(held[:, None, :], 0.0, slope)
    normal = np.einsum("kmp,kmq->kpq", slope, slope)
    diagonal = np.einsum("kpp->kp", normal)
    scale = np.maximum(diagonal, 1e-8)
    count = at.shape[1]
    normal = normal + np.eye(count) * (damping[:, None] * scale + np.where(held, 1.0, 0.0) + 1e-9)[:, None, :]
    step = -np.linalg.solve(normal, np.where(held, 0.0, gradient)[..., None])[..., 0]
    return np.asarray(np.where(held, 0.0, step))
