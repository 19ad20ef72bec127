"""Colour: linear light, CIELAB, white balance, and the CIEDE2000 difference.

References
----------
IEC 61966-2-1 (sRGB). CIE 15 (CIELAB, D65, 2 degrees).
Sharma, Wu, Dalal, Color Res Appl 2005;30:21-30, https://doi.org/10.1002/col.20070 (CIEDE2000).
"""

from __future__ import annotations

import numpy as np

__all__ = ["decode_srgb", "encode_srgb", "luminance", "to_linear"]


def decode_srgb(encoded: np.ndarray) -> np.ndarray:
    """Linear light (0 to 1) of sRGB values (0 to 1), any shape."""
    encoded = np.asarray(encoded, dtype=np.float32)
    return np.where(encoded <= 0.04045, encoded / 12.92, ((np.maximum(encoded, 0.04045) + 0.055) / 1.055) ** 2.4)


def encode_srgb(linear: np.ndarray) -> np.ndarray:
    """sRGB values (0 to 1) of linear light, clipped to 0 to 1, any shape."""
    linear = np.clip(np.asarray(linear, dtype=np.float32), 0.0, 1.0)
    return np.where(linear <= 0.0031308, linear * 12.92, 1.055 * np.maximum(linear, 0.0031308) ** (1 / 2.4) - 0.055)


_LUT8 = decode_srgb(np.arange(256) / 255.0).astype(np.float32)
_LUT8.setflags(write=False)


def to_linear(pixels: np.ndarray) -> np.ndarray:
    """Linear light (0 to 1, float32) of 8- or 16-bit sRGB pixels, same shape; floats pass unchanged."""
    if pixels.dtype == np.uint8:
        return np.asarray(_LUT8[pixels])
    if pixels.dtype == np.uint16:
        return decode_srgb(pixels / np.float32(65535.0)).astype(np.float32)
    return pixels.astype(np.float32)


def luminance(linear_rgb: np.ndarray) -> np.ndarray:
    """Relative luminance Y of linear sRGB, shape (..., 3) to (...); a single channel passes unchanged."""
    if linear_rgb.ndim < 3 or linear_rgb.shape[-1] != 3:
        return linear_rgb
    return linear_rgb @ np.array([0.2126, 0.7152, 0.0722], dtype=np.float32)
