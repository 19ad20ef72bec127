"""Reads slot, stain and shadow at stations along a traced margin, in pixels.

Notes
-----
A station is the mean of the profiles over 6 px along the re-centred interface. The slot fit
(`slot_fit`) is done three times: alone with a wide blur prior to learn the blur of this margin, alone
with that prior to learn the variance that side textures leave, and jointly, blur and slot level tied
to the neighbours' by a random walk.

The slot is fitted in light decoded from luma alone: cameras store colour at half resolution, so a
step of colour looks softer than it is and a neutral slot does not; luma scales with neutral light.

Three things darken a margin and are no slot. A stain keeps more red than blue: the missing light of
the three channels is split into a neutral part (the slot's) and a brown part. A step throws a shadow
that fades to one side: it is fitted instead of the slot, and the better of the two is kept. A narrow
dark line of the metal's own reflections is what the model error is for.

The variance of a station is taken from what its fit leaves over and from its neighbours', corrected
for its correlation across the margin; it is the variance of pixels, not of samples.

The model error - what a wrong tone curve, sharpening, chroma subsampling and the metal's reflections do to the
equivalent width - is proportional to the blur and grows with the step of level across the margin. Its
two coefficients come from closed margins drawn with all of these (`tests/measure/test_margin.py`
holds them); it does not average down along the margin.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import gaussian_filter1d, median_filter, uniform_filter1d
from scipy.special import ndtr

from audit.imaging.colour import decode_srgb, encode_srgb, to_linear
from audit.imaging.sample import crop
from audit.measure.profile import Band, find_interface, merge, straighten
from audit.measure.slot_fit import CENTRE, LEVEL, LOG_BLUR, WIDTH, SlotFit, SlotPrior, fit_slots

__all__ = ["STATION_PX", "Stations", "read_stations"]

STATION_PX = 6.0
SEARCH_PX = 10.0
HALF_WIDTH_PX = 36.0
TRACE_SD_PX = 3.0
MODEL_FLOOR = 0.15
"""Model error of the equivalent width, in units of the blur, on a margin without a step of level."""
TONE_PER_STEP = 0.30
"""Error by tone curve and sharpening at a step of the whole level, in units of the blur."""
BROWN = np.array([0.60, 0.80, 1.00])
"""Light a brown stain takes from red, green and blue, relative to blue; common practice, no published source."""
U_STAIN = 0.20
"""Colour error of a line by chroma subsampling, in units of the blur."""
LUMA = np.array([0.299, 0.587, 0.114], dtype=np.float32)
"""Luma of encoded red, green, blue as JPEG has it (ITU-T T.871)."""
_SLOPE_SD = 0.004


@dataclass(frozen=True)
class Stations:
    """What was read at n stations along one traced margin; lengths in pixels.

    Parameters
    ----------
    xy, normal : ndarray, shape (n, 2)
        Where the interface was found, and the unit vector across it.
    position_px : ndarray, shape (n,)
        Along the re-centred interface.
    width_px, u_width_px : ndarray, shape (n,)
        Signed slot width of the joint fit, and its uncertainty by noise, blur and level.
    width_covariance : ndarray, shape (n, n)
    equivalent_px, u_equivalent_px : ndarray, shape (n,)
        Signed equivalent width in luma: the width of a black slot; uncertainty by noise.
    u_blur_px : ndarray, shape (n,)
        The part of `u_width_px` that the blur's uncertainty makes.
    u_model_px, u_tone_px : ndarray, shape (n,)
        Model error of either width: everywhere, and by tone curve and sharpening at a step of level.
    stain_px, u_stain_px : ndarray, shape (n,)
        Equivalent width of the brown part, in blue; 0 where the line does not keep more red than blue.
    blur_px, level, u_level : ndarray, shape (n,)
        Blur; slot level relative to the tooth.
    shadow_ratio : ndarray, shape (n,)
        Chi-square of a one-sided shadow over that of a slot; below 1 the shadow explains the station better.
    dark_side : ndarray, shape (n,)
        Level of the darker side relative to the tooth.
    contrast : ndarray, shape (n,)
        Share of the profile that an interface explains.
    outside, clipped, lost : ndarray of bool, shape (n,)
        Not in the photo; at the end of the scale; the interface runs beyond the band.
    """

    xy: np.ndarray
    normal: np.ndarray
    position_px: np.ndarray
    width_px: np.ndarray
    u_width_px: np.ndarray
    width_covariance: np.ndarray
    equivalent_px: np.ndarray
    u_equivalent_px: np.ndarray
    u_blur_px: np.ndarray
    u_model_px: np.ndarray
    u_tone_px: np.ndarray
    stain_px: np.ndarray
    u_stain_px: np.ndarray
    blur_px: np.ndarray
    level: np.ndarray
    u_level: np.ndarray
    shadow_ratio: np.ndarray
    dark_side: np.ndarray
    contrast: np.ndarray
    outside: np.ndarray
    clipped: np.ndarray
    lost: np.ndarray

    @property
    def u_systematic_px(self) -> np.ndarray:
        """Model and tone error together, pixels, shape (n,); neither averages down along the margin."""
        return np.hypot(self.u_model_px, self.u_tone_px)


def read_stations(pixels: np.ndarray, trace_xy: np.ndarray, blur_px: float | None = None) -> Stations:
    """Slot, stain and shadow at stations along a hand-traced margin.

    Parameters
    ----------
    pixels : ndarray, shape (height, width, 3) or (height, width)
    trace_xy : ndarray, shape (k, 2)
        Vertices of the trace, pixels.
    blur_px : float, optional
        Blur at the reference, where it is known.
    """
    light, origin = _light(pixels, trace_xy)
    trace_xy = np.asarray(trace_xy, dtype=float) - origin
    first = merge(straighten(light, trace_xy, HALF_WIDTH_PX), STATION_PX)
    interface = find_interface(first, SEARCH_PX, blur_px or 1.8, TRACE_SD_PX)
    line = first.xy + interface.offset_px[:, None] * first.normal
    band = merge(straighten(light, _to_the_ends(line, trace_xy), HALF_WIDTH_PX), STATION_PX)
    coarse_width = _carry(first.position_px, interface.width_px, band.position_px)
    lost = _carry(first.position_px, interface.at_edge.astype(float), band.position_px) > 0.5
    contrast = _carry(first.position_px, interface.contrast, band.position_px)
    outside = ~np.isfinite(band.values).all(axis=(1, 2))
    tooth = _tooth_level(band)
    y = np.nan_to_num(band.values) / tooth[:, None, :]
    fit, weights, variance = _fit(band.offset_px, y, coarse_width, blur_px)
    equivalent, u_equivalent, stain, u_stain = _split(band.offset_px, y, weights, variance, fit)
    step = np.abs(fit.sides[:, :, 0] - fit.sides[:, :, 1]).mean(axis=1) / np.maximum(fit.sides.mean(axis=(1, 2)), 0.05)
    u_blur = np.abs(fit.covariance[:, WIDTH, LOG_BLUR]) / np.sqrt(fit.covariance[:, LOG_BLUR, LOG_BLUR])
    near = np.abs(band.offset_px) <= 4.0
    return Stations(
        xy=band.xy + origin, normal=band.normal, position_px=band.position_px, width_px=fit.width_px,
        u_width_px=np.sqrt(fit.covariance[:, WIDTH, WIDTH]), width_covariance=fit.width_covariance,
        equivalent_px=equivalent, u_equivalent_px=u_equivalent, u_blur_px=u_blur, u_model_px=MODEL_FLOOR * fit.blur_px,
        u_tone_px=TONE_PER_STEP * step * fit.blur_px, stain_px=stain, u_stain_px=u_stain,
        blur_px=fit.blur_px, level=fit.theta[:, LEVEL], u_level=np.sqrt(fit.covariance[:, LEVEL, LEVEL]),
        shadow_ratio=_shadow_ratio(band.offset_px, y[..., -1:], weights, variance, fit),
        dark_side=fit.sides.mean(axis=1).min(axis=1), contrast=contrast, outside=outside,
        clipped=(band.clipped_share[:, near] > 0.3).any(axis=1), lost=lost,
    )  # fmt: skip


def _light(pixels: np.ndarray, trace_xy: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Linear light round the trace: red, green, blue and luma's (or grey alone); and the crop's origin (x, y)."""
    part, origin = crop(pixels, np.asarray(trace_xy, dtype=float), 2 * HALF_WIDTH_PX)
    linear = to_linear(part)
    if linear.ndim == 2:
        return linear[..., None], origin
    luma = encode_srgb(linear) @ LUMA
    return np.concatenate([linear, decode_srgb(luma)[..., None]], axis=2), origin


def _to_the_ends(line: np.ndarray, trace_xy: np.ndarray) -> np.ndarray:
    """The station line, led out by half a station at both ends to where the trace ends."""
    if len(line) < 2:
        return np.asarray(trace_xy, dtype=float)
    head, tail = line[0] - 0.5 * (line[1] - line[0]), line[-1] + 0.5 * (line[-1] - line[-2])
    return np.vstack([head, line, tail])


def _carry(old: np.ndarray, values: np.ndarray, new: np.ndarray) -> np.ndarray:
    """Values of stations along one line at the stations of a slightly longer or shorter one."""
    return np.interp(new / max(new[-1], 1e-9), old / max(old[-1], 1e-9), values)


def _tooth_level(band: Band) -> np.ndarray:
    """Level of the tooth beside each station, shape (n, channels): the side that varies less along the margin."""
    values = np.nan_to_num(band.values)
    sides = []
    for sign in (-1, 1):
        away = (sign * band.offset_px >= 5) & (sign * band.offset_px <= 24)
        level = np.median(values[:, away], axis=1)
        rough = np.median(np.abs(np.diff(values[:, away], axis=1)).mean(axis=(1, 2)) / np.maximum(level.mean(axis=1), 1e-3))
        spread = np.std(np.log(np.maximum(level.mean(axis=1), 1e-3)))
        sides.append((float(rough + spread), level))
    level = min(sides, key=lambda pair: pair[0])[1]
    size = min(15, len(level))
    return np.maximum(np.stack([median_filter(level[:, c], size=size, mode="nearest") for c in range(level.shape[1])], axis=1), 1e-3)


def _fit(x: np.ndarray, y: np.ndarray, coarse_width: np.ndarray, blur_px: float | None) -> tuple[SlotFit, np.ndarray, np.ndarray]:
    """Joint slot fit in luma, its weights and the variance it found."""
    n = len(y)
    blur = np.full(n, blur_px or 1.8)
    start = np.stack([np.zeros(n), coarse_width], axis=1)
    weights = _window(x, start, blur)
    colour = SlotPrior(blur, 0.25 if blur_px else 0.40, centre_sd_px=2.0, slope_sd=_SLOPE_SD)
    found = fit_slots(x, y, weights, np.full((n, y.shape[2]), 2e-4), start, colour)
    start = np.stack([median_filter(found.theta[:, CENTRE], size=min(3, n), mode="nearest"), found.width_px], axis=1)
    luma = y[..., -1:]
    prior = replace(colour, centre_sd_px=0.5)
    alone = fit_slots(x, luma, weights, _variance(y - found.model, weights)[:, -1:], start, prior)
    variance = _variance(luma - alone.model, weights)
    blur = _running_blur(alone.theta[:, LOG_BLUR], np.sqrt(alone.covariance[:, LOG_BLUR, LOG_BLUR]))
    start = np.stack([start[:, 0], alone.width_px], axis=1)
    weights = _window(x, start, blur)
    prior = replace(prior, blur_px=blur, blur_rel=0.15)
    variance = _variance(luma - fit_slots(x, luma, weights, variance, start, prior).model, weights)
    joint = replace(prior, blur_walk=0.04, level_walk=0.04)
    return fit_slots(x, luma, weights, variance, start, joint), weights, variance


def _window(x: np.ndarray, start: np.ndarray, blur: np.ndarray) -> np.ndarray:
    """Weights in pixels per sample, 1 within reach of the walls and softly to 0 beyond."""
    reach = np.abs(start[:, 1]) / 2 + 4.0 * blur + 3.0
    away = np.abs(x[None, :] - start[:, :1]) - reach[:, None]
    return np.clip(1.0 - away / 3.0, 0.0, 1.0) * (x[1] - x[0])


def _running_blur(log_blur: np.ndarray, u: np.ndarray) -> np.ndarray:
    """Blur along the margin, pixels: precision-weighted over about 30 stations."""
    weight = 1.0 / np.maximum(u, 0.03) ** 2
    middle = np.median(log_blur)
    log_blur = np.clip(log_blur, middle - 0.5, middle + 0.5)
    top = gaussian_filter1d(weight * log_blur, 15.0, mode="nearest")
    return np.asarray(np.exp(top / gaussian_filter1d(weight, 15.0, mode="nearest")))


def _variance(residual: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Variance of one pixel's worth of profile, shape (n, channels), correlation across the margin counted in."""
    w = weights[..., None]
    own = (w * residual**2).sum(axis=1) / np.maximum(w.sum(axis=1) - 6.0, 4.0)
    pooled = uniform_filter1d(own, size=min(9, len(own)), axis=0, mode="nearest")
    base = 0.5 * (own + pooled) + 1e-6
    r = residual * np.sqrt(w)
    lags = [(r[:, k:] * r[:, :-k]).sum() / np.maximum((r**2).sum(), 1e-12) for k in (1, 2, 3)]
    return np.asarray(base * max(1.0, 1.0 + 2.0 * sum(lags)))


def _solve(columns: np.ndarray, y: np.ndarray, weights: np.ndarray, ridge: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Weighted ridge least squares of many profiles: coefficients (n, q, c), inverse Gram (n, q, q), misfit (n, c)."""
    weighted = columns * weights[..., None]
    gram = weighted.transpose(0, 2, 1) @ columns + np.diag(ridge + 1e-9)
    data = weighted.transpose(0, 2, 1) @ y
    coefficients = np.linalg.solve(gram, data)
    misfit = np.einsum("nmc,nm->nc", y**2, weights) - np.einsum("nqc,nqc->nc", data, coefficients)
    return coefficients, np.linalg.inv(gram), misfit


def _step_columns(x: np.ndarray, centre: np.ndarray, blur: np.ndarray) -> list[np.ndarray]:
    u = x[None, :] - centre[:, None]
    right = ndtr(u / blur[:, None])
    return [1.0 - right, right, u * (1.0 - right), u * right]


def _ridge(variance: np.ndarray, more: int) -> np.ndarray:
    slope = float(np.median(variance)) / _SLOPE_SD**2
    return np.array([0.0, 0.0, slope, slope] + [0.0] * more)


def _split(x: np.ndarray, y: np.ndarray, weights: np.ndarray, variance: np.ndarray, fit: SlotFit) -> tuple[np.ndarray, ...]:
    """Equivalent width in luma and of the brown part in blue, with their uncertainties, pixels."""
    missing, u = _missing_light(x, y[..., -1:], weights, variance, fit)
    neutral, u_neutral = missing[:, 0], u[:, 0]
    if y.shape[2] == 1:
        return neutral, u_neutral, np.zeros(len(y)), np.full(len(y), np.inf)
    colour, u_colour = _missing_light(x, y[..., :3], weights, None, fit)
    stain = (colour[:, 2] - colour[:, 0]) / (BROWN[2] - BROWN[0])
    u_stain = np.hypot(u_colour[:, 2], u_colour[:, 0]) / (BROWN[2] - BROWN[0])
    u_stain = np.hypot(u_stain, U_STAIN * fit.blur_px)
    darkens = (colour[:, 0] > 0.2 * colour[:, 2]) & (stain > 0)
    return neutral, u_neutral, np.where(darkens, stain, 0.0), u_stain


def _missing_light(
    x: np.ndarray, y: np.ndarray, weights: np.ndarray, variance: np.ndarray | None, fit: SlotFit,
) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
    """Equivalent width of the fitted line in each channel and its uncertainty by noise, shape (n, channels), pixels."""
    width, blur, centre = np.maximum(np.abs(fit.width_px), 0.5), fit.blur_px, fit.theta[:, 0]
    u = x[None, :] - centre[:, None]
    line = (ndtr((u + width[:, None] / 2) / blur[:, None]) - ndtr((u - width[:, None] / 2) / blur[:, None])) / width[:, None]
    columns = np.stack([*_step_columns(x, centre, blur), line], axis=2)
    coefficients, inverse, _ = _solve(columns, y, weights, _ridge(np.full(1, 2e-4), 1))
    if variance is None:
        variance = _variance(y - columns @ coefficients, weights)
    level = np.maximum(coefficients[:, :2].mean(axis=1), 0.05)
    return -coefficients[:, 4] / level, np.sqrt(inverse[:, 4, 4, None] * variance) / level


def _shadow_ratio(x: np.ndarray, y: np.ndarray, weights: np.ndarray, variance: np.ndarray, fit: SlotFit) -> np.ndarray:
    """Chi-square of the best one-sided shadow, with a blur of its own, over that of the slot, shape (n,)."""
    size = min(5, len(y))
    best = np.full(len(y), np.inf)
    for factor in (0.6, 0.75, 0.9, 1.05):
        misfit = _shadow_misfit(x, y, weights, variance, fit.theta[:, 0], factor * fit.blur_px)
        best = np.minimum(best, uniform_filter1d(misfit, size, mode="nearest"))
    slot = (np.einsum("nmc,nm->nc", (y - fit.model) ** 2, weights) / variance).sum(axis=1)
    return np.asarray(best / np.maximum(uniform_filter1d(slot, size, mode="nearest"), 1e-9))


def _shadow_misfit(
    x: np.ndarray, y: np.ndarray, weights: np.ndarray, variance: np.ndarray, around: np.ndarray, blur: np.ndarray,
) -> np.ndarray:  # fmt: skip
    """Chi-square of the best one-sided shadow, shape (n,)."""
    best = np.full(len(y), np.inf)
    for shift in (-2.4, -1.2, 0.0, 1.2, 2.4):
        centre = around + shift
        step = _step_columns(x, centre, blur)
        u = x[None, :] - centre[:, None]
        for side in (-1.0, 1.0):
            for reach in (3.0, 5.0, 9.0):
                shadow = _blurred_decay(side * u, blur[:, None], reach)
                _, _, misfit = _solve(np.stack([*step, shadow], axis=2), y, weights, _ridge(variance, 1))
                best = np.minimum(best, (misfit / variance).sum(axis=1))
    return best


def _blurred_decay(u: np.ndarray, blur: np.ndarray, reach: float) -> np.ndarray:
    """One-sided exponential of length `reach`, blurred."""
    return np.asarray(np.exp(np.minimum(0.5 * (blur / reach) ** 2 - u / reach, 50.0)) * ndtr(u / blur - blur / reach))
