"""Reads slot, stain and shadow at stations along a traced margin, in pixels.

Notes
-----
A station is the mean of the profiles over 6 px along the re-centred interface. The slot fit
(`slot_fit`) is done three times: alone with a wide blur prior to learn the blur of this margin, alone
with that prior to learn the variance that side textures leave, and jointly, blur and slot level tied
to the neighbours' by a random walk.

The slot is fitted in light decoded from luma alone: cameras store colour at half resolution, so a
step of colour looks softer than it is and a neutral slot does not; luma scales with neutral light.

The variance of a station is taken from what its fit leaves over and from its neighbours', corrected
for its correlation across the margin; it is the variance of pixels, not of samples.

The model error - what a wrong tone curve, sharpening, disc-like defocus and the metal's reflections do to the
width - is proportional to the blur and grows with the step of level across the margin. Its coefficients
come from margins drawn with all of these (`tests/measure/test_margin.py`
holds them); it does not average down along the margin.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import gaussian_filter1d, median_filter

from audit.imaging.colour import luma_light, to_linear
from audit.imaging.sample import crop
from audit.measure.band_colour import same_beyond
from audit.measure.lookalikes import SLOPE_SD, darker, equivalent_widths, pixel_variance, shadow_ratio
from audit.measure.pale_bands import pale_bands
from audit.measure.profile import Band, find_interface, merge, straighten
from audit.measure.reflections import edge_softness
from audit.measure.slot_fit import CENTRE, LEVEL, LOG_BLUR, WIDTH, SlotFit, SlotPrior, fit_slots

__all__ = ["STATION_PX", "Stations", "read_stations"]

STATION_PX = 6.0
SEARCH_PX = 10.0
HALF_WIDTH_PX = 36.0
TRACE_SD_PX = 3.0
MODEL_WIDTHS = np.array([0.0, 2.5, 3.5, 5.0, 7.0])
MODEL_ERRORS = np.array([0.15, 0.20, 0.26, 0.17, 0.12])
"""Model error of the width by the slot's width, both in units of the blur: worst where width and level just part."""
TONE_PER_STEP = 0.30
"""Error by tone curve and sharpening at a step of the whole level, in units of the blur."""


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
    pigment_px : ndarray, shape (n,)
        What of the brown part a slot lit in the hue of its sides does not explain.
    pale_px : ndarray, shape (n,)
        Width of a pale band with two sharp walls against the interface; 0 where there is none.
    blur_px, level, u_level : ndarray, shape (n,)
        Blur; slot level relative to the tooth.
    shadow_ratio : ndarray, shape (n,)
        Chi-square of a one-sided shadow over that of a slot; below 1 the shadow explains the station better; infinite where
        nothing is dark.
    softness : ndarray, shape (n,)
        Of the softer edge of the slot, in units of the blur.
    cold_light, same_beyond : ndarray, shape (n,)
        Level of the slot's green or blue, the brighter, relative to the tooth's; share of one side's hue
        beyond its wall on the other side.
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
    pigment_px: np.ndarray
    pale_px: np.ndarray
    blur_px: np.ndarray
    level: np.ndarray
    u_level: np.ndarray
    shadow_ratio: np.ndarray
    softness: np.ndarray
    cold_light: np.ndarray
    same_beyond: np.ndarray
    dark_side: np.ndarray
    contrast: np.ndarray
    outside: np.ndarray
    clipped: np.ndarray
    lost: np.ndarray

    @property
    def u_systematic_px(self) -> np.ndarray:
        """Model and tone error together, pixels, shape (n,); neither averages down along the margin."""
        return np.asarray(np.hypot(self.u_model_px, self.u_tone_px))


def read_stations(pixels: np.ndarray, trace_xy: np.ndarray, blur_px: float | None = None, station_px: float = STATION_PX) -> Stations:
    """Slot, stain and shadow at stations along a hand-traced margin.

    Parameters
    ----------
    pixels : ndarray, shape (height, width, 3) or (height, width)
    trace_xy : ndarray, shape (k, 2)
        Vertices of the trace, pixels.
    station_px : float
        Length of the margin that one station averages over.
    blur_px : float, optional
        Blur at the reference, where it is known.
    """
    light, origin = _light(pixels, trace_xy)
    trace_xy = np.asarray(trace_xy, dtype=float) - origin
    first = merge(straighten(light, trace_xy, HALF_WIDTH_PX), station_px)
    interface = find_interface(first, SEARCH_PX, blur_px or 1.8, TRACE_SD_PX)
    line = first.xy + interface.offset_px[:, None] * first.normal
    band = merge(straighten(light, _to_the_ends(line, trace_xy), HALF_WIDTH_PX), station_px)
    coarse_width = _carry(first.position_px, interface.width_px, band.position_px)
    lost = _carry(first.position_px, interface.lost.astype(float), band.position_px) > 0.5
    contrast = _carry(first.position_px, interface.contrast, band.position_px)
    outside = ~np.isfinite(band.values).all(axis=(1, 2))
    tooth, tooth_side = _tooth_level(band)
    y = np.nan_to_num(band.values) / tooth[:, None, :]
    fit, weights, variance = _fit(band.offset_px, y, coarse_width, blur_px)
    equivalent, u_equivalent, stain, u_stain, pigment, cold = equivalent_widths(band.offset_px, y, weights, variance, fit)
    step = np.abs(fit.sides[:, :, 0] - fit.sides[:, :, 1]).mean(axis=1) / np.maximum(fit.sides.mean(axis=(1, 2)), 0.05)
    u_blur = np.abs(fit.covariance[:, WIDTH, LOG_BLUR]) / np.sqrt(fit.covariance[:, LOG_BLUR, LOG_BLUR])
    model = fit.blur_px * np.interp(np.abs(fit.width_px) / fit.blur_px, MODEL_WIDTHS, MODEL_ERRORS)
    tone = TONE_PER_STEP * step * fit.blur_px
    dark = darker(equivalent, u_equivalent, np.hypot(model, tone))
    near = np.abs(band.offset_px) <= 4.0
    clipped = np.asarray((band.clipped_share[:, near] > 0.3).any(axis=1))
    return Stations(
        xy=band.xy + origin, normal=band.normal, position_px=band.position_px, width_px=fit.width_px,
        u_width_px=np.sqrt(fit.covariance[:, WIDTH, WIDTH]), width_covariance=fit.width_covariance,
        equivalent_px=equivalent, u_equivalent_px=u_equivalent, u_blur_px=u_blur, u_model_px=model,
        u_tone_px=tone, stain_px=stain, u_stain_px=u_stain,
        pigment_px=pigment, pale_px=pale_bands(band.offset_px, y[..., -1], fit.blur_px),
        blur_px=fit.blur_px, level=fit.theta[:, LEVEL], u_level=np.sqrt(fit.covariance[:, LEVEL, LEVEL]),
        shadow_ratio=shadow_ratio(band.offset_px, y[..., -1:], weights, variance, fit, dark),
        softness=edge_softness(band.offset_px, y[..., -1], fit.theta[:, CENTRE], fit.theta[:, WIDTH], fit.blur_px),
        cold_light=cold, same_beyond=same_beyond(band.offset_px, y, fit, tooth_side),
        dark_side=fit.sides.mean(axis=1).min(axis=1), contrast=contrast, outside=outside,
        clipped=clipped, lost=lost & ~clipped,
    )  # fmt: skip


def _light(pixels: np.ndarray, trace_xy: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Linear light round the trace: red, green, blue and luma's (or grey alone); and the crop's origin (x, y)."""
    part, origin = crop(pixels, np.asarray(trace_xy, dtype=float), 2 * HALF_WIDTH_PX)
    linear = to_linear(part)
    if linear.ndim == 2:
        return linear[..., None], origin
    return np.concatenate([linear, luma_light(part)[..., None]], axis=2), origin


def _to_the_ends(line: np.ndarray, trace_xy: np.ndarray) -> np.ndarray:
    """The station line, led out by half a station at both ends to where the trace ends."""
    if len(line) < 2:
        return np.asarray(trace_xy, dtype=float)
    head, tail = line[0] - 0.5 * (line[1] - line[0]), line[-1] + 0.5 * (line[-1] - line[-2])
    return np.vstack([head, line, tail])


def _carry(old: np.ndarray, values: np.ndarray, new: np.ndarray) -> np.ndarray:
    """Values of stations along one line at the stations of a slightly longer or shorter one."""
    return np.asarray(np.interp(new / max(new[-1], 1e-9), old / max(old[-1], 1e-9), values))


def _tooth_level(band: Band) -> tuple[np.ndarray, int]:
    """Level of the tooth beside each station, shape (n, channels), and on which side it is: the one that varies less along the margin."""
    values = np.nan_to_num(band.values)
    sides = []
    for sign in (-1, 1):
        away = (sign * band.offset_px >= 5) & (sign * band.offset_px <= 24)
        level = np.median(values[:, away], axis=1)
        rough = np.median(np.abs(np.diff(values[:, away], axis=1)).mean(axis=(1, 2)) / np.maximum(level.mean(axis=1), 1e-3))
        spread = np.std(np.log(np.maximum(level.mean(axis=1), 1e-3)))
        sides.append((float(rough + spread), level, sign))
    _, level, side = min(sides, key=lambda found: found[0])
    size = min(15, len(level))
    smooth = median_filter(level, size=(size, 1), mode="nearest")
    return np.maximum(smooth, 1e-3), side


def _fit(x: np.ndarray, y: np.ndarray, coarse_width: np.ndarray, blur_px: float | None) -> tuple[SlotFit, np.ndarray, np.ndarray]:
    """Joint slot fit in luma, its weights and the variance it found."""
    n = len(y)
    blur = np.full(n, blur_px or 1.8)
    start = np.stack([np.zeros(n), coarse_width], axis=1)
    weights = _window(x, start, blur)
    colour = SlotPrior(blur, 0.25 if blur_px else 0.40, centre_sd_px=2.0, slope_sd=SLOPE_SD)
    found = fit_slots(x, y, weights, np.full((n, y.shape[2]), 2e-4), start, colour)
    start = np.stack([median_filter(found.theta[:, CENTRE], size=min(3, n), mode="nearest"), found.width_px], axis=1)
    luma = y[..., -1:]
    prior = replace(colour, centre_sd_px=0.5)
    alone = fit_slots(x, luma, weights, pixel_variance(y - found.model, weights)[:, -1:], start, prior)
    variance = pixel_variance(luma - alone.model, weights)
    blur = _running_blur(alone.theta[:, LOG_BLUR], np.sqrt(alone.covariance[:, LOG_BLUR, LOG_BLUR]))
    start = np.stack([start[:, 0], alone.width_px], axis=1)
    weights = _window(x, start, blur)
    prior = replace(prior, blur_px=blur, blur_rel=0.15)
    variance = pixel_variance(luma - fit_slots(x, luma, weights, variance, start, prior).model, weights)
    joint = replace(prior, blur_walk=0.04, level_walk=0.04)
    return fit_slots(x, luma, weights, variance, start, joint), weights, variance


def _window(x: np.ndarray, start: np.ndarray, blur: np.ndarray) -> np.ndarray:
    """Weights in pixels per sample, 1 within reach of the walls and softly to 0 beyond."""
    reach = np.abs(start[:, 1]) / 2 + 4.0 * blur + 3.0
    away = np.abs(x[None, :] - start[:, :1]) - reach[:, None]
    return np.asarray(np.clip(1.0 - away / 3.0, 0.0, 1.0) * (x[1] - x[0]))


def _running_blur(log_blur: np.ndarray, u: np.ndarray) -> np.ndarray:
    """Blur along the margin, pixels: precision-weighted over about 30 stations."""
    weight = 1.0 / np.maximum(u, 0.03) ** 2
    middle = np.median(log_blur)
    log_blur = np.clip(log_blur, middle - 0.5, middle + 0.5)
    top = gaussian_filter1d(weight * log_blur, 15.0, mode="nearest")
    return np.asarray(np.exp(top / gaussian_filter1d(weight, 15.0, mode="nearest")))
