"""Edges in linear light: where they lie to a small part of a pixel, and how blurred they are.

References
----------
ISO 12233 (edge spread of a slanted edge): rows are shifted onto one another by a straight line fitted to their
edges, so that the mean edge is sampled more finely than the pixels.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d
from scipy.optimize import least_squares
from scipy.special import ndtr

__all__ = ["EdgeLine", "TickBlur", "edge_line", "edge_places", "tick_blur"]


@dataclass(frozen=True)
class EdgeLine:
    """A straight blurred edge in a strip: ``s = place + slope t``.

    Parameters
    ----------
    place, slope : float
        `place` at ``t = 0``, pixels.
    u_place, u_slope : float
    sigma_px, u_sigma_px : float
        Gaussian-equivalent blur.
    rms_px : float
        Scatter of single rows about the line.
    """

    place: float
    slope: float
    u_place: float
    u_slope: float
    sigma_px: float
    u_sigma_px: float
    rms_px: float


def edge_places(values: np.ndarray, step_px: float) -> np.ndarray:
    """Signed slope of each row of linear light, smoothed over a pixel, shape (m, n) for (m, n)."""
    return np.asarray(gaussian_filter1d(values, 0.8 / step_px, axis=1, order=1, mode="nearest")) / step_px


def edge_line(values: np.ndarray, s: np.ndarray, t: np.ndarray, reach_px: float, outward: int) -> EdgeLine | None:
    """The clearest straight edge near the middle of a strip, or ``None``.

    Parameters
    ----------
    values : ndarray, shape (m, n)
        Linear light, one row for each `t`, at positions `s`.
    s, t : ndarray, shape (n,), (m,)
        Pixels; the edge is expected at ``s = 0``.
    reach_px : float
        How far from ``s = 0`` the edge may lie.
    outward : int
        +1 or -1: where along `s` the ground lies; of several edges in a row the outermost clear one counts.

    Notes
    -----
    The ground behind an edge may change from lighter to darker along it: the rows in which light rises and those in
    which it falls are tried apart, each with the rows that show it clearly, and the clearer kind is used.

    Rows are placed by the centroid of their slope, a robust line is put through them, and the mean edge across
    that line is fitted with a step between a sloping ground and a curved body, convolved with a Gaussian: its middle
    is where a sharp edge would stand, in linear light, whatever the blur.
    """
    slope = edge_places(values, float(s[1] - s[0]))
    slope[:, np.abs(s) > reach_px] = 0.0
    found: list[tuple[float, EdgeLine]] = []
    for sign in (1, -1):
        strength = (sign * slope).max(axis=1)
        top = float(np.percentile(strength, 90))
        clear = strength > 0.4 * top
        line = _line_of_rows(values[clear], sign * slope[clear], s, t[clear], outward, reach_px, len(t))
        if line is not None and line.sigma_px < 0.5 * reach_px:
            found.append((top, line))
    strongest = max((top for top, _ in found), default=0.0)
    clear_ones = [line for top, line in found if top >= 0.35 * strongest]
    return max(clear_ones, key=lambda line: outward * line.place, default=None)


def _line_of_rows(
    values: np.ndarray, slope: np.ndarray, s: np.ndarray, t: np.ndarray, outward: int, reach: float, rows: int
) -> EdgeLine | None:
    places = np.array([_centroid(s, row, outward) for row in slope])
    line = _robust_line(t, places)
    if line is None or line[3].sum() < max(0.12 * rows, 6):
        return None
    place, lean, rms, used = line
    across = s[None, :] - (place + lean * t)[:, None]
    fit = _edge_spread(across[used], values[used], outward, reach)
    if fit is None:
        return None
    shift, sigma, u_shift, u_sigma = fit
    independent = max(int(used.sum()) * step_rows(t), 1.0)
    u_place = math.hypot(u_shift, rms / math.sqrt(independent))
    u_slope = rms / max(float(np.std(t[used])) * math.sqrt(independent), 1e-6)
    return EdgeLine(place + shift, lean, u_place, u_slope, sigma, u_sigma, rms)


def step_rows(t: np.ndarray) -> float:
    """Share of rows that are independent: rows closer than a pixel and a half repeat one another."""
    return min(1.0, abs(float(t[1] - t[0])) / 1.5) if len(t) > 1 else 1.0


def _centroid(s: np.ndarray, slope: np.ndarray, outward: int) -> float:
    """Place of the outermost clear rise, by the centroid of the slope about it."""
    top = float(slope.max())
    if not top > 0:
        return math.nan
    clear = np.flatnonzero((slope[1:-1] >= slope[:-2]) & (slope[1:-1] > slope[2:]) & (slope[1:-1] > 0.5 * top)) + 1
    if len(clear) == 0:
        return math.nan
    peak = int(clear[-1] if outward > 0 else clear[0])
    low = high = peak
    while low > 0 and slope[low - 1] > 0.4 * slope[peak]:
        low -= 1
    while high < len(slope) - 1 and slope[high + 1] > 0.4 * slope[peak]:
        high += 1
    weight = slope[low : high + 1]
    return float(np.sum(s[low : high + 1] * weight) / np.sum(weight))


def _robust_line(t: np.ndarray, places: np.ndarray) -> tuple[float, float, float, np.ndarray] | None:
    used = np.isfinite(places)
    if used.sum() < 4:
        return None
    good = used.copy()
    gap = np.subtract.outer(t[used], t[used])
    far = np.abs(gap) > 0.3 * np.ptp(t[used])
    lean = float(np.median(np.subtract.outer(places[used], places[used])[far] / gap[far]))
    place = float(np.median(places[used] - lean * t[used]))
    spread = 0.0
    for _ in range(5):
        residual = places - place - lean * t
        spread = max(1.4826 * float(np.median(np.abs(residual[good]))), 0.02)
        good = used & (np.abs(np.nan_to_num(residual, nan=1e9)) < 3.5 * spread)
        if good.sum() < 4:
            return None
        lean, place = (float(c) for c in np.polyfit(t[good], places[good], 1))
    if good.sum() < 0.5 * len(t):
        return None
    return place, lean, float(np.std((places - place - lean * t)[good])), good


def _edge_spread(across: np.ndarray, values: np.ndarray, outward: int, reach: float) -> tuple[float, float, float, float] | None:
    """Middle and sigma of the mean edge, with their standard uncertainties."""
    bins = np.arange(-reach, reach + 1e-9, 0.25)
    index = np.digitize(across.ravel(), bins) - 1
    inside = (index >= 0) & (index < len(bins)) & np.isfinite(values.ravel())
    count = np.bincount(index[inside], minlength=len(bins)).astype(float)
    x = np.bincount(index[inside], across.ravel()[inside], minlength=len(bins))
    y = np.bincount(index[inside], values.ravel()[inside], minlength=len(bins))
    full = count > 0
    if full.sum() < 12:
        return None
    x, y = outward * x[full] / count[full], y[full] / count[full]
    weight = np.sqrt(count[full] / count.max())

    def residual(p: np.ndarray) -> np.ndarray:
        design = _edge_terms(x - p[0], math.exp(p[1])) * weight[:, None]
        return np.asarray(design @ np.linalg.lstsq(design, y * weight, rcond=None)[0] - y * weight)

    fit = least_squares(residual, np.array([0.0, 0.2]), bounds=([-reach / 2, math.log(0.2)], [reach / 2, math.log(reach)]))
    sigma = math.exp(float(fit.x[1]))
    variance = 2 * fit.cost / max(len(x) / 4 - 7, 1)
    covariance = np.linalg.pinv(fit.jac.T @ fit.jac) * variance
    return outward * float(fit.x[0]), sigma, math.sqrt(covariance[0, 0]), sigma * math.sqrt(covariance[1, 1])


def _edge_terms(d: np.ndarray, sigma: float) -> np.ndarray:
    """Blurred parts of an edge at d = 0: sloping ground for d > 0, curved body for d < 0, each convolved with a Gaussian."""
    z = d / sigma
    bell = sigma / math.sqrt(2 * math.pi) * np.exp(-0.5 * z**2)
    ground, body = ndtr(z), ndtr(-z)
    return np.stack([ground, d * ground + bell, body, -d * body + bell, (d**2 + sigma**2) * body - d * bell], axis=1)


@dataclass(frozen=True)
class TickBlur:
    """Blur and width of the mean tick of a comb, pixels."""

    sigma_px: float
    u_sigma_px: float
    width_px: float


def tick_blur(s: np.ndarray, values: np.ndarray) -> TickBlur | None:
    """Gaussian-equivalent blur of the mean tick.

    Parameters
    ----------
    s : ndarray, shape (n,)
        From the middle of the tick, pixels.
    values : ndarray, shape (n,)
        Mean linear light.

    Notes
    -----
    A box of unknown width, convolved with a Gaussian, on a sloping ground. ``None`` where the box is too narrow
    against the blur for the two to be told apart.
    """
    rise = float(np.ptp(values))
    reach = float(np.abs(s).max())
    if rise <= 0 or reach < 1.5 or len(s) < 8:
        return None

    def sides(p: np.ndarray) -> tuple[float, float, np.ndarray, np.ndarray]:
        width, sigma = (math.exp(min(max(log, -9.0), 9.0)) for log in p[1:3])
        return width, sigma, (s - p[0] + width / 2) / sigma, (s - p[0] - width / 2) / sigma

    def residual(p: np.ndarray) -> np.ndarray:
        _, _, rising, falling = sides(p)
        return np.asarray((p[3] + p[4] * s + p[5] * (ndtr(rising) - ndtr(falling)) - values) / rise)

    def slopes(p: np.ndarray) -> np.ndarray:
        width, sigma, rising, falling = sides(p)
        up, down = (np.exp(-0.5 * z**2) / math.sqrt(2 * math.pi) for z in (rising, falling))
        by_shape = p[5] * np.stack([(down - up) / sigma, (up + down) * width / 2 / sigma, falling * down - rising * up])
        return np.asarray(np.stack([*by_shape, np.ones_like(s), s, ndtr(rising) - ndtr(falling)], axis=1) / rise)

    middle = float(values[np.argmin(np.abs(s))])
    ground = float(np.median(values[np.abs(s) > 0.6 * reach]))
    fit = least_squares(residual, np.array([0.0, math.log(0.4 * reach), math.log(1.2), ground, 0.0, middle - ground]), slopes, method="lm")
    covariance = np.linalg.pinv(fit.jac.T @ fit.jac) * 2 * fit.cost / max(len(s) / 3 - 6, 1)
    sigma, u_log = math.exp(min(float(fit.x[2]), 9.0)), math.sqrt(max(covariance[2, 2], 0.0))
    if not fit.success or u_log > 0.3 or not 0.1 < sigma < reach:
        return None
    return TickBlur(sigma, max(sigma * u_log, 0.05 * sigma), math.exp(min(float(fit.x[1]), 9.0)))
