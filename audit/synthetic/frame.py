"""What frames the view near the camera: retracted lips and the retractor, or the rim of the mirror; out of focus."""

from __future__ import annotations

import numpy as np

from audit.synthetic.spec import Shot
from audit.synthetic.texture import tiled

__all__ = ["FRAME_NEARER_MM", "lay_frame"]

FRAME_NEARER_MM = 9.0
LIP = np.array([0.50, 0.20, 0.165], np.float32)
PLASTIC = np.array([0.74, 0.66, 0.62], np.float32)
OPENING_MM = {"facial": (19.0, 13.0), "lingual": (19.0, 14.0), "stage": (19.0, 13.0), "occlusal": (21.0, 14.5)}


def lay_frame(light: np.ndarray, depth_mm: np.ndarray, tooth_depth_mm: float, shot: Shot) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Light and depth with the frame in front, and the frame's share of each pixel, for a photo of an opened mouth."""
    half = OPENING_MM.get(shot.view)
    if half is None:
        return light, depth_mm, np.zeros(depth_mm.shape, np.float32)
    rng = np.random.default_rng([shot.seed, 17])
    middle = rng.normal(0.0, 0.8, 2) - np.array(shot.aim_mm)
    y, x = np.mgrid[0 : shot.height_px, 0 : shot.width_px].astype(np.float32)
    x = (x - shot.width_px / 2) / shot.px_per_mm - middle[0]
    y = (y - shot.height_px / 2) / shot.px_per_mm - middle[1]
    wave = 0.05 * tiled(shot.seed + 71, 1, 3, x.ravel() * 4, y.ravel() * 4)[:, 0].reshape(x.shape)
    out = (np.abs(x / half[0]) ** 2.8 + np.abs(y / half[1]) ** 2.8) ** (1 / 2.8) - 1.0 + wave
    share = np.clip(out / 0.03 + 0.5, 0.0, 1.0).astype(np.float32)
    if not share.any():
        return light, depth_mm, share
    colour = _mirror_rim(x, y, out, shot) if shot.mirror else _plastic(x, y, out, shot)
    mixed = light + share[..., None] * (colour - light)
    return mixed, np.where(share > 0.5, tooth_depth_mm - FRAME_NEARER_MM, depth_mm), share


def _mirror_rim(x: np.ndarray, y: np.ndarray, out: np.ndarray, shot: Shot) -> np.ndarray:
    """The ground edge of the mirror, and beyond it lip and cheek seen directly."""
    flow = tiled(shot.seed + 73, 1, 5, x.ravel() * 3, y.ravel() * 3)[:, 0].reshape(x.shape)
    colour = LIP * (0.75 + 0.20 * np.clip(out / 0.3, 0, 1) + 0.06 * flow)[..., None]
    rim = np.clip(1.0 - out / 0.035, 0.0, 1.0)[..., None]
    glint = (0.45 + 0.5 * np.clip(np.sin(3.0 * np.arctan2(y, x) + 0.8) - 0.2, 0.0, 1.0))[..., None]
    return np.asarray((colour + rim * (np.array([0.80, 0.83, 0.84], np.float32) * glint - colour)).astype(np.float32))


def _plastic(x: np.ndarray, y: np.ndarray, out: np.ndarray, shot: Shot) -> np.ndarray:
    """A clear retractor over the lip: a bright rolled edge, lip showing through, long streaks of light."""
    through = np.clip((out - 0.03) / 0.10, 0, 1)[..., None]
    colour = PLASTIC + 0.62 * through * (LIP - PLASTIC)
    angle = np.arctan2(y, x)
    flow = tiled(shot.seed + 72, 2, 9, (angle * 30).ravel(), (out * 60).ravel())[:, 0].reshape(x.shape)
    streak = np.exp(-(((out - 0.11 - 0.03 * flow) / 0.012) ** 2)) * (np.abs(np.sin(angle * 1.5 + 0.4)) > 0.5)
    shade = 0.55 + 0.45 * np.clip(out / 0.06, 0, 1)
    return np.asarray((colour * (shade * (1.0 + 0.06 * flow))[..., None] + 0.9 * streak[..., None]).astype(np.float32))
