"""What is asked of every pixel inside a tooth's outline before it is called metal or not.

Enamel is a body colour under a smooth shade, plus the white of wet highlights. Metal has no body: it
shows the mouth, tinted by the alloy. So a pixel is described by how far it lies from the tooth's own
enamel (light, and the two chromaticities that the same enamel would have with such a highlight on it),
by how these change round it, and by how deep inside the outline it lies.
"""

from __future__ import annotations

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
    near = {n: _local(v, mask, size * _NEAR) for n, v in (("l", light), ("r", red_green), ("b", green_blue))}
    wide = {n: _local(v, mask, size * _WIDE) for n, v in (("l", light), ("r", red_green), ("b", green_blue))}
    reach = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * round(size * _NEAR) + 1,) * 2)
    low = cv2.erode(np.where(inside, light, 9.0).astype(np.float32), reach)
    high, blue_high, red_high = (
        cv2.dilate(np.where(inside, v, -9.0).astype(np.float32), reach)
        for v in (light, np.where(light > -1.2, green_blue, -1.5), np.where(light > -1.2, red_green, -1.0))
    )
    columns = (
        light, red_green, green_blue, clipped, near["l"][0], near["r"][0], near["b"][0], wide["l"][0], wide["r"][0], wide["b"][0],
        near["l"][1], wide["l"][1], near["b"][1], wide["b"][1], low, high, blue_high, red_high,
        np.minimum(border_px / size, 0.3), enamel.red_green, enamel.green_blue, enamel.log_light,
        np.full_like(light, alloy == "gold"), np.full_like(light, alloy == "white"),
    )  # fmt: skip
    return np.stack([c[inside] for c in columns], axis=1).astype(np.float32)


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


def _local(value: np.ndarray, mask: np.ndarray, radius: float) -> tuple[np.ndarray, np.ndarray]:
    """Mean and standard deviation in a square window, of pixels inside the outline only."""
    window = (2 * max(1, round(radius)) + 1,) * 2
    count = np.maximum(cv2.boxFilter(mask, -1, window, normalize=False), 1.0)
    mean = cv2.boxFilter(value * mask, -1, window, normalize=False) / count
    square = cv2.boxFilter(value * value * mask, -1, window, normalize=False) / count
    return mean, np.sqrt(np.maximum(square - mean * mean, 0.0))


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
    near, wide, far = (_local(chance, mask, size * scale)[0] for scale in (_NEAR, _WIDE, _FAR))
    _, labels = cv2.distanceTransformWithLabels(inside.astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)
    rim = cv2.dilate((~inside).astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool) & inside
    smooth_rim = cv2.dilate(np.where(rim, near, 0.0).astype(np.float32), np.ones((3, 3), np.uint8))
    outside = np.zeros(int(labels.max()) + 1, dtype=np.float32)
    outside[labels[~inside]] = smooth_rim[~inside]
    columns = (np.clip(first, -6.0, 6.0), near[inside], wide[inside], far[inside], outside[labels[inside]])
    return np.stack(columns, axis=1).astype(np.float32)
