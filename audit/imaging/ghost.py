"""The ghost of a mirror that is silvered on its rear: everything again, weaker, at one fixed displacement."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from audit.imaging.colour import luminance, to_linear
from audit.imaging.edges import edge_places
from audit.imaging.pattern_fit import PatternFit
from audit.imaging.sample import sample_linear
from audit.imaging.strip import Strip
from audit.imaging.strip_pattern import pattern_raster

__all__ = ["Ghost", "edge_ghost", "strip_ghost"]

_REACH_MM = 3.0  # a pane of 3 mm seen at 45 degrees moves its ghost by about as much
_LEAST_SHARE = 0.03  # glass returns 4 % at its front when seen straight, more when aslant; less may be what half hides the print
_ABOVE_NOISE = 6.0
_MOST_PIXELS = 300_000


@dataclass(frozen=True)
class Ghost:
    """By how much the ghost is displaced on the image, pixels, and its strength relative to the main picture."""

    shift_px: float
    share: float


def strip_ghost(pixels: np.ndarray, fit: PatternFit, mm_per_px: float) -> Ghost | None:
    """The ghost of the printed strip: what is left of the light beside the pattern, correlated with the pattern itself.

    Notes
    -----
    With a ghost of share q at displacement d the light is ``(1 - q) P(x) + q P(x - d)``. The fit takes the first part; the rest
    correlates with the pattern at d alone. A peak counts where it stands six robust deviations above all others.
    """
    low, high = np.floor(fit.control_px.min(axis=0)).astype(int), np.ceil(fit.control_px.max(axis=0)).astype(int)
    low, high = np.maximum(low, 0), np.minimum(high, (pixels.shape[1] - 1, pixels.shape[0] - 1))
    step = max(1, math.ceil(math.sqrt(float(np.prod(high - low)) / _MOST_PIXELS)))
    y, x = np.mgrid[low[1] : high[1] : step, low[0] : high[0] : step]
    part = to_linear(pixels[low[1] : high[1] : step, low[0] : high[0] : step])
    light = luminance(part) if part.ndim == 3 else part
    mm = fit.to_mm(np.stack([x, y], axis=-1).reshape(-1, 2).astype(float))
    raster = pattern_raster(float(np.clip(mm_per_px, 0.015, 0.06))).blurred(fit.blur_px * mm_per_px)
    pattern = (raster.at(raster.light, mm) - fit.spread_mm * raster.at(raster.spread, mm)).reshape(x.shape)
    column, row = np.clip(mm // 2.0, 0, np.array(fit.seen.shape)[::-1] - 1).astype(int).T
    inside = ((mm > (0.4, 0.8)) & (mm < (29.9, 7.4))).all(axis=1) & fit.seen[row, column]
    inside = inside.reshape(x.shape).astype(np.float32)
    wide = 1.0 / (mm_per_px * step)
    pattern = _without_shading(pattern.astype(np.float32), inside, wide)
    rest = _without_shading(light.astype(np.float32), inside, wide)
    rest = rest - pattern * (np.sum(rest * pattern) / max(float(np.sum(pattern**2)), 1e-9))
    contrast = float(np.sum(pattern * _without_shading(light.astype(np.float32), inside, wide)) / max(float(np.sum(pattern**2)), 1e-9))
    return _peak(rest / max(contrast, 1e-6), pattern, 3.0 * fit.blur_px / step, _REACH_MM / mm_per_px / step, step)


def _without_shading(plane: np.ndarray, inside: np.ndarray, sigma: float) -> np.ndarray:
    mean = cv2.GaussianBlur(plane * inside, (0, 0), sigma) / np.maximum(cv2.GaussianBlur(inside, (0, 0), sigma), 1e-3)
    return np.asarray((plane - mean) * inside)


def _peak(rest: np.ndarray, pattern: np.ndarray, nearest: float, farthest: float, step: int) -> Ghost | None:
    shape = [2 * side for side in rest.shape]
    product = np.fft.irfft2(np.fft.rfft2(rest, shape) * np.conj(np.fft.rfft2(pattern, shape)), shape)
    dy, dx = (np.fft.fftfreq(side, 1 / side) for side in shape)
    away = np.hypot(dy[:, None], dx[None, :])
    share = product / max(float(np.sum(pattern**2)), 1e-9)
    ring = (away > max(nearest, 3.0)) & (away < farthest)
    if not ring.any():
        return None
    values = share[ring]
    at = int(values.argmax())
    noise = 1.4826 * float(np.median(np.abs(values - np.median(values))))
    if values[at] < max(_LEAST_SHARE, _ABOVE_NOISE * noise):
        return None
    return Ghost(float(away[ring][at]) * step, float(values[at]))


def edge_ghost(pixels: np.ndarray, edges: np.ndarray, mm_per_px: float, sigma_px: float) -> Ghost | None:
    """The ghost of a shaft: beside both its edges, shape (2, 2, 2), a weaker one of the same sign at the same displacement."""
    reach = min(_REACH_MM / mm_per_px, 0.45 * float(np.hypot(*(edges[0].mean(axis=0) - edges[1].mean(axis=0)))))
    s = np.arange(-reach, reach + 0.1, 0.5)
    profiles = []
    for low, high in edges:
        along = high - low
        x, y = (low + high) / 2
        across = Strip(float(x), float(y), math.atan2(along[1], along[0]) + math.pi / 2)
        t = np.linspace(-0.45, 0.45, 60) * float(np.hypot(*along))
        light = luminance(sample_linear(pixels, across.image(s[None, :], t[:, None])))
        slope = np.median(np.nan_to_num(edge_places(np.nan_to_num(light), 0.5)), axis=0)
        main = float(slope[np.abs(s) < 2.5][np.argmax(np.abs(slope[np.abs(s) < 2.5]))]) if (np.abs(s) < 2.5).any() else 0.0
        if main == 0.0:
            return None
        profiles.append(slope / main)
    both = np.minimum(*profiles)
    clear = np.abs(s) > 4.0 * sigma_px + 2.0
    if not clear.any():
        return None
    at = int(np.argmax(np.where(clear, both, -1.0)))
    noise = 1.4826 * float(np.median(np.abs(both[clear] - np.median(both[clear]))))
    if at in (0, len(s) - 1) or both[at] < max(1.5 * _LEAST_SHARE, _ABOVE_NOISE * noise):
        return None
    return Ghost(abs(float(s[at])), float(both[at]))
