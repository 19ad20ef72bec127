"""What is asked of every pixel inside a tooth's outline before it is called metal or not.

Enamel is a body colour under a smooth shade, plus the white of wet highlights. Metal has no body: it
shows the mouth, tinted by the alloy. So a pixel is described by how far it lies from the tooth's own
enamel (light, and the two chromaticities that the same enamel would have with such a highlight on it),
by how these change round it, and by how deep inside the outline it lies.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import cv2
import numpy as np

from audit.imaging.enamel import Enamel, brightest, log_colour

__all__ = ["CONTEXT", "FEATURES", "context_features", "metal_features"]

FEATURES = (
    "light", "red_green", "green_blue", "clipped", "light_near", "red_green_near", "green_blue_near", "light_wide",
    "red_green_wide", "green_blue_wide", "light_spread_near", "light_spread_wide", "blue_spread_near", "blue_spread_wide",
    "light_low", "light_high", "blue_high", "red_high", "depth", "body_red_green", "body_green_blue", "body_light", "gold", "white",
)  # fmt: skip
CONTEXT = ("first", "first_near", "first_wide", "first_far", "first_at_border")
_NEAR, _WIDE, _FAR = 0.035, 0.11, 0.28


def metal_features(linear: np.ndarray, enamel: Enamel, inside: np.ndarray, border_px: np.ndarray, alloy: str | None = None) -> np.ndarray:
    """Features of the pixels inside the outline.

    Parameters
    ----------
    linear : ndarray of float32, shape (h, w, 3)
        Linear light of the working grid, balanced.
    enamel : Enamel
    inside : ndarray of bool, shape (h, w)
    border_px : ndarray, shape (h, w)
    alloy : str or None
        ``gold`` or ``white``, where the record has it.

    Returns
    -------
    ndarray of float32, shape (n, len(FEATURES))
        One row for each pixel of `inside`, in raster order. Neighbourhoods end at the outline.
    """
    size = float(np.sqrt(np.count_nonzero(inside)))
    light, red_green, green_blue = _relative(linear, enamel)
    clipped = (brightest(linear) > 0.97).astype(np.float32)
    mask = inside.astype(np.float32)
    near, wide = _Window(mask, size * _NEAR), _Window(mask, size * _WIDE)
    masked = [value * mask for value in (light, red_green, green_blue)]
    means = [[window.mean(value) for value in masked] for window in (near, wide)]
    spreads = [
        window.spread(masked[k], value, mean[k]) for k, value in ((0, light), (2, green_blue)) for window, mean in zip((near, wide), means)
    ]
    reach = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * round(size * _NEAR) + 1,) * 2)
    low = cv2.erode(np.where(inside, light, 9.0).astype(np.float32), reach)
    high, blue_high, red_high = (
        cv2.dilate(np.where(inside, v, -9.0).astype(np.float32), reach)
        for v in (light, np.where(light > -1.2, green_blue, -1.5), np.where(light > -1.2, red_green, -1.0))
    )
    columns = (
        light, red_green, green_blue, clipped, *means[0], *means[1], *spreads, low, high, blue_high, red_high,
        np.minimum(border_px / size, 0.3), enamel.red_green, enamel.green_blue, enamel.log_light, alloy == "gold", alloy == "white",
    )  # fmt: skip
    return _rows(columns, inside)


def _rows(columns: Iterable[Any], inside: np.ndarray) -> np.ndarray:
    """One row for each pixel inside, of maps and of plain numbers; stored by column, as the columns are made and read."""
    at = np.flatnonzero(inside)
    out = [np.ravel(column)[at] if isinstance(column, np.ndarray) else np.full(len(at), column) for column in columns]
    return np.stack(out).astype(np.float32, copy=False).T


def _relative(linear: np.ndarray, enamel: Enamel) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """ln Y above the enamel body, and chromaticities less those of this enamel with a highlight so bright."""
    light, red_green, green_blue = log_colour(linear)
    above = light - enamel.log_light
    extra = np.maximum(np.exp(np.clip(above, 0.0, 2.0)) - 1.0, 0.0)
    red, blue = np.exp(enamel.red_green), np.exp(-enamel.green_blue)
    expected_red = np.log((red + extra) / (1.0 + extra))
    expected_blue = np.log((1.0 + extra) / (blue + extra))
    return (
        np.clip(above, -3.0, 1.5).astype(np.float32),
        np.clip(red_green - expected_red, -0.6, 1.2).astype(np.float32),
        np.clip(green_blue - expected_blue, -1.2, 1.8).astype(np.float32),
    )


class _Window:
    """Square window round every pixel, of which only what lies inside the outline counts."""

    def __init__(self, mask: np.ndarray, radius: float) -> None:
        self._size = (2 * max(1, round(radius)) + 1,) * 2
        self._count = np.maximum(cv2.boxFilter(mask, -1, self._size, normalize=False), 1.0)

    def mean(self, masked: np.ndarray) -> np.ndarray:
        """Mean of a value that is 0 outside."""
        return np.asarray(cv2.boxFilter(masked, -1, self._size, normalize=False) / self._count)

    def spread(self, masked: np.ndarray, value: np.ndarray, mean: np.ndarray) -> np.ndarray:
        """Standard deviation of a value about its mean."""
        return np.asarray(np.sqrt(np.maximum(self.mean(value * masked) - mean * mean, 0.0)))


def context_features(first: np.ndarray, inside: np.ndarray) -> np.ndarray:
    """What a first opinion says of the neighbourhood of each pixel inside the outline.

    Parameters
    ----------
    first : ndarray, shape (n,)
        Log odds of metal of the pixels of `inside`, in raster order.
    inside : ndarray of bool, shape (h, w)

    Returns
    -------
    ndarray of float32, shape (n, len(CONTEXT))

    References
    ----------
    Tu, Bai, IEEE Trans Pattern Anal Mach Intell 2010;32:1744-1757, https://doi.org/10.1109/TPAMI.2009.186 (auto-context).
    """
    size = float(np.sqrt(np.count_nonzero(inside)))
    mask = inside.astype(np.float32)
    chance = np.zeros(inside.shape, dtype=np.float32)
    chance[inside] = 1.0 / (1.0 + np.exp(-np.clip(first, -9.0, 9.0)))
    near, wide, far = (_Window(mask, size * scale).mean(chance) for scale in (_NEAR, _WIDE, _FAR))
    _, labels = cv2.distanceTransformWithLabels(inside.astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)
    rim = cv2.dilate((~inside).astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool) & inside
    smooth_rim = cv2.dilate(np.where(rim, near, 0.0).astype(np.float32), np.ones((3, 3), np.uint8))
    outside = np.zeros(int(labels.max()) + 1, dtype=np.float32)
    outside[labels[~inside]] = smooth_rim[~inside]
    inner = _rows((near, wide, far), inside)
    columns = (np.clip(first, -6.0, 6.0), *inner.T, outside[labels[inside]])
    return np.stack(columns).astype(np.float32).T
