"""Lips and the skin round them in a smile, in front of the arch."""

from __future__ import annotations

import numpy as np

from audit.synthetic.spec import Shot
from audit.synthetic.texture import tiled

__all__ = ["lay_lips"]

HALF_MM, UPPER_MM, LOWER_MM, CORNER_MM = 33.5, -4.6, 9.0, 3.4
SKIN, VERMILION = np.array([0.60, 0.35, 0.25], np.float32), np.array([0.46, 0.165, 0.14], np.float32)
LIPS_NEARER_MM = 4.0


def lay_lips(light: np.ndarray, depth_mm: np.ndarray, front_depth_mm: float, shot: Shot) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Light and depth with the lips in front, and their share of each pixel; `front_depth_mm` is that of the front teeth."""
    y, x = np.mgrid[0 : shot.height_px, 0 : shot.width_px].astype(np.float32)
    x = ((x - shot.width_px / 2) / shot.px_per_mm + shot.aim_mm[0]).ravel()
    y = ((y - shot.height_px / 2) / shot.px_per_mm + shot.aim_mm[1]).ravel()
    sway = 0.5 * tiled(shot.seed + 75, 1, 3, x * 2, np.zeros_like(x))[:, 0]
    s = np.clip(np.abs(x + 0.4) / HALF_MM, 0.0, 1.0)
    upper = UPPER_MM + (CORNER_MM - UPPER_MM) * s**3.2 + sway * (1 - s)
    lower = LOWER_MM + (CORNER_MM - LOWER_MM) * s**2.6 + 0.5 * sway * (1 - s)
    inside = np.minimum(y - upper, lower - y)
    share = np.where(s < 1.0, np.clip(0.5 - inside * shot.px_per_mm * 0.8, 0.0, 1.0), 1.0).astype(np.float32)
    is_upper = y < 0.5 * (upper + lower)
    thick = np.where(is_upper, 6.2 + 0.9 * np.cos(x / 3.2) * np.exp(-((x / 6.0) ** 2)), 9.0) * np.sqrt(np.clip(1.0 - s**2, 1e-4, 1))
    t = -inside / thick
    colour = _vermilion(x, y, t, is_upper, shot)
    t = np.where(s < 1.0, t, np.maximum(t, 1.3))
    skin = _skin(x, y, t, shot)
    colour += np.clip((t - 1.0) * 7 + 0.5, 0, 1)[:, None] * (skin - colour)
    past = np.exp(-np.clip(np.abs(x + 0.4) - HALF_MM + 0.5, 0.0, None) / 0.9)
    colour *= (1.0 - 0.6 * past * (1.0 - np.clip(-inside / 1.2, 0.0, 1.0)))[:, None]
    shape = depth_mm.shape
    share = share.reshape(shape)
    mixed = light + share[..., None] * (colour.reshape(*shape, 3) - light)
    return mixed, np.where(share > 0.5, front_depth_mm - LIPS_NEARER_MM, depth_mm), share


def _vermilion(x: np.ndarray, y: np.ndarray, t: np.ndarray, is_upper: np.ndarray, shot: Shot) -> np.ndarray:
    creases = tiled(shot.seed + 76, 6, 70, x * 16, y * 2.2)[:, 0]
    blotch = tiled(shot.seed + 77, 1, 6, x * 5, y * 5)[:, 0]
    roll = np.sin(np.pi * np.clip(t, 0.0, 0.999)) ** 0.7
    shade = np.where(is_upper, 0.62, 0.85) + 0.35 * roll + 0.05 * creases + 0.04 * blotch
    gloss = np.exp(-(((t - 0.38 - 0.05 * blotch) / 0.13) ** 2)) * np.where(is_upper, 0.25, 0.7)
    gloss *= np.clip(0.25 + 0.35 * creases + 0.3 * blotch, 0, 1)
    return np.asarray(VERMILION * shade[:, None] + (gloss * np.exp(-((x / 24.0) ** 2)))[:, None])


def _skin(x: np.ndarray, y: np.ndarray, t: np.ndarray, shot: Shot) -> np.ndarray:
    pores = tiled(shot.seed + 78, 12, 90, x * 14, y * 14)[:, 0]
    broad = tiled(shot.seed + 79, 1, 4, x * 2, y * 2)[:, 0]
    fold = 0.10 * np.exp(-(((t - 1.25) / 0.22) ** 2))
    cheek = 1.0 - 0.18 * np.clip((np.abs(x) - 26.0) / 16.0, 0, 1)
    return np.asarray(SKIN * ((0.98 - fold + 0.025 * pores + 0.03 * broad) * cheek)[:, None])
