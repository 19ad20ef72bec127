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
from audit.measure.edge_response import Response, exposure_of

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
    offset: np.ndarray
    grey: np.ndarray
    sigma: np.ndarray
    response: Response
    root: np.ndarray

    def draw(self, p: np.ndarray, width: np.ndarray, thin: np.ndarray | float = 0.0) -> np.ndarray:
        """Scaled grey, shape (k, m), of k sets of parameters, widths (k,), and areas (k,) of a thin line.

        Parameters in order: edge, metal, tooth, slope, level, three of the response.
        """
        shape = p[:, 5:8].T[..., None]
        position, blur = self.offset - p[:, :1], np.exp(shape[0])
        metal, gum, base = (exposure_of(level, shape) for level in (p[:, 1:2], 0.0, p[:, 2:3]))
        tooth = exposure_of(p[:, 2:3] + p[:, 3:4] * position, shape)
        contrast = np.maximum(gum - base, 0.0)
        first, last = ndtr(position / blur), ndtr((position - width[:, None]) / blur)
        line = np.reshape(thin, (-1, 1)) * contrast * np.exp(-0.5 * (position / blur) ** 2) / (blur * np.sqrt(2 * np.pi))
        exposure = metal + (tooth - metal) * first + p[:, 4:5] * contrast * (first - last) + line
        step = float(self.offset[1] - self.offset[0])
        return self.response.render(np.maximum(exposure, 1e-9), shape, step)

    def residual(self, p: np.ndarray, width: np.ndarray, thin: np.ndarray | float = 0.0) -> np.ndarray:
        """Misfit over sigma, and the response's prior, shape (k, m + 3)."""
        prior = (p[:, 5:8] - self.response.log_parameters) @ self.root.T
        return np.concatenate([(self.draw(p, width, thin) - self.grey) / self.sigma, prior], axis=1)


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
    begin = np.append(fits[best], max(float(widths[best]), 0.05))[None, :]
    free, lowest, jacobian = minimise(lambda p: profile.residual(p, p[:, 8]), begin, low, high)
    width, least = float(free[0, 8]), min(float(lowest[0]), float(costs[best]))
    signed, signed_u, area_z = _signed(profile, fits[0], free[0])
    thin = width < THIN_BLUR * np.exp(free[0, 5])
    exists = bool(costs[0] - least > EXISTS and (area_z > LUCENT or not thin))
    low_px, high_px = _crossings(widths, costs, width, least, BOTH if exists else UPPER)
    noise, blur, tone = _parts(jacobian[0])
    u = max((high_px - low_px) / 3.92, float(np.sqrt(noise**2 + blur**2 + tone**2)))
    factor = u / max(float(np.sqrt(noise**2 + blur**2 + tone**2)), 1e-9)
    resolved = exists and u < RESOLVED * width and width > RESOLVED_BLUR * np.exp(free[0, 5]) and low_px > 0.0 and np.isfinite(high_px)
    status = "measured" if resolved else "detected" if exists else "below_detection"
    drawn = profile.draw(free, free[:, 8])[0]
    parts = {"noise": noise * factor, "blur": blur * factor, "tone": tone * factor}
    return Slot(
        status, width, parts, (low_px if exists else 0.0, high_px), signed, signed_u, float(free[0, 4]), float(np.exp(free[0, 5])), drawn
    )


def _profile_likelihood(profile: _Profile) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Widths, least sum of squares at each, and the parameters there; every width is begun from two slot levels."""
    reach = float(profile.offset[-1]) - 6.0
    widths = np.concatenate([[0.0, 0.25, 0.5, 0.75], np.arange(1.0, 3.0, 0.5), np.arange(3.0, 8.0), np.arange(8.0, max(reach, 9.0), 2.0)])
    both = np.tile(widths, 2)
    begin = np.tile(_start(profile), (len(both), 1))
    begin[:, 4] = np.repeat([0.3, 0.9], len(widths))
    low, high = (bound[:8] for bound in _bounds(profile))
    fits, sums, _ = minimise(lambda p: profile.residual(p, both), begin, low, high)
    second = sums[len(widths) :] < sums[: len(widths)]
    chosen = np.arange(len(widths)) + len(widths) * second
    return widths, sums[chosen], fits[chosen]


def _start(profile: _Profile) -> np.ndarray:
    tooth = float(np.median(profile.grey[-8:]))
    metal = float(np.median(profile.grey[:4]))
    middle = float(profile.offset[int(np.argmax(profile.grey < (tooth + metal) / 2))])
    return np.array([middle, metal, tooth, 0.0, LEVEL_TYPICAL, *profile.response.log_parameters])


def _bounds(profile: _Profile) -> tuple[np.ndarray, np.ndarray]:
    low = np.array([profile.offset[0], 0.3, -0.3, -0.03, LEVEL_RANGE[0], np.log(0.3), 0.0, np.log(0.005), 0.0])
    high = np.array([profile.offset[-1], 1.2, 1.1, 0.03, LEVEL_RANGE[1], np.log(8.0), np.log(12.0), np.log(8.0), 60.0])
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


def _parts(jacobian: np.ndarray) -> tuple[float, float, float]:
    """Standard uncertainty of the width: with the response known, and through blur and curve."""
    information = jacobian.T @ jacobian
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
    low, high = _bounds(profile)
    low, high = np.append(np.delete(low[:8], 4), -40.0), np.append(np.delete(high[:8], 4), 40.0)

    def residual(p: np.ndarray) -> np.ndarray:
        full = np.insert(p[:, :7], 4, 0.0, axis=1)
        return profile.residual(full, np.zeros(len(p)), p[:, 7])

    begin = np.array([np.append(np.delete(closed[:8], 4), 0.0), np.append(np.delete(best[:8], 4), best[4] * best[8])])
    found, sums, jacobian = minimise(residual, begin, low, high)
    one = int(np.argmin(sums))
    area = float(found[one, 7])
    u = float(np.sqrt(np.linalg.pinv(jacobian[one].T @ jacobian[one], hermitian=True)[-1, -1]))
    return area / LEVEL_TYPICAL, float(np.hypot(u, area * LEVEL_U / LEVEL_TYPICAL)) / LEVEL_TYPICAL, area / float(np.hypot(u, AREA_MODEL_BLUR * np.exp(found[one, 4])))
