"""Colour: linear light, CIELAB, white balance, and the CIEDE2000 difference.

References
----------
IEC 61966-2-1 (sRGB). CIE 15 (CIELAB, D65, 2 degrees).
Sharma, Wu, Dalal, Color Res Appl 2005;30:21-30, https://doi.org/10.1002/col.20070 (CIEDE2000).
"""

from __future__ import annotations

import cv2
import numpy as np

__all__ = ["decode_srgb", "delta_e_2000", "encode_srgb", "luma_light", "luminance", "neutral_gains", "rgb_to_lab", "to_linear"]

_RGB_TO_XYZ = np.array([[0.412453, 0.357580, 0.180423], [0.212671, 0.715160, 0.072169], [0.019334, 0.119193, 0.950227]])
_D65 = np.array([0.95047, 1.0, 1.08883])
_NEUTRAL_LIMIT = 0.15
"""Largest correction of a channel that the photo's own whites are trusted for (log units)."""


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
_LUMA = np.array([0.299, 0.587, 0.114], dtype=np.float32)
_LUT_LUMA = decode_srgb(np.arange(255_001) / 255_000.0).astype(np.float32)
_LUT_LUMA.setflags(write=False)


def to_linear(pixels: np.ndarray) -> np.ndarray:
    """Linear light (0 to 1, float32) of 8- or 16-bit sRGB pixels, same shape; floats pass unchanged."""
    if pixels.dtype == np.uint8:
        row = np.ascontiguousarray(pixels).reshape(1, -1)
        return np.asarray(cv2.LUT(row, _LUT8)).reshape(pixels.shape) if row.size else np.zeros(pixels.shape, np.float32)
    if pixels.dtype == np.uint16:
        return decode_srgb(pixels / np.float32(65535.0)).astype(np.float32)
    return pixels.astype(np.float32, copy=False)


def luma_light(pixels: np.ndarray) -> np.ndarray:
    """Linear light (0 to 1, float32) of the luma that JPEG has of encoded red, green, blue (ITU-T T.871), shape (..., 3) to (...)."""
    if pixels.dtype == np.uint8:  # the 255,001 lumas that 8 bits can make, in thousandths
        steps = cv2.transform(np.ascontiguousarray(pixels, dtype=np.float32).reshape(1, -1, 3), _LUMA[None, :] * np.float32(1000.0))
        return np.asarray(_LUT_LUMA[np.rint(steps).astype(np.int32).reshape(pixels.shape[:-1])])
    encoded = pixels / np.float32(65535.0) if pixels.dtype == np.uint16 else encode_srgb(pixels)
    return decode_srgb(encoded @ _LUMA).astype(np.float32)


def luminance(linear_rgb: np.ndarray) -> np.ndarray:
    """Relative luminance Y of linear sRGB, shape (..., 3) to (...); a single channel passes unchanged."""
    if linear_rgb.ndim < 3 or linear_rgb.shape[-1] != 3:
        return linear_rgb
    return linear_rgb @ np.array([0.2126, 0.7152, 0.0722], dtype=np.float32)


def rgb_to_lab(linear_rgb: np.ndarray) -> np.ndarray:
    """CIELAB (D65, 2 degrees) of linear sRGB.

    Parameters
    ----------
    linear_rgb : ndarray, shape (..., 3)
        Linear light, 1 = white; a crop, never a whole photo.

    Returns
    -------
    ndarray, shape (..., 3)
        L*, a*, b*.
    """
    xyz = np.asarray(linear_rgb) @ (_RGB_TO_XYZ / _D65[:, None]).T.astype(linear_rgb.dtype)
    f = np.where(xyz > 0.008856, np.cbrt(xyz), 7.787 * xyz + 16.0 / 116.0)
    return np.stack([116.0 * f[..., 1] - 16.0, 500.0 * (f[..., 0] - f[..., 1]), 200.0 * (f[..., 1] - f[..., 2])], axis=-1)


def delta_e_2000(lab_1: np.ndarray, lab_2: np.ndarray) -> np.ndarray:
    """CIEDE2000 colour difference of CIELAB values, shape (..., 3) and (..., 3) to (...), kL = kC = kH = 1.

    Notes
    -----
    Hue differences within 1e-9 degrees of 180 count as 180: there the formula jumps, and rounding
    would decide which side of the jump is taken (pair 14 of the published test data).
    """
    lab_1, lab_2 = np.asarray(lab_1, dtype=float), np.asarray(lab_2, dtype=float)
    chroma = (np.hypot(lab_1[..., 1], lab_1[..., 2]) + np.hypot(lab_2[..., 1], lab_2[..., 2])) / 2.0
    stretch = 1.5 - 0.5 * np.sqrt(chroma**7 / (chroma**7 + 25.0**7))
    c1, h1 = _polar(lab_1, stretch)
    c2, h2 = _polar(lab_2, stretch)
    turn = h2 - h1
    far = np.abs(turn) > 180.0 + 1e-9
    grey = c1 * c2 == 0.0
    turn = np.where(grey, 0.0, np.where(far, turn - 360.0 * np.sign(turn), turn))
    hue = np.where(grey, h1 + h2, np.where(far, h1 + h2 + np.where(h1 + h2 < 360.0, 360.0, -360.0), h1 + h2) / 2.0)
    d_hue = 2.0 * np.sqrt(c1 * c2) * np.sin(np.radians(turn) / 2.0)
    light, chroma = (lab_1[..., 0] + lab_2[..., 0]) / 2.0, (c1 + c2) / 2.0
    weight_l, weight_c, weight_h, rotation = _weights(light, chroma, hue)
    part_l, part_c, part_h = (lab_2[..., 0] - lab_1[..., 0]) / weight_l, (c2 - c1) / weight_c, d_hue / weight_h
    return np.asarray(np.sqrt(part_l**2 + part_c**2 + part_h**2 + rotation * part_c * part_h))


def _polar(lab: np.ndarray, stretch: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Chroma and hue angle (degrees, 0 to 360) with a* stretched."""
    a = lab[..., 1] * stretch
    return np.hypot(a, lab[..., 2]), np.degrees(np.arctan2(lab[..., 2], a)) % 360.0


def _weights(light: np.ndarray, chroma: np.ndarray, hue: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Weighting functions S_L, S_C, S_H and the rotation term R_T."""
    t = (
        1.0 - 0.17 * np.cos(np.radians(hue - 30.0)) + 0.24 * np.cos(np.radians(2.0 * hue))
        + 0.32 * np.cos(np.radians(3.0 * hue + 6.0)) - 0.20 * np.cos(np.radians(4.0 * hue - 63.0))
    )  # fmt: skip
    weight_l = 1.0 + 0.015 * (light - 50.0) ** 2 / np.sqrt(20.0 + (light - 50.0) ** 2)
    turn = 60.0 * np.exp(-(((hue - 275.0) / 25.0) ** 2))
    rotation = -2.0 * np.sqrt(chroma**7 / (chroma**7 + 25.0**7)) * np.sin(np.radians(turn))
    return weight_l, 1.0 + 0.045 * chroma, 1.0 + 0.015 * chroma * t, rotation


def neutral_gains(linear_rgb: np.ndarray) -> np.ndarray:
    """Gains of the three channels that make the photo's own whites neutral, shape (3,), green unchanged.

    Parameters
    ----------
    linear_rgb : ndarray, shape (h, w, 3)
        Linear light of the tooth and its neighbourhood, float.

    Notes
    -----
    The skirts of wet highlights carry the colour of the flash: pixels bright but not clipped, of
    little chroma. Where fewer than 0.05 % are such, or the correction would exceed 0.15 in log
    units, the camera's own balance is kept (gains limited).
    """
    flat = linear_rgb.reshape(-1, 3)
    top = np.maximum(np.maximum(flat[:, 0], flat[:, 1]), flat[:, 2])
    low = np.minimum(np.minimum(flat[:, 0], flat[:, 1]), flat[:, 2])
    bright = (top > 0.7) & (top < 0.97) & (low > 0.78 * top)
    if np.count_nonzero(bright) < max(30, 5e-4 * len(flat)):
        return np.ones(3, dtype=np.float32)
    logs = np.log(flat[bright])
    shift = np.median(logs[:, 1:2] - logs, axis=0)
    return np.asarray(np.exp(np.clip(shift, -_NEUTRAL_LIMIT, _NEUTRAL_LIMIT)), dtype=np.float32)
