"""The slot fit against SciPy's curve_fit, the Cramer-Rao bound of the same joint model, and its own claims."""

import numpy as np
import pytest
from scipy.optimize import curve_fit

from audit.measure.slot_fit import LEVEL, LOG_BLUR, WIDTH, SlotPrior, fit_slots, slot_profile

X = np.arange(-25.0, 26.0)
NOISE = 0.01


def _profiles(rng, n, widths, x=X, noise=NOISE):
    theta = np.stack(
        [rng.normal(0, 1, n), rng.uniform(*widths, n), np.log(rng.normal(1.5, 0.15, n)), rng.normal(0.12, 0.05, n).clip(0.01)], axis=1
    )
    sides = rng.uniform([0.8, 0.4], [1.0, 0.9], (n, 2))
    clean = np.stack([slot_profile(x, t, *s) for t, s in zip(theta, sides)])
    return theta, sides, clean + rng.normal(0, noise, clean.shape)


def _fit(y, prior, start_width=8.0, x=X, noise=NOISE):
    start = np.tile([0.0, start_width], (len(y), 1))
    weights = np.full(y.shape, x[1] - x[0])
    return fit_slots(x, y[..., None], weights, np.full((len(y), 1), noise**2 * (x[1] - x[0])), start, prior)


def test_same_answers_as_scipy_curve_fit():
    """SciPy's curve_fit on the same model, priors entered as two more data."""
    rng = np.random.default_rng(1)
    _theta, _sides, y = _profiles(rng, 60, (3, 14))
    fit = _fit(y, SlotPrior(1.5))

    def model(_x, centre, width, log_blur, level, a, b):
        return np.append(slot_profile(X, np.array([centre, width, log_blur, level]), a, b), [log_blur / 0.15 * NOISE, level / 0.08 * NOISE])

    for i, profile in enumerate(y):
        data = np.append(profile, [np.log(1.5) / 0.15 * NOISE, 0.12 / 0.08 * NOISE])
        best, _ = curve_fit(model, np.arange(len(data)), data, p0=[0, 8, np.log(1.5), 0.12, profile[0], profile[-1]])
        assert np.abs(fit.theta[i, :2] - best[:2]).max() < 0.02


def test_within_1p3_of_the_cramer_rao_bound_of_the_joint_model():
    """Twelve profiles that share blur and level; Fisher information by finite differences of the whole joint model."""
    rng = np.random.default_rng(2)
    n, blur, level = 12, 1.5, 0.12
    errors, bounds = [], []
    for _ in range(25):
        centre, width = rng.normal(0, 0.5, n), rng.uniform(4 * blur, 9 * blur, n)
        sides = rng.uniform([0.8, 0.4], [1.0, 0.9], (n, 2))
        true = np.concatenate([centre, width, sides.ravel(), [np.log(rng.normal(blur, 0.1 * blur)), max(0.01, rng.normal(level, 0.05))]])

        def joint(p):
            return np.concatenate(
                [slot_profile(X, np.array([p[i], p[n + i], p[-2], p[-1]]), p[2 * n + 2 * i], p[2 * n + 2 * i + 1]) for i in range(n)]
            )

        clean = joint(true)
        jacobian = np.stack([(joint(true + step) - joint(true - step)) / 2e-4 for step in 1e-4 * np.eye(len(true))], axis=1)
        information = jacobian.T @ jacobian / NOISE**2
        information[-2, -2] += 0.15**-2
        information[-1, -1] += 0.08**-2
        bounds.append(np.diag(np.linalg.inv(information))[n : 2 * n])
        y = (clean + rng.normal(0, NOISE, clean.shape)).reshape(n, len(X))
        # a walk of almost nothing ties blur and level to one value; each station's prior is a share of the joint one
        prior = SlotPrior(blur, 0.15 * n**0.5, level, 0.08 * n**0.5, blur_walk=1e-4, level_walk=1e-4)
        errors.append(_fit(y, prior).width_px - width)
    assert np.sqrt(np.mean(np.square(errors))) < 1.3 * np.sqrt(np.mean(bounds))


@pytest.mark.parametrize("widths", [(0, 3), (3, 6), (6, 15)])
def test_claimed_uncertainty_equals_the_actual_error(widths):
    rng = np.random.default_rng(3)
    theta, _sides, y = _profiles(rng, 400, widths)
    fit = _fit(y, SlotPrior(1.5, 0.10, 0.12, 0.05), start_width=np.mean(widths))
    z = (fit.width_px - theta[:, WIDTH]) / np.sqrt(fit.covariance[:, WIDTH, WIDTH])
    assert 0.8 < np.sqrt(np.mean(z**2)) < 1.25
    assert np.mean(np.abs(z) < 2) >= 0.92


def test_closed_profiles_scatter_about_zero_and_are_not_clipped():
    rng = np.random.default_rng(4)
    _theta, _sides, y = _profiles(rng, 300, (0, 1e-9))
    width = _fit(y, SlotPrior(1.5), start_width=0.0).equivalent_width_px
    assert np.mean(width < 0) > 0.3
    assert abs(width.mean()) < 4 * width.std() / 300**0.5


def test_denser_sampling_does_not_lower_the_uncertainty():
    """A sample stands for the pixels it was read from: ten times the samples of the same pixels are the same light."""
    theta = np.array([0.3, 6.0, np.log(1.5), 0.12])
    u = []
    for step in (1.0, 0.5, 0.1):
        x = np.arange(-25.0, 25.0 + step / 2, step)
        y = np.tile(slot_profile(x, theta, 1.0, 0.6), (3, 1))
        weights = np.full(y.shape, step)
        fit = fit_slots(x, y[..., None], weights, np.full((3, 1), NOISE**2), np.tile([0.0, 6.0], (3, 1)), SlotPrior(1.5))
        u.append(np.sqrt(fit.covariance[0, WIDTH, WIDTH]))
    assert u[1] > 0.98 * u[0] and u[2] > 0.98 * u[0]


def test_more_blur_never_lowers_the_uncertainty():
    u = []
    for blur in (1.0, 1.5, 2.2, 3.0):
        y = slot_profile(X, np.array([0.0, 8.0, np.log(blur), 0.12]), 1.0, 0.6)[None]
        u.append(float(np.sqrt(_fit(y, SlotPrior(blur)).covariance[0, WIDTH, WIDTH])))
    assert u == sorted(u)


def test_a_narrow_slot_gives_its_equivalent_width_whatever_its_level():
    """Width times darkness is what a narrow slot shows: levels 0 and 0.3 of equal product look alike."""
    dark = slot_profile(X, np.array([0.0, 1.4, np.log(1.5), 0.0]), 1.0, 1.0)
    light = slot_profile(X, np.array([0.0, 2.0, np.log(1.5), 0.3]), 1.0, 1.0)
    assert np.abs(dark - light).max() < 0.02
    fit = _fit(np.stack([dark, light]), SlotPrior(1.5), start_width=2.0)
    assert np.abs(fit.equivalent_width_px - 1.4).max() < 0.05
    assert np.abs(np.exp(fit.theta[:, LOG_BLUR]) - 1.5).max() < 0.1
    assert (np.abs(fit.theta[:, LEVEL] - 0.12) < 0.1).all()
