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

Linearised = Callable[[np.ndarray], tuple[np.ndarray, np.ndarray]]
Solution = tuple[np.ndarray, np.ndarray, np.ndarray]


def minimise(
    linearised: Linearised, start: np.ndarray, low: np.ndarray, high: np.ndarray, moving: np.ndarray, tolerance: float = 1e-3
) -> Solution:  # fmt: skip
    """Parameters of least sums of squares, each problem for itself.

    Parameters
    ----------
    linearised : callable
        (k, p) parameters to (k, m) residuals and their (k, p, m) derivatives.
    start : ndarray, shape (k, p)
    low, high : ndarray, shape (p,)
        Bounds of those that move.
    moving : ndarray of int, shape (q,)
        Parameters that are sought; the others stay as they are in `start`.
    tolerance : float
        A problem has settled once a step lowers its sum of squares by less than this.

    Returns
    -------
    parameters : ndarray, shape (k, p)
    sums : ndarray, shape (k,)
        Sums of squares.
    slopes : ndarray, shape (k, q, m)
        Derivatives by those that move, at the solution.

    Notes
    -----
    Levenberg-Marquardt; a parameter that presses against its bound is held. A problem that has settled
    is left alone.
    """
    at = start.copy()
    at[:, moving] = np.clip(start[:, moving], low[moving] + 1e-9, high[moving] - 1e-9)
    value, every = linearised(at)
    slope = every[:, moving]
    sums, damping, active = (value**2).sum(axis=1), np.full(len(at), 1e-3), np.arange(len(at))
    for _ in range(MOST_STEPS):
        tried = at[active]
        step = _step(slope[active], value[active], tried[:, moving], damping[active], low[moving], high[moving])
        tried[:, moving] = np.clip(tried[:, moving] + step, low[moving], high[moving])
        new, every = linearised(tried)
        new_sums = (new**2).sum(axis=1)
        better = new_sums < sums[active]
        settled = np.where(better, sums[active] - new_sums < tolerance, damping[active] > 1e3)
        taken = active[better]
        at[taken], value[taken], slope[taken], sums[taken] = tried[better], new[better], every[better][:, moving], new_sums[better]
        damping[active] *= np.where(better, 1.0 / 6.0, 5.0)
        active = active[~settled]
        if not active.size:
            break
    return at, sums, slope


def _step(
    slope: np.ndarray, value: np.ndarray, at: np.ndarray, damping: np.ndarray, low: np.ndarray, high: np.ndarray
) -> np.ndarray:  # fmt: skip
    gradient = (slope @ value[..., None])[..., 0]
    held = ((at <= low) & (gradient > 0)) | ((at >= high) & (gradient < 0))
    slope = np.where(held[..., None], 0.0, slope)
    normal = slope @ slope.transpose(0, 2, 1)
    scale = np.maximum(np.diagonal(normal, axis1=1, axis2=2), 1e-8)
    normal = normal + np.eye(at.shape[1]) * (damping[:, None] * scale + np.where(held, 1.0, 0.0) + 1e-9)[:, None, :]
    step = -np.linalg.solve(normal, np.where(held, 0.0, gradient)[..., None])[..., 0]
    return np.asarray(np.where(held, 0.0, step))
