"""Width of a lucent slot between metal and tooth on a radiograph, from the mean profile across the interface.

Exposure across the interface is metal, a slot of width w and level s, tooth; blurred by sigma, shown
through the grey curve of `edge_response`. Width and level of a slot narrower than the blur cannot be
told apart, so the level is kept between an eighth and all of the way from tooth to gum (the lightest
and the darkest lucent slot that is plausible) and intervals come from the profile likelihood of w.

Notes
-----
A level below that of the tooth (a radiopaque luting agent) is outside the model: such a slot, and one
closed by a tilted beam, looks like none. The limit given holds for a lucent slot open to this beam.

References
----------
JCGM 101:2008, 7.7; Murphy, van der Vaart, J Am Stat Assoc 2000;95:449-465, https://doi.org/10.1080/01621459.2000.10474219
(profile likelihood).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from audit.measure.batched_fit import minimise
from audit.measure.edge_response import Response

__all__ = ["Slot", "fit_slot"]

LEVEL_RANGE = (0.12, 1.05)
LEVEL_TYPICAL, LEVEL_U = 0.5, 0.25
MODEL_SIGMA = 0.003
"""What the model leaves unexplained on the mean profile, as a share of the contrast of metal and gum."""
EXISTS, UPPER, BOTH = 3.84, 2.71, 3.84
SHARPENED_SIGMA = 0.02
"""The same for each unit of sharpening amount: the mask's shape is a guess, and its dip beside metal looks like a slot."""
LUCENT = 1.645
"""A thin slot must also be more lucent than the tooth beyond it: equivalent width over its standard uncertainty."""
AREA_MODEL_BLUR = 0.10
"""Equivalent width that blur and grey curve of another shape can feign, in blur sigmas (standard uncertainty, from drawn scenes)."""
THIN_BLUR = 2.5
"""Falls in chi-square: a slot exists; one-sided 95 % limit; two-sided 95 % interval."""
RESOLVED, RESOLVED_BLUR = 0.30, 1.6
"""A width is given where u is below this share of it, and from this many blur sigmas up."""

LEVEL, RESPONSE, WIDTH, THIN = 4, slice(5, 8), 8, 9
SLOT = np.arange(9)
"""Parameters of a slot; without the last, of one whose width is given."""
THIN_LINE = np.array([0, 1, 2, 3, 5, 6, 7, 9])
SETTLED = 1e-5
"""A fall in chi-square that no longer matters to the profile likelihood."""


@dataclass(frozen=True)
class Slot:
    """A slot found, or not.

    Parameters
    ----------
    status : str
        ``measured``, ``detected`` (there, but narrower than can be resolved) or ``below_detection``.
    width_px : float
        Best estimate under the bounds.
    parts_px : dict of str to float
        Standard uncertainty by kind: ``noise``, ``blur``, ``tone``.
    interval_px : tuple of float
        95 %; ``(0, limit)`` below detection.
    signed_px, signed_u_px : float
        Unclipped estimate: equivalent width over the typical level.
    level, blur_px : float
        Slot level, 0 tooth to 1 gum; blur sigma of the fit.
    fit : ndarray, shape (m,)
        Fitted profile, scaled grey.
    """

    status: str
    width_px: float
    parts_px: dict[str, float]
    interval_px: tuple[float, float]
    signed_px: float
    signed_u_px: float
    level: float
    blur_px: float
    fit: np.ndarray


@dataclass(frozen=True)
class _Profile:
    """A mean profile, to be met by a model of ten parameters in this order.

    Edge, metal, tooth, slope, level, three of the response, width of the slot, area of a thin line.
    """

    offset: np.ndarray
    grey: np.ndarray
    sigma: np.ndarray
    response: Response
    root: np.ndarray

    def draw(self, p: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Scaled grey, shape (k, m), of k sets of parameters (k, 10), and its derivatives (k, 10, m)."""
        edge, metal_grey, tooth_grey, tilt, level, log_blur, log_kappa, log_rest, width, thin = p.T[..., None]
        position, blur, rest = self.offset - edge, np.exp(log_blur), np.exp(log_rest)
        depths = (1.0 + rest - grey for grey in (metal_grey, np.zeros_like(edge), tooth_grey, tooth_grey + tilt * position))
        (metal, by_metal, curve_metal), (gum, by_gum, curve_gum), (base, by_base, curve_base), (tooth, by_tooth, curve_tooth) = (
            _exposure(depth, log_kappa) for depth in depths
        )
        lucent = gum > base
        contrast = np.where(lucent, gum - base, 0.0)
        first, near = _wall(position, blur)
        last, far = _wall(position - width, blur)
        share = level * (first - last) + thin * near
        exposure = metal + (tooth - metal) * first + share * contrast
        bend, shared = (position / blur) ** 2, np.where(lucent, share, 0.0)
        slopes = np.empty((len(p), 10, len(self.offset)))
        slopes[:, 0] = (
            (metal - tooth) * near + by_tooth * tilt * first + contrast * (level * (far - near) + thin * near * position / blur**2)
        )
        slopes[:, 1] = -by_metal * (1.0 - first)
        slopes[:, 2] = shared * by_base - by_tooth * first
        slopes[:, 3] = -position * by_tooth * first
        slopes[:, 4] = (first - last) * contrast
        slopes[:, 5] = (metal - tooth) * position * near + contrast * (
            level * ((position - width) * far - position * near) + thin * near * (bend - 1.0)
        )
        slopes[:, 6] = curve_metal * (1.0 - first) + curve_tooth * first + shared * (curve_gum - curve_base)
        slopes[:, 7] = rest * (by_metal * (1.0 - first) + by_tooth * first + shared * (by_gum - by_base))
        slopes[:, 8] = level * contrast * far
        slopes[:, 9] = contrast * near
        return self.response.render_slopes(exposure, slopes, p[:, RESPONSE], float(self.offset[1] - self.offset[0]))

    def linearised(self, p: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Misfit over sigma, and the response's prior, shape (k, m + 3), with derivatives (k, 10, m + 3)."""
        drawn, slopes = self.draw(p)
        prior = (p[:, RESPONSE] - self.response.log_parameters) @ self.root.T
        by_prior = np.zeros((len(p), 10, 3))
        by_prior[:, RESPONSE] = self.root.T
        return np.concatenate([(drawn - self.grey) / self.sigma, prior], axis=1), np.concatenate([slopes / self.sigma, by_prior], axis=2)


def _exposure(depth: np.ndarray, log_kappa: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Exposure of a grey value `depth` below white, and its derivatives by the depth and by ln kappa."""
    kappa, log_depth = np.exp(log_kappa), np.log(np.maximum(depth, 1e-6))
    exposure = np.exp(kappa * log_depth)
    return exposure, np.where(depth > 1e-6, kappa * exposure / np.maximum(depth, 1e-6), 0.0), kappa * log_depth * exposure


def _wall(position: np.ndarray, blur: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """A blurred wall, 0 to 1, and its density."""
    z = position / blur
    return ndtr(z), np.exp(-0.5 * z * z) / (blur * np.sqrt(2 * np.pi))


def fit_slot(offset_px: np.ndarray, grey: np.ndarray, sigma: np.ndarray, response: Response) -> Slot:
    """Slot between metal and tooth.

    Parameters
    ----------
    offset_px : ndarray, shape (m,)
        From near the metal's edge into the tooth, equally spaced, about one pixel.
    grey : ndarray, shape (m,)
        Mean profile, grey values of the picture.
    sigma : ndarray, shape (m,)
        Standard uncertainty of the mean, grey values, correlation allowed for.
    response : Response

    Notes
    -----
    Least squares with the response's covariance as prior and `MODEL_SIGMA` added to the noise.
    """
    scale = response.bright - response.dark
    covariance = response.covariance + np.diag([0.03**2, 0.05**2, 0.05**2])
    root = np.linalg.cholesky(np.linalg.inv(covariance)).T
    profile = _Profile(
        offset_px, response.scaled(grey), np.hypot(sigma / scale, MODEL_SIGMA + SHARPENED_SIGMA * response.sharpening), response, root
    )
    widths, costs, fits = _profile_likelihood(profile)
    best = int(np.argmin(costs))
    low, high = _bounds(profile)
    begin = fits[best : best + 1].copy()
    begin[:, WIDTH] = max(float(widths[best]), 0.05)
    free, lowest, slopes = minimise(profile.linearised, begin, low, high, SLOT)
    width, least = float(free[0, WIDTH]), min(float(lowest[0]), float(costs[best]))
    signed, signed_u, area_z = _signed(profile, fits[0], free[0])
    thin = width < THIN_BLUR * np.exp(free[0, 5])
    exists = bool(costs[0] - least > EXISTS and (area_z > LUCENT or not thin))
    low_px, high_px = _crossings(widths, costs, width, least, BOTH if exists else UPPER)
    noise, blur, tone = _parts(slopes[0])
    u = max((high_px - low_px) / 3.92, float(np.sqrt(noise**2 + blur**2 + tone**2)))
    factor = u / max(float(np.sqrt(noise**2 + blur**2 + tone**2)), 1e-9)
    resolved = exists and u < RESOLVED * width and width > RESOLVED_BLUR * np.exp(free[0, 5]) and low_px > 0.0 and np.isfinite(high_px)
    status = "measured" if resolved else "detected" if exists else "below_detection"
    drawn = profile.draw(free)[0][0]
    parts = {"noise": noise * factor, "blur": blur * factor, "tone": tone * factor}
    return Slot(
        status, width, parts, (low_px if exists else 0.0, high_px), signed, signed_u, float(free[0, 4]), float(np.exp(free[0, 5])), drawn
    )


def _profile_likelihood(profile: _Profile) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Widths, least sum of squares at each, and the parameters there; every width is begun from two slot levels."""
    reach = float(profile.offset[-1]) - 6.0
    widths = np.concatenate([[0.0, 0.25, 0.5, 0.75], np.arange(1.0, 3.0, 0.5), np.arange(3.0, 8.0), np.arange(8.0, max(reach, 9.0), 2.0)])
    begin = np.tile(_start(profile), (2 * len(widths), 1))
    begin[:, LEVEL], begin[:, WIDTH] = np.repeat([0.3, 0.9], len(widths)), np.tile(widths, 2)
    fits, sums, _ = minimise(profile.linearised, begin, *_bounds(profile), SLOT[:-1], SETTLED)
    second = sums[len(widths) :] < sums[: len(widths)]
    chosen = np.arange(len(widths)) + len(widths) * second
    return widths, sums[chosen], fits[chosen]


def _start(profile: _Profile) -> np.ndarray:
    tooth = float(np.median(profile.grey[-8:]))
    metal = float(np.median(profile.grey[:4]))
    middle = float(profile.offset[int(np.argmax(profile.grey < (tooth + metal) / 2))])
    return np.array([middle, metal, tooth, 0.0, LEVEL_TYPICAL, *profile.response.log_parameters, 0.0, 0.0])


def _bounds(profile: _Profile) -> tuple[np.ndarray, np.ndarray]:
    low = np.array([profile.offset[0], 0.3, -0.3, -0.03, LEVEL_RANGE[0], np.log(0.3), 0.0, np.log(0.005), 0.0, -40.0])
    high = np.array([profile.offset[-1], 1.2, 1.1, 0.03, LEVEL_RANGE[1], np.log(8.0), np.log(12.0), np.log(8.0), 60.0, 40.0])
    return low, high


def _crossings(widths: np.ndarray, costs: np.ndarray, width: float, lowest: float, fall: float) -> tuple[float, float]:
    """Where the profile of chi-square rises by `fall` on either side of the best width; infinite where it never does."""
    rise = costs - lowest - fall
    above = np.flatnonzero((widths > width) & (rise > 0))
    below = np.flatnonzero((widths < width) & (rise > 0))
    high = np.inf
    if above.size:
        k = int(above[0])
        high = _between(widths, rise, k - 1, k) if k > 0 else float(widths[0])
    low = _between(widths, rise, int(below[-1]), int(below[-1]) + 1) if below.size else 0.0
    return min(low, width), max(high, width)


def _between(widths: np.ndarray, rise: np.ndarray, a: int, b: int) -> float:
    if rise[a] * rise[b] >= 0.0:
        return float((widths[a] + widths[b]) / 2)
    return float(widths[a] - rise[a] * (widths[b] - widths[a]) / (rise[b] - rise[a]))


def _parts(slopes: np.ndarray) -> tuple[float, float, float]:
    """Standard uncertainty of the width: with the response known, and through blur and curve."""
    information = slopes @ slopes.T
    full = np.linalg.pinv(information, hermitian=True)
    own = [0, 1, 2, 3, 4, 8]
    alone = np.linalg.pinv(information[np.ix_(own, own)], hermitian=True)
    slopes = -(alone @ information[np.ix_(own, [5, 6, 7])])[-1]
    noise = float(np.sqrt(max(alone[-1, -1], 0.0)))
    rest = float(np.sqrt(max(full[8, 8] - alone[-1, -1], 0.0)))
    shares = np.abs(slopes) * np.sqrt(np.maximum(np.diag(full)[5:8], 0.0))
    total = float(np.hypot.reduce(shares)) or 1.0
    return noise, rest * float(shares[0]) / total, rest * float(np.hypot(shares[1], shares[2])) / total


def _signed(profile: _Profile, closed: np.ndarray, best: np.ndarray) -> tuple[float, float, float]:
    """Equivalent width of a thin line of either sign over the typical level, its standard uncertainty (pixels), and area over noise."""
    begin = np.array([closed, best])
    begin[:, WIDTH:] = [[0.0, 0.0], [0.0, best[LEVEL] * best[WIDTH]]]
    begin[:, LEVEL] = 0.0
    found, sums, slopes = minimise(profile.linearised, begin, *_bounds(profile), THIN_LINE, SETTLED)
    one = int(np.argmin(sums))
    area, blur = float(found[one, THIN]), float(np.exp(found[one, RESPONSE][0]))
    u = float(np.sqrt(np.linalg.pinv(slopes[one] @ slopes[one].T, hermitian=True)[-1, -1]))
    signed_u = float(np.hypot(u, area * LEVEL_U / LEVEL_TYPICAL)) / LEVEL_TYPICAL
    return area / LEVEL_TYPICAL, signed_u, area / float(np.hypot(u, AREA_MODEL_BLUR * blur))
