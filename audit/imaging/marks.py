"""Combs of graduations, in numbers: their period, the running count of ticks, and the fit to all of their positions."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.fft import next_fast_len
from scipy.ndimage import gaussian_filter1d

from audit.imaging.strip import Level, Strip

__all__ = ["CombFit", "comb_fit", "comb_period", "comb_phase", "on_lattice", "tick_centres"]


def comb_period(profile: np.ndarray, longest: float | None = None) -> tuple[float, float]:
    """Period of a comb along a profile and how strongly it repeats (0 to 1).

    Parameters
    ----------
    profile : ndarray, shape (n,)
        Encoded values at steps of one unit.
    longest : float, optional
        Longest period looked for, in steps; a quarter of the profile otherwise.

    Notes
    -----
    Autocorrelation of the smoothed slope of the profile. The shortest lag whose peak reaches 70 % of the
    highest is taken, so that a comb is not read at twice its period.
    """
    slope = np.gradient(gaussian_filter1d(np.asarray(profile, dtype=float), 0.7))
    slope -= slope.mean()
    count = len(slope)
    limit = int(min(longest or count / 4, count / 2))
    if limit < 4 or not np.any(slope):
        return 0.0, 0.0
    spectrum = np.fft.rfft(slope, 2 * count)
    acf = np.fft.irfft(np.abs(spectrum) ** 2)[: limit + 2] / (count - np.arange(limit + 2))
    acf = acf / acf[0]
    lag = np.arange(2, limit + 1)
    peak = lag[(acf[lag] >= acf[lag - 1]) & (acf[lag] > acf[lag + 1])]
    if len(peak) == 0 or acf[peak].max() <= 0:
        return 0.0, 0.0
    first = int(peak[acf[peak] >= 0.7 * acf[peak].max()][0])
    left, centre, right = acf[first - 1 : first + 2]
    return first + 0.5 * (left - right) / (left - 2 * centre + right), float(centre)


def comb_phase(profile: np.ndarray, period: float, window: float = 1.5) -> tuple[np.ndarray, np.ndarray]:
    """Running count of periods along a profile and the local strength of the comb.

    Parameters
    ----------
    profile : ndarray, shape (n,)
        At steps of one unit.
    period : float
        Approximate period in steps.
    window : float
        Standard deviation of the averaging, in periods.

    Returns
    -------
    count : ndarray, shape (n,)
        A quadratic: ``cos(2 pi count)`` follows the profile, whole at the brightest places of the comb.
    strength : ndarray, shape (n,)
        Amplitude of the fundamental.

    Notes
    -----
    Phase against a count that is first fitted to the middle (where that is hidden, to where the comb is clearest) and then,
    wider and wider, corrected by what is left of the phase: a blot on the way cannot make the count slip by one.
    """
    s = np.arange(len(profile), dtype=float)
    values = profile - gaussian_filter1d(np.asarray(profile, dtype=float), 0.8 * period, mode="nearest")
    window_mean = _window(len(profile), window * period)
    count = s / period
    strength = np.abs(window_mean(values * np.exp(-2j * np.pi * count)))
    inner = np.abs(s - s.mean()) <= 0.3 * s.mean()
    hidden = np.mean(strength[inner]) < 0.5 * np.percentile(strength, 90)
    away = np.abs(s - (float(np.argmax(strength)) if hidden else s.mean())) / max(s.mean(), 1.0)
    for reach, degree in ((0.3, 1), (0.55, 2), (2.0, 2), (2.0, 2)):
        turned = values * np.exp(-2j * np.pi * count)
        mean = window_mean(turned)
        strength = 2 * np.abs(mean)
        near = away <= reach
        if near.sum() < 2 * period:
            continue
        left = np.unwrap(np.angle(mean[near])) / (2 * np.pi)
        powers = (s / s[-1] - 0.5)[:, None] ** np.arange(degree + 1)
        count = count + powers @ _step(powers[near], left, (strength[near] + 1e-12) ** 2)
    return count, strength


def _window(count: int, sigma: float) -> Callable[[np.ndarray], np.ndarray]:
    """Gaussian mean of series of `count` values, cut at three sigma, reflected at its ends; by Fourier transform, as it is wide."""
    radius = int(3.0 * sigma + 0.5)
    size = next_fast_len(count + 2 * radius)
    kernel = np.exp(-0.5 * (np.arange(-radius, radius + 1) / sigma) ** 2)
    transfer = np.fft.fft(np.roll(np.pad(kernel / kernel.sum(), (0, size - len(kernel))), -radius))

    def mean(series: np.ndarray) -> np.ndarray:
        padded = np.pad(series, radius, mode="symmetric")
        return np.asarray(np.fft.ifft(np.fft.fft(padded, size) * transfer)[radius : radius + count])

    return mean


def on_lattice(
    level: Level, strip: Strip, position: Callable[[np.ndarray], np.ndarray], ticks: np.ndarray, t: np.ndarray, parts: int
) -> np.ndarray:
    """Values of the image around each tick of a lattice.

    Parameters
    ----------
    level : Level
        The image, or a reduced copy fine enough for the spacing of the ticks.
    strip : Strip
    position : callable
        Strip coordinate `s` of a (fractional) tick number.
    ticks : ndarray of int, shape (n,)
    t : ndarray, shape (m,)
    parts : int
        Samples per tick interval.

    Returns
    -------
    ndarray, shape (m, n, parts)
        From half an interval before each tick to half an interval after it; NaN outside the image.
    """
    within = (np.arange(parts) - parts // 2) / parts
    s = position(ticks[:, None] + within[None, :])
    return np.asarray(level.values(strip, s[None, :, :], t[:, None, None]))


@dataclass(frozen=True)
class CombFit:
    """A projective comb fitted to tick positions.

    ``s = centre + pitch k / (1 + q k) + skew t + fan k t`` with `k` counted from the middle tick.

    Parameters
    ----------
    middle : float
        Tick number from which `k` is counted.
    centre, pitch : float
        Pixels; `pitch` is the spacing at the middle.
    q : float
        Perspective along the comb, per tick.
    skew, fan : float
        Turn of the ticks, and its growth along the comb.
    covariance : ndarray, shape (5, 5)
        Of centre, pitch, q, skew, fan.
    rms : float
        Residual of one tick, pixels.
    used : ndarray of bool, shape (n,)
        Ticks that took part.
    """

    middle: float
    centre: float
    pitch: float
    q: float
    skew: float
    fan: float
    covariance: np.ndarray
    rms: float
    used: np.ndarray

    def position(self, tick: np.ndarray) -> np.ndarray:
        """Strip coordinate of (fractional) tick numbers at ``t = 0``."""
        k = np.asarray(tick, dtype=float) - self.middle
        return np.asarray(self.centre + self.pitch * k / (1.0 + self.q * k))


def comb_fit(ticks: np.ndarray, s: np.ndarray, t: np.ndarray, weight: np.ndarray, middle: float | None = None) -> CombFit:
    """Whole-comb fit to the positions of all ticks, with perspective.

    Parameters
    ----------
    ticks : ndarray of int, shape (n,)
        Tick numbers.
    s : ndarray, shape (m, n)
        Position of each tick at each `t`, pixels; NaN where it was not found.
    t : ndarray, shape (m,)
    weight : ndarray, shape (m, n)
        Relative weights, 0 to leave out.
    middle : float, optional
        Tick number at which the pitch is stated; the middle of the ticks otherwise.

    Notes
    -----
    Gauss-Newton with Tukey weights on residuals (4.7 robust standard deviations). The covariance is that
    of one position per tick: the residuals of one tick at several `t` share its drawing error, so their mean,
    not their number, counts.
    """
    good = np.isfinite(s) & (weight > 0)
    middle = float(ticks[0] + ticks[-1]) / 2 if middle is None else middle
    k = np.broadcast_to(ticks[None, :] - middle, s.shape)[good]
    tt = np.broadcast_to(t[:, None], s.shape)[good]
    y, w = s[good], weight[good]
    slope = np.polyfit(k, y, 1) if len(k) > 2 else np.array([1.0, 0.0])
    beta = np.array([slope[1], slope[0], 0.0, 0.0, 0.0])
    spread = _columns(tt, k)
    robust = np.ones_like(y)
    for _ in range(12):
        residual = y - _model(beta, k, tt)
        scale = max(1.4826 * float(np.median(np.abs(residual))), 1e-6)
        robust = np.clip(1 - (residual / (4.7 * scale)) ** 2, 0, None) ** 2
        step = _step(_jacobian(beta, k, tt)[:, spread], residual, w * robust)
        beta[spread] += step
        if np.all(np.abs(step) < 1e-7 * (1 + np.abs(beta[spread]))):
            break
    return _with_covariance(ticks, s, t, good, w * (robust > 0.05), beta, spread, middle)


def _step(jacobian: np.ndarray, residual: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Least-squares step by normal equations, each parameter scaled to its own size."""
    heavy = jacobian * weight[:, None]
    normal = heavy.T @ jacobian
    size = np.sqrt(np.maximum(np.diagonal(normal), 1e-300))
    return np.asarray(np.linalg.solve(normal / np.outer(size, size) + 1e-13 * np.eye(len(size)), heavy.T @ residual / size) / size)


def _columns(t: np.ndarray, k: np.ndarray) -> np.ndarray:
    """Parameters that the data can tell: turn and fan need more than one `t`, perspective six ticks."""
    several = len(np.unique(t)) > 1
    columns = [0, 1] + ([2] if len(np.unique(k)) >= 6 else []) + ([3, 4] if several else [])
    return np.array(columns)


def _model(beta: np.ndarray, k: np.ndarray, t: np.ndarray) -> np.ndarray:
    return np.asarray(beta[0] + beta[1] * k / (1 + beta[2] * k) + (beta[3] + beta[4] * k) * t)


def _jacobian(beta: np.ndarray, k: np.ndarray, t: np.ndarray) -> np.ndarray:
    share = k / (1 + beta[2] * k)
    return np.stack([np.ones_like(k), share, -beta[1] * share**2, t, k * t], axis=1)


def _with_covariance(
    ticks: np.ndarray, s: np.ndarray, t: np.ndarray, good: np.ndarray, w: np.ndarray, beta: np.ndarray, spread: np.ndarray, middle: float
) -> CombFit:
    weight = np.zeros(s.shape)
    weight[good] = w
    residual = np.where(good, s - _model(beta, (ticks - middle)[None, :], t[:, None]), 0.0)
    total = weight.sum(axis=0)
    full = max(float(np.median(total[total > 0])), 1e-12) if np.any(total > 0) else 1.0
    used = total > 0.2 * full
    mean = (weight * residual).sum(axis=0)[used] / total[used]
    share = total[used] / full
    columns = spread[spread < 3]
    freedom = max(int(used.sum()) - len(columns), 1)
    variance = float(np.sum(share * mean**2)) / freedom
    jacobian = _jacobian(beta, (ticks - middle)[used], np.zeros(int(used.sum())))[:, columns]
    covariance = np.zeros((5, 5))
    normal = (jacobian * share[:, None]).T @ jacobian
    covariance[np.ix_(columns, columns)] = variance * np.linalg.pinv(normal)
    centre, pitch, q, skew, fan = (float(b) for b in beta)
    return CombFit(middle, centre, pitch, q, skew, fan, covariance, math.sqrt(variance), used)


def tick_centres(values: np.ndarray, template: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Sub-pixel shift and relative contrast of each tick against the mean tick.

    Parameters
    ----------
    values : ndarray, shape (m, n, parts)
        Lattice values, see `on_lattice`.
    template : ndarray, shape (parts,)
        The mean interval.

    Returns
    -------
    shift : ndarray, shape (m, n)
        In tick intervals, positive forwards.
    contrast : ndarray, shape (m, n)
        1 for the mean tick.

    Notes
    -----
    Least squares of background, slope, contrast and shift: the estimator of least variance for a tick of
    known shape in white noise; any asymmetry of the mean tick moves all alike and leaves the pitch.
    """
    parts = len(template)
    u = (np.arange(parts) - parts // 2) / parts
    smooth = gaussian_filter1d(template, 0.6, mode="wrap")
    design = np.stack([np.ones(parts), u, smooth - smooth.mean(), -np.gradient(smooth, 1.0 / parts)], axis=1)
    inside = np.abs(u) <= 0.45
    solver = np.linalg.pinv(design[inside])
    coefficient = np.einsum("cp,mnp->mnc", solver, values[..., inside])
    contrast = coefficient[..., 2]
    with np.errstate(divide="ignore", invalid="ignore"):
        shift = coefficient[..., 3] / contrast
    shift = np.where((contrast > 0.3) & (np.abs(shift) < 0.35), shift, np.nan)
    return shift, contrast
