"""Plain drawings of a tooth, in numpy alone: a second hand that shares nothing with what the networks were fitted to.

Linear light throughout: a rounded enamel body with a flash highlight, gum, throat and neighbours round it; metal as a rounded
strip that mirrors a striped mouth (throat, gum, teeth, lamp) by the slope of its surface; what dentists know to look like metal.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import distance_transform_edt, gaussian_filter

TINTS = {"gold": (1.0, 0.74, 0.33), "pale_gold": (0.98, 0.80, 0.50), "white": (0.70, 0.68, 0.64), "amalgam": (0.30, 0.30, 0.31)}
MOUTH = ((0.03, 0.015, 0.012), (0.38, 0.14, 0.13), (0.62, 0.54, 0.38), (0.06, 0.03, 0.025), (0.30, 0.10, 0.10), (1.1, 1.1, 1.1))
SOUND = ("clean", "yellow_wet", "caries", "grey_gum_line", "stained_fissure", "composite", "shadowed_sides")


@dataclass(frozen=True)
class Tooth:
    """What to draw: `band_px` is the height of the metal (0: none); `where` is edge, frame, collar or patch."""

    seed: int
    band_px: float = 0.0
    metal: str = "gold"
    where: str = "edge"
    sound: str = "clean"
    level: float = 1.0
    """Brightness of the mouth that the metal mirrors: 0.1 is a throat, 1 a flash-lit mouth."""
    size_px: float = 240.0
    upper: bool = True
    light: float = 0.9
    blur_px: float = 1.2
    noise: float = 0.003


@dataclass(frozen=True)
class Picture:
    """Pixels uint8 (n, n, 3), outline (m, 2), coverage of metal (n, n)."""

    pixels: np.ndarray
    outline: np.ndarray
    metal: np.ndarray

    @property
    def height_px(self) -> float:
        """Greatest thickness in a column."""
        return float(self.metal.sum(axis=0).max())

    @property
    def extent_px(self) -> float:
        """From the first to the last column that is half covered somewhere."""
        columns = np.flatnonzero(self.metal.max(axis=0) > 0.5)
        return float(np.ptp(columns) + 1) if len(columns) else 0.0


def picture(tooth: Tooth) -> Picture:
    """Draw one tooth."""
    rng = np.random.default_rng([77, tooth.seed])
    n = int(1.6 * tooth.size_px)
    y, x = np.mgrid[0:n, 0:n].astype(float)
    half = 0.5 * tooth.size_px
    wide = half * rng.uniform(0.8, 1.0)
    power = rng.uniform(2.4, 3.6)
    u, v = (x - n / 2) / wide, (y - n / 2) / half * (1.0 if tooth.upper else -1.0)  # v = 1 at the occlusal edge
    rho = (np.abs(u) ** power + np.abs(v) ** power) ** (1.0 / power)
    inside = np.clip((1.0 - rho) * half + 0.5, 0.0, 1.0)
    body = _sound(rng, tooth, _enamel(rng, u, v, rho), u, v, rho, half)
    metal = _cover(rng, tooth, u, v, rho, half, power) * inside
    light = body * (1.0 - metal[..., None]) + _mirror(rng, tooth, metal, u, v) * metal[..., None]
    light = _around(rng, u, v, n) * (1.0 - inside[..., None]) + light * inside[..., None]
    angle = np.linspace(0.0, 2.0 * np.pi, 160, endpoint=False)
    c, s = np.cos(angle), np.sin(angle)
    r = (np.abs(c) ** power + np.abs(s) ** power) ** (-1.0 / power)
    outline = np.stack([n / 2 + wide * r * c, n / 2 + half * r * s], axis=1)
    return Picture(_expose(rng, light, tooth), outline, metal)


def _grain(rng: np.random.Generator, n: int, scale: float) -> np.ndarray:
    field = gaussian_filter(rng.normal(size=(n, n)), scale, mode="wrap")
    return np.asarray(field / field.std())


def _enamel(rng, u, v, rho):
    neck, edge = np.array([0.60, 0.49, 0.29]), np.array([0.58, 0.55, 0.47])
    mix = np.clip((v + 1.0) / 2.0, 0.0, 1.0)[..., None] ** 0.8
    shade = 0.72 + 0.3 * np.sqrt(np.clip(1.0 - np.clip(rho, 0.0, 1.0) ** 4, 0.0, 1.0))
    light = (neck * (1.0 - mix) + edge * mix) * shade[..., None] * (1.0 + 0.03 * _grain(rng, len(u), 9.0))[..., None]
    lamp = np.exp(-0.5 * (((u - rng.uniform(-0.3, 0.3)) / 0.09) ** 2 + ((v + rng.uniform(-0.2, 0.4)) / 0.25) ** 2))
    return light + (0.7 * lamp)[..., None]


def _around(rng, u, v, n):
    throat, gum, tooth = np.array([0.03, 0.014, 0.012]), np.array([0.42, 0.16, 0.15]), np.array([0.45, 0.38, 0.25])
    light = np.broadcast_to(throat, (n, n, 3)) * (1.0 + 0.2 * _grain(rng, n, 12.0))[..., None]
    light = np.where((np.abs(u) > 1.08)[..., None], tooth * (1.2 - 0.4 * np.clip(np.abs(u) - 1.0, 0, 1))[..., None], light)
    scallop = -0.86 + 0.18 * np.clip(np.abs(u), 0, 1.1) ** 2
    return np.where((v < scallop)[..., None], gum * (1.0 + 0.07 * _grain(rng, n, 5.0))[..., None], light).clip(0.002)


def _sound(rng, tooth, light, u, v, rho, half):
    n, kind = len(u), tooth.sound
    if kind == "yellow_wet":
        light = light * np.array([0.98, 0.84, 0.52])
        drops = np.clip(_grain(rng, n, 2.5) - 2.3, 0.0, 1.0) * 3.0
        return light + drops[..., None]
    if kind == "caries":
        a, b = rng.uniform(-0.5, 0.5), rng.uniform(-0.7, 0.7)
        pit = np.exp(-0.5 * (((u - a) / 0.16) ** 2 + ((v - b) / 0.12) ** 2) * (1.0 + 0.2 * _grain(rng, n, 6.0)))[..., None]
        return light * (1.0 - pit * np.array([0.75, 0.86, 0.94]))
    if kind == "grey_gum_line":
        line = np.exp(-(((1.0 - rho) * half / (0.03 * half)) ** 2)) * (v < -0.3)
        return light * (1.0 - 0.6 * line)[..., None]
    if kind == "stained_fissure":
        at = rng.uniform(-0.2, 0.2) + 0.08 * np.sin(5.0 * v)
        groove = np.exp(-0.5 * ((u - at) * half / 3.0) ** 2) * np.clip(v + 0.5, 0.0, 1.0)
        return light * (1.0 - groove[..., None] * np.array([0.55, 0.68, 0.8]))
    if kind == "composite":
        patch = (((u - 0.2) / 0.4) ** 2 + ((v - 0.3) / 0.35) ** 2 < 1.0)[..., None]
        return np.where(patch, light * np.array([0.93, 0.9, 0.88]), light)
    if kind == "shadowed_sides":
        return light * (1.0 - 0.75 * np.exp(-((1.0 - np.abs(u)) / 0.08)).clip(0, 1))[..., None]
    return light


def _cover(rng, tooth, u, v, rho, half, power):
    """Coverage of metal; the band at the edge is `band_px` high in every column."""
    if tooth.band_px == 0.0:
        return np.zeros_like(u)
    if tooth.where == "edge":
        edge = np.clip(1.0 - np.abs(u) ** power, 0.0, None) ** (1.0 / power)
        return np.where(np.abs(u) < 1.0, np.clip(tooth.band_px - (edge - v) * half + 0.5, 0.0, 1.0), 0.0)
    if tooth.where == "patch":
        blob = np.hypot(u - 0.25, v - 0.35) * half + 0.1 * tooth.band_px * _grain(rng, len(u), 8.0)
        return np.clip(tooth.band_px - blob, 0.0, 1.0)
    ring = np.clip(tooth.band_px - distance_transform_edt(rho < 1.0) + 1.0, 0.0, 1.0)
    return ring * np.clip((-0.2 - v) * half, 0.0, 1.0) if tooth.where == "collar" else ring


def _mirror(rng, tooth, metal, u, v):
    """A rounded strip: the deeper inside, the flatter; the slope looks up a colour in a striped mouth."""
    n, tint = len(u), np.array(TINTS[tooth.metal])
    if tooth.metal == "amalgam":
        return tint * (1.0 + 0.18 * _grain(rng, n, 4.0) + 0.1 * _grain(rng, n, 14.0))[..., None].clip(0.2) * tooth.level
    depth = distance_transform_edt(metal > 0.5)
    slope = np.clip(depth / max(tooth.band_px, 1.0), 0.0, 1.0)
    at = 0.9 * slope + 0.35 * u + 0.12 * _grain(rng, n, 10.0) + rng.uniform(-0.4, 0.4)
    stops = np.sort(rng.uniform(-0.8, 1.6, 9))
    colours = np.array(MOUTH)[rng.integers(0, len(MOUTH), 9)]
    seen = np.stack([np.interp(at, stops, colours[:, k]) for k in range(3)], axis=-1)
    return (0.02 + tooth.level * seen) * tint


def _expose(rng, light, tooth):
    blurred = gaussian_filter(light, (tooth.blur_px, tooth.blur_px, 0.0)) * tooth.light
    noisy = blurred + rng.normal(size=blurred.shape) * tooth.noise * np.sqrt(blurred.clip(0.02) / 0.5)
    clipped = noisy.clip(0.0, 1.0)
    encoded = np.where(clipped <= 0.0031308, 12.92 * clipped, 1.055 * np.maximum(clipped, 0.0031308) ** (1 / 2.4) - 0.055)
    return (encoded * 255.0 + 0.5).astype(np.uint8)
