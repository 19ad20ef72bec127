"""Fits a blurred slot between two sides to many profiles at once.

Notes
-----
One profile across an interface, in linear light relative to the tooth, is

    f(x) = a (1 - F(x - l)) + t (F(x - l) - F(x - r)) + b F(x - r),   l = c - w/2,  r = c + w/2

with side levels ``a`` and ``b`` (each with a gentle slope), a slot of width ``w`` and level ``t``, and
an edge response ``F`` of Gaussian blur ``s``, with an overshoot where the camera sharpened. The model
runs smoothly through ``w = 0`` to a bright line (``w < 0``), so a signed width needs no special case.
Alone, ``w`` and ``t`` of a narrow slot cannot be told apart: what is well measured is the equivalent
width, the missing light divided by the light beside it.

Side levels are linear and solved in closed form (variable projection); centre, width, logarithm of
the blur and slot level are found by damped Gauss-Newton steps, all profiles together. Blur and slot
level have priors, never fixed values, and may be coupled between neighbours by a random walk: the
joint fit. Every sample is weighted by the pixels it stands for, so denser sampling adds nothing.

References
----------
Golub, Pereyra, Inverse Probl 2003;19:R1-R26, https://doi.org/10.1088/0266-5611/19/2/201 (variable projection).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_solve_banded, cholesky_banded
from scipy.special import ndtr

__all__ = ["CENTRE", "LEVEL", "LOG_BLUR", "WIDTH", "SlotFit", "SlotPrior", "fit_slots", "slot_profile", "within_window"]

CENTRE, WIDTH, LOG_BLUR, LEVEL = range(4)
_STEP_LIMIT = np.array([1.5, 2.0, 0.15, 0.10])
_LEVEL_BOUNDS = (0.0, 0.6)
_BLUR_BOUND_SD = 3.0
_MOST_STEPS = 30
_STALLED = 1e4
_SETTLED = 1e-3
"""A profile has settled once its step promises to lower chi-square by less than this."""


@dataclass(frozen=True)
class SlotPrior:
    """What is known of blur and slot level before a profile is looked at.

    Parameters
    ----------
    blur_px, blur_rel : float or ndarray, float
        Gaussian blur, pixels, and its relative standard uncertainty.
    level, level_sd : float
        Slot level relative to the tooth beside it, and its standard uncertainty.
    centre_sd_px : float
        How far the interface may lie from where the profile was centred.
    slope_sd : float
        Standard deviation of the side slopes, relative to the tooth's level per pixel; 0 for level sides.
    blur_walk, level_walk : float
        Standard deviation of the change of log blur and of level from one profile to the next;
        ``inf`` leaves every profile by itself.
    overshoot, overshoot_px : float
        Weight and radius of the sharpening mask that the camera put on.
    """

    blur_px: float | np.ndarray
    blur_rel: float = 0.15
    level: float = 0.12
    level_sd: float = 0.08
    centre_sd_px: float = np.inf
    slope_sd: float = 0.0
    blur_walk: float = np.inf
    level_walk: float = np.inf
    overshoot: float = 0.0
    overshoot_px: float = 1.5


@dataclass(frozen=True)
class SlotFit:
    """Maximum a posteriori slots of n profiles.

    Parameters
    ----------
    theta : ndarray, shape (n, 4)
        Centre and width in pixels, log of the blur in pixels, slot level.
    covariance : ndarray, shape (n, 4, 4)
        Of each profile's four, given the variance of the samples.
    sides : ndarray, shape (n, channels, 2)
        Levels a and b at the slot's two walls.
    model : ndarray, shape (n, m, channels)
    cost : ndarray, shape (n,)
        Weighted sum of squares over variance, priors included.
    width_covariance : ndarray, shape (n, n)
        Of the widths of all profiles: the shared blur and level correlate them.
    """

    theta: np.ndarray
    covariance: np.ndarray
    sides: np.ndarray
    model: np.ndarray
    cost: np.ndarray
    width_covariance: np.ndarray

    @property
    def width_px(self) -> np.ndarray:
        """Signed slot width, pixels, shape (n,)."""
        return self.theta[:, WIDTH]

    @property
    def blur_px(self) -> np.ndarray:
        """Gaussian blur, pixels, shape (n,)."""
        return np.asarray(np.exp(self.theta[:, LOG_BLUR]))

    @property
    def equivalent_width_px(self) -> np.ndarray:
        """Width of a black slot that takes away the same light, pixels, shape (n,)."""
        level = np.maximum(self.sides.mean(axis=(1, 2)), 1e-3)
        return np.asarray(self.theta[:, WIDTH] * (1.0 - self.theta[:, LEVEL] / level))


def slot_profile(x: np.ndarray, theta: np.ndarray, a: float, b: float) -> np.ndarray:
    """The ideal profile with level sides and plain Gaussian blur, for one `theta` of shape (4,), at offsets `x`."""
    centre, width, log_blur, level = theta
    left = ndtr((x - centre + width / 2.0) / np.exp(log_blur))
    right = ndtr((x - centre - width / 2.0) / np.exp(log_blur))
    return np.asarray(a * (1.0 - left) + level * (left - right) + b * right)


def fit_slots(
    offset_px: np.ndarray, profiles: np.ndarray, weights: np.ndarray, variance: np.ndarray, start: np.ndarray, prior: SlotPrior,
) -> SlotFit:  # fmt: skip
    """Slots of n profiles, together.

    Parameters
    ----------
    offset_px : ndarray, shape (m,)
        Position across the interface.
    profiles : ndarray, shape (n, m, channels)
        Linear light relative to the tooth.
    weights : ndarray, shape (n, m)
        Pixels that each sample stands for, 0 outside the profile's window.
    variance : ndarray, shape (n, channels)
        Of one pixel's worth of profile.
    start : ndarray, shape (n, 2)
        First guess of centre and width, pixels.
    prior : SlotPrior
    """
    n = len(profiles)
    problem = _Problem(offset_px, profiles, weights, variance, start[:, 0], prior)
    theta = np.concatenate([start, np.tile([0.0, prior.level], (n, 1))], axis=1)
    theta[:, LOG_BLUR] = problem.mean[:, LOG_BLUR]
    theta, hessian, cost = _each_alone(problem, theta)
    walk = np.array([0.0, 0.0, prior.blur_walk**-2.0, prior.level_walk**-2.0])
    if n > 1 and walk.any():
        theta, covariance, width_covariance = _together(problem, theta, walk)
        cost = problem.normal(theta)[2]
    else:
        covariance = np.linalg.inv(hessian)
        width_covariance = np.diag(covariance[:, WIDTH, WIDTH])
    model, sides = problem.model(theta)
    return SlotFit(theta, covariance, sides, model, cost, width_covariance)


def _each_alone(problem: _Problem, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Levenberg-Marquardt on each profile by itself, one batch: theta, and Gauss-Newton matrix and cost there."""
    active = np.arange(len(theta))
    damping = np.full(len(theta), 1e-3)
    gradient, hessian, cost = problem.normal(theta)
    for _ in range(_MOST_STEPS):
        slope, h = gradient[active], hessian[active]
        damped = h + damping[active, None, None] * np.eye(4) * np.diagonal(h, axis1=1, axis2=2)[:, None, :]
        step = np.linalg.solve(damped, slope[..., None])[..., 0]
        trial = problem.bounded(theta[active] + np.clip(step, -_STEP_LIMIT, _STEP_LIMIT), active)
        new = problem.normal(trial, active)
        better = new[2] <= cost[active]
        moved = trial - theta[active]
        taken = active[better]
        theta[taken] = trial[better]
        gradient[taken], hessian[taken], cost[taken] = new[0][better], new[1][better], new[2][better]
        damping[active] *= np.where(better, 0.2, 8.0)
        settled = np.abs(slope * moved).sum(axis=1) < _SETTLED
        done = settled | (better & (np.abs(moved).max(axis=1) < 2e-3)) | (damping[active] > _STALLED)
        active = active[~done]
        if not len(active):
            break
    return theta, hessian, cost


def _together(problem: _Problem, theta: np.ndarray, walk: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Gauss-Newton with blur and level coupled between neighbours; returns theta and its covariances."""
    n = len(theta)
    neighbours = np.full((n, 1), 2.0)
    neighbours[[0, -1]] = 1.0
    everyone = np.arange(n)
    for _ in range(8):
        gradient, hessian, _cost = problem.normal(theta)
        beside = np.zeros_like(theta)
        beside[1:] += theta[:-1]
        beside[:-1] += theta[1:]
        right = gradient - walk * (neighbours * theta - beside)
        factor = cholesky_banded(_banded(hessian, neighbours * walk, walk), lower=True, check_finite=False)
        step = cho_solve_banded((factor, True), right.ravel(), check_finite=False).reshape(n, 4)
        new = problem.bounded(theta + np.clip(step, -_STEP_LIMIT, _STEP_LIMIT), everyone)
        moved = float(np.abs(new - theta).max())
        theta = new
        if moved < 1e-3:
            break
    inverse = cho_solve_banded((factor, True), np.eye(4 * n).T, overwrite_b=True, check_finite=False).reshape(n, 4, n, 4)
    return theta, inverse[everyone, :, everyone, :], inverse[:, WIDTH, :, WIDTH]


def _banded(hessian: np.ndarray, own: np.ndarray, walk: np.ndarray) -> np.ndarray:
    """Lower diagonals, shape (5, 4 n), of the blocks with `own` (n, 4) on the diagonal and ``-walk`` (4,) between neighbours."""
    n = len(hessian)
    out = np.zeros((5, n, 4))
    for below in range(4):
        out[below, :, : 4 - below] = np.diagonal(hessian, -below, axis1=1, axis2=2)
    out[0] = (out[0] + own) * (1.0 + 1e-6)
    out[4, :-1] = -walk
    return out.reshape(5, 4 * n)


def within_window(x: np.ndarray, y: np.ndarray, weights: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Of n profiles the samples that count: offsets and weights, shape (n, k), and values, shape (n, k, channels).

    k is what the widest window needs; samples of no weight that others have beside theirs stay.
    """
    counts = weights > 0.0
    first = counts.argmax(axis=1)
    last = weights.shape[1] - counts[:, ::-1].argmax(axis=1)
    size = max(1, int(np.where(counts.any(axis=1), last - first, 1).max()))
    taken = np.minimum(first, weights.shape[1] - size)[:, None] + np.arange(size)
    return x[taken], np.take_along_axis(y, taken[..., None], axis=1), np.take_along_axis(weights, taken, axis=1)


class _Problem:
    """The profiles with their priors; everything is computed from Gram matrices of a few functions."""

    def __init__(self, x: np.ndarray, y: np.ndarray, weights: np.ndarray, variance: np.ndarray,
                 centre: np.ndarray, prior: SlotPrior) -> None:  # fmt: skip
        self.offset, self.prior = x, prior
        self.x, self.y, self.weights = within_window(x, y, weights)
        self.energy = (self.weights[..., None] * self.y**2).sum(axis=1)
        self.precision = 1.0 / variance
        n = len(y)
        blur = np.broadcast_to(np.log(prior.blur_px), (n,))
        self.mean = np.stack([centre, np.zeros(n), blur, np.full(n, prior.level)], axis=1)
        self.prior_precision = np.array([prior.centre_sd_px**-2.0, 0.0, prior.blur_rel**-2.0, prior.level_sd**-2.0])
        slope = prior.slope_sd**-2.0 if prior.slope_sd > 0 else 0.0
        self.ridge = np.diag(np.array([0.0, 0.0, slope, slope])[: 4 if prior.slope_sd > 0 else 2] + 1e-9)

    def bounded(self, theta: np.ndarray, index: np.ndarray) -> np.ndarray:
        """`theta` inside the bounds of blur and level."""
        reach = _BLUR_BOUND_SD * self.prior.blur_rel
        theta[:, LOG_BLUR] = np.clip(theta[:, LOG_BLUR] - self.mean[index, LOG_BLUR], -reach, reach) + self.mean[index, LOG_BLUR]
        theta[:, LEVEL] = np.clip(theta[:, LEVEL], *_LEVEL_BOUNDS)
        return theta

    def _functions(self, theta: np.ndarray, x: np.ndarray) -> np.ndarray:
        """Wall densities, their moments, the slot, the sides: shape (n, 7 or 9, k), at offsets (n or 1, k)."""
        blur = np.exp(theta[:, LOG_BLUR])[:, None, None]
        walls = theta[:, CENTRE, None] + theta[:, WIDTH, None] * np.array([-0.5, 0.5])
        u = x[:, None, :] - walls[:, :, None]
        edge, density, moment = _edge_response(u, blur, self.prior)
        out = np.empty((len(theta), 5 + len(self.ridge), u.shape[2]))
        out[:, 0:2], out[:, 2:4] = density, moment
        out[:, 4] = edge[:, 0] - edge[:, 1]
        out[:, 5], out[:, 6] = 1.0 - edge[:, 0], edge[:, 1]
        if len(self.ridge) == 4:
            out[:, 7:9] = u * out[:, 5:7]
        return out

    def _solve(self, theta: np.ndarray, index: np.ndarray | slice) -> tuple[np.ndarray, ...]:
        """Gram matrix, data, what the sides explain, side coefficients, and the other functions projected on the sides."""
        functions = self._functions(theta, self.x[index])
        weighted = functions * self.weights[index][:, None, :]
        gram = weighted @ functions.transpose(0, 2, 1)
        data = weighted @ self.y[index]
        right = data[:, 5:] - theta[:, LEVEL][:, None, None] * gram[:, 5:, 4:5]
        solved = np.linalg.solve(gram[:, 5:, 5:] + self.ridge, np.concatenate([right, gram[:, 5:, :5]], axis=2))
        channels = right.shape[2]
        return gram, data, right, solved[..., :channels], solved[..., channels:]

    def normal(self, theta: np.ndarray, index: np.ndarray | slice = slice(None)) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Descent direction's right side, Gauss-Newton matrix and cost, priors included."""
        gram, data, right, coefficients, projected = self._solve(theta, index)
        n, channels = right.shape[0], right.shape[2]
        level = theta[:, LEVEL][:, None, None]
        residual = data[:, :5] - gram[:, :5, 5:] @ coefficients - level * gram[:, :5, 4:5]
        jacobian = _jacobian(coefficients[:, 0], coefficients[:, 1], theta[:, LEVEL])
        schur = gram[:, :5, :5] - gram[:, :5, 5:] @ projected
        precision = self.precision[index]
        weighted = (jacobian * precision[:, :, None, None]).reshape(n, channels * 5, 4).transpose(0, 2, 1)
        hessian = weighted @ (schur[:, None] @ jacobian).reshape(n, channels * 5, 4)
        gradient = (weighted @ residual.transpose(0, 2, 1).reshape(n, channels * 5, 1))[..., 0]
        energy = self.energy[index] - 2 * level[..., 0] * data[:, 4] + level[..., 0] ** 2 * gram[:, 4, 4][:, None]
        cost = (precision * (energy - (right * coefficients).sum(axis=1))).sum(axis=1)
        away = self.mean[index] - theta
        gradient = gradient + self.prior_precision * away
        hessian = hessian + np.diag(self.prior_precision + 1e-9)
        return gradient, hessian, cost + (self.prior_precision * away**2).sum(axis=1)

    def model(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Fitted profiles over all offsets, shape (n, m, channels), and side levels, shape (n, channels, 2)."""
        coefficients = self._solve(theta, slice(None))[3]
        functions = self._functions(theta, self.offset[None, :])
        fitted = functions[:, 5:].transpose(0, 2, 1) @ coefficients + (theta[:, LEVEL, None] * functions[:, 4])[..., None]
        return fitted, coefficients[:, :2].transpose(0, 2, 1)


def _edge_response(u: np.ndarray, blur: np.ndarray, prior: SlotPrior) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Blurred edge, its density, and minus its derivative by log blur."""
    z = u / blur
    edge, density = ndtr(z), np.exp(-0.5 * z * z) / (blur * np.sqrt(2 * np.pi))
    moment = u * density
    if prior.overshoot > 0:
        wide = np.hypot(blur, prior.overshoot_px)
        z = u / wide
        a, density_wide = prior.overshoot, np.exp(-0.5 * z * z) / (wide * np.sqrt(2 * np.pi))
        edge = (1 + a) * edge - a * ndtr(z)
        density = (1 + a) * density - a * density_wide
        moment = (1 + a) * moment - a * u * density_wide * (blur / wide) ** 2
    return edge, density, moment


def _jacobian(a: np.ndarray, b: np.ndarray, level: np.ndarray) -> np.ndarray:
    """Weights of the five functions in the derivatives by the four parameters, shape (n, channels, 5, 4)."""
    left, right = a - level[:, None], level[:, None] - b
    out = np.zeros((*a.shape, 5, 4))
    out[..., 0, CENTRE], out[..., 1, CENTRE] = left, right
    out[..., 0, WIDTH], out[..., 1, WIDTH] = -0.5 * left, 0.5 * right
    out[..., 2, LOG_BLUR], out[..., 3, LOG_BLUR] = left, right
    out[..., 4, LEVEL] = 1.0
    return out
