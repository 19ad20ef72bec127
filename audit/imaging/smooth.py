"""Gaussian smoothing, and the outline of a mask to sub-pixel."""

from __future__ import annotations

import cv2
import numpy as np
from skimage.measure import find_contours

__all__ = ["gaussian", "outline"]


def gaussian(pixels: np.ndarray, sigma_px: float) -> np.ndarray:
    """Pixels blurred by a Gaussian of `sigma_px`, float32, same shape; the border is reflected."""
    if sigma_px < 0.05:
        return pixels.astype(np.float32)
    return np.asarray(cv2.GaussianBlur(pixels.astype(np.float32), (0, 0), sigma_px, borderType=cv2.BORDER_REFLECT_101))


def outline(coverage: np.ndarray) -> np.ndarray:
    """Longest closed line at half coverage, shape (n, 2), pixels; empty where there is none.

    Parameters
    ----------
    coverage : ndarray, shape (height, width)
        0 outside, 1 inside, in between on the border.
    """
    padded = np.pad(np.asarray(coverage, dtype=float), 1)
    lines = find_contours(padded, 0.5)  # type: ignore[no-untyped-call]
    if not lines:
        return np.empty((0, 2))
    return np.asarray(max(lines, key=len)[:, ::-1] - 1.0)
