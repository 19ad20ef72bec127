"""A slot of known width, level and colour in a margin, drawn with NumPy and SciPy alone: nothing of the project takes part.

The walls of the slot are Gaussian-blurred edges in closed form, so the drawn width is exact; textures, photon noise,
8-bit sRGB and JPEG follow.
"""

from __future__ import annotations

import io
from dataclasses import dataclass

import numpy as np
from PIL import Image
from scipy.ndimage import gaussian_filter
from scipy.special import ndtr

TOOTH = np.array([0.55, 0.47, 0.33])
GOLD = np.array([0.62, 0.42, 0.13])
PX_PER_MM = 50.0
LENGTH_PX = 420
OPEN = (0.3, 0.7)
"""Share of the picture's width over which the slot is open."""


@dataclass(frozen=True)
class Slot:
    """A slot `um` wide whose light is `level` of the tooth's, or has a `colour` of its own; what optics and camera do to it.

    With `aside_px` it is a band whose near wall lies that far from a closed interface: in the metal, or in the tooth where it is
    negative; `soft_px` is a blur that its walls have of their own.
    """

    um: float
    level: float = 0.04
    blur_px: float = 1.5
    colour: tuple[float, float, float] | None = None
    metal: tuple[float, float, float] = tuple(GOLD)
    metal_texture: float = 0.2
    tooth_texture: float = 0.03
    aside_px: float | None = None
    soft_px: float = 0.0
    where: tuple[float, float] = OPEN
    trace_off_px: float = 2.0
    noise: float = 0.004
    quality: int = 92
    seed: int = 0


def draw(slot: Slot) -> tuple[np.ndarray, np.ndarray]:
    """The picture, uint8 (160, LENGTH_PX, 3), and a hand's trace of the interface."""
    rng = np.random.default_rng(slot.seed)
    y, x = np.mgrid[0:160, 0:LENGTH_PX].astype(float)
    phase = rng.uniform(0, 6.28)
    line = lambda at: 80 + 5 * np.sin(at / 70 + phase)  # noqa: E731
    d = (y - line(x)) / np.hypot(1, 5 / 70 * np.cos(x / 70 + phase))
    inside = (x > slot.where[0] * LENGTH_PX) & (x < slot.where[1] * LENGTH_PX)
    half = np.where(inside, slot.um / 1000 * PX_PER_MM, 0.0) / 2
    above, below = 1 - ndtr((d + half) / slot.blur_px), ndtr((d - half) / slot.blur_px)
    if slot.aside_px is not None:
        above, below = _beside(d, 2 * half, slot)
    tooth = TOOTH * (1 + slot.tooth_texture * _texture(rng, d.shape, 8))[..., None]
    metal = np.array(slot.metal) * np.clip(1 + slot.metal_texture * _texture(rng, d.shape, 12), 0.1, 1.6)[..., None]
    filling = np.array(slot.colour) if slot.colour is not None else TOOTH * slot.level
    light = above[..., None] * tooth + below[..., None] * metal + (1 - above - below)[..., None] * filling
    light += rng.normal(size=light.shape) * slot.noise * np.sqrt(np.clip(light, 0.02, 1) / 0.5)
    at = np.arange(15.0, LENGTH_PX - 15, 12)
    off = slot.trace_off_px * np.sin(at / 60 + rng.uniform(0, 6.28)) + rng.normal(size=len(at)) * 0.6
    return _camera(light, slot.quality), np.stack([at, line(at) + off], axis=1)


def _beside(d: np.ndarray, width: np.ndarray, slot: Slot) -> tuple[np.ndarray, np.ndarray]:
    """Tooth and metal of a closed interface at d = 0, with a band laid over them on one side."""
    middle = slot.aside_px + np.copysign(width / 2, slot.aside_px)
    soft = np.hypot(slot.blur_px, slot.soft_px)
    left = 1 - (ndtr((d - middle + width / 2) / soft) - ndtr((d - middle - width / 2) / soft))
    step = ndtr(d / slot.blur_px)
    return (1 - step) * left, step * left


def _texture(rng: np.random.Generator, shape: tuple[int, int], size: float) -> np.ndarray:
    rough = gaussian_filter(rng.normal(size=shape), size)
    return rough / rough.std()


def _camera(light: np.ndarray, quality: int) -> np.ndarray:
    """sRGB (IEC 61966-2-1), 8 bit, JPEG."""
    light = np.clip(light, 0, 1)
    encoded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    stored = io.BytesIO()
    Image.fromarray((encoded * 255 + 0.5).astype(np.uint8)).save(stored, "JPEG", quality=quality)
    return np.asarray(Image.open(stored))
