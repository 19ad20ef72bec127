"""From light in the scene to the pixels of a file: lens, sensor, camera processing.

Notes
-----
Diffraction: the Airy pattern of wavelength L at effective f-number N (1 + m) is close to a Gaussian
of sigma 0.42 L N (1 + m) on the sensor. Defocus: a disc of diameter f m dz / (N (D - dz)) there, close to a
Gaussian of a quarter of it. Both are added in variance to `Shot.lens_sigma_px`. Depth of field is drawn by
mixing a few blurred copies pixel by pixel, so colours bleed a little across steps in depth.
Noise is that of photons and of reading, drawn in linear light before white balance, tone and sharpening.
"""

from __future__ import annotations

import numpy as np

from audit.imaging.colour import encode_srgb
from audit.imaging.smooth import gaussian
from audit.synthetic.spec import Shot

__all__ = ["blur_sigma_px", "develop", "magnification", "through_lens"]

WAVELENGTH_UM = 0.55
WHITE_ELECTRONS = 30000.0
READ_ELECTRONS = 6.0


def magnification(shot: Shot) -> float:
    """Size on the sensor over size at the tooth."""
    return shot.px_per_mm * shot.pixel_pitch_um * 1e-3


def blur_sigma_px(shot: Shot, nearer_mm: np.ndarray | float) -> np.ndarray:
    """Gaussian-equivalent blur, pixels, of points `nearer_mm` before the tooth's plane."""
    m = magnification(shot)
    distance = shot.focal_length_mm * (1.0 + 1.0 / m)
    diffraction = 0.42 * WAVELENGTH_UM * shot.f_number * (1.0 + m) / shot.pixel_pitch_um
    away = np.asarray(nearer_mm) - shot.focus_offset_mm
    disc_um = 1e3 * shot.focal_length_mm / shot.f_number * m * np.abs(away) / np.maximum(distance - np.asarray(nearer_mm), 10.0)
    return np.asarray(np.sqrt(diffraction**2 + shot.lens_sigma_px**2 + (disc_um / shot.pixel_pitch_um / 4.0) ** 2))


def through_lens(light: np.ndarray, nearer_mm: np.ndarray, shot: Shot) -> np.ndarray:
    """Light on the sensor, shape (height, width, 3), from light at the scene and its depth before the tooth's plane."""
    sigma = gaussian(blur_sigma_px(shot, np.clip(nearer_mm, -25.0, 25.0)), 1.5)
    levels = np.unique(np.round(np.geomspace(max(sigma.min(), 0.2), max(sigma.max(), 0.21), 5), 2))
    capped = np.minimum(light, 6.0)
    copies = [gaussian(capped, float(level)) for level in levels]
    result = copies[0].copy()
    for index in range(1, len(levels)):
        low, high = levels[index - 1] ** 2, levels[index] ** 2
        share = np.clip((sigma**2 - low) / (high - low), 0.0, 1.0)[..., None]
        result += share * (copies[index] - copies[index - 1])
    return np.asarray(result)


def develop(light: np.ndarray, shot: Shot, rng: np.random.Generator) -> np.ndarray:
    """Encoded pixels, uint8, of light on the sensor."""
    exposed: np.ndarray = light * np.float32(shot.light_level)
    if shot.noise > 0:
        electrons = WHITE_ELECTRONS / shot.noise**2
        variance = np.maximum(exposed, 0.0) / electrons + (READ_ELECTRONS / electrons) ** 2
        exposed = exposed + np.sqrt(variance) * rng.standard_normal(exposed.shape, dtype=np.float32)
    warm = np.array([shot.white_balance, 1.0, 1.0 / shot.white_balance], np.float32)
    encoded: np.ndarray = encode_srgb(np.clip(exposed, 0.0, 1.0) * warm)
    if shot.tone:
        encoded = encoded + np.float32(shot.tone) * (2 * encoded - 1) * encoded * (1 - encoded)
    if shot.sharpening:
        encoded = encoded + np.float32(shot.sharpening) * (encoded - gaussian(encoded, 0.9))
    return np.asarray(np.round(np.clip(encoded, 0.0, 1.0) * 255.0), dtype=np.uint8)
