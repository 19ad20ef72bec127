"""What enamel, gingiva, saliva and the dark of the mouth look like, in linear light."""

from __future__ import annotations

import numpy as np

from audit.synthetic.spec import Mouth, Shot
from audit.synthetic.texture import tiled

__all__ = ["behind", "enamel", "film", "gingiva"]


def _rgb(*values: float) -> np.ndarray:
    return np.array(values, np.float32)


def behind(z: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """What is seen between and behind the teeth, darker with depth, shape (n,) mm to (n, 3)."""
    tongue = np.clip((y - 6.0) / 8.0 + 0.25 * tiled(91, 1, 4, x * 3, y * 3)[:, 0], 0.0, 1.0)[:, None]
    near = np.clip((z + 5.0) / 5.0, 0.0, 1.0)[:, None] ** 2
    return np.asarray((1 - near) * (_rgb(0.014, 0.005, 0.004) + tongue * _rgb(0.085, 0.026, 0.022)) + near * _rgb(0.045, 0.020, 0.012))


def enamel(look: np.ndarray, mouth: Mouth, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Colour of enamel: yellower at the neck, lighter and glassier towards the cusps, faintly mottled."""
    level, tint = look[:, 1:2], look[:, 2:3]
    neck, middle, tip, glass = _rgb(0.63, 0.45, 0.21), _rgb(0.74, 0.60, 0.36), _rgb(0.72, 0.64, 0.47), _rgb(0.50, 0.47, 0.40)
    low, high = np.clip(level / 0.45, 0, 1), np.clip((level - 0.45) / 0.5, 0, 1)
    colour = neck + low * (middle - neck) + high * (tip - middle)
    edge = np.clip(1.0 - look[:, :1] / 1.1, 0, 1) ** 2 * np.clip((level - 0.7) / 0.25, 0, 1)
    colour += 0.65 * edge * (glass - colour)
    mottle = tiled(mouth.seed + 11, 2, 20, x * 18, y * 9)[:, :1]
    fine = tiled(mouth.seed + 12, 8, 60, x * 5, y * 60)[:, :1]
    colour += np.clip(look[:, 3:], 0, 1) * (_rgb(0.20, 0.11, 0.05) - colour)
    broken = 1.0 + 0.12 * tiled(mouth.seed + 13, 6, 40, x * 30, y * 30)[:, :1]
    colour += np.clip(-look[:, 3:], 0, 1) * (_rgb(0.70, 0.58, 0.40) * broken - colour)
    return np.asarray(colour * (1.0 + 0.035 * mottle + 0.012 * fine) * (1.0 + tint * _rgb(0.05, 0.08, 0.16)))


def gingiva(into: np.ndarray, mouth: Mouth, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Colour of gingiva by distance from its margin, and of the redder mucosa beyond with its vessels."""
    rim, attached, mucosa = _rgb(0.52, 0.17, 0.14), _rgb(0.60, 0.235, 0.185), _rgb(0.42, 0.085, 0.075)
    patch = tiled(mouth.seed + 21, 1, 5, x * 9, y * 9)[:, 0]
    grain = tiled(mouth.seed + 22, 6, 40, x * 14, y * 14)[:, :1]
    d = (into + 0.35 * patch)[:, None]
    colour = rim + np.clip(d / 1.6, 0, 1) * (attached - rim)
    colour += np.clip((d - 3.8) / 2.4, 0, 1) * (mucosa - colour)
    vessels = np.clip(tiled(mouth.seed + 23, 2, 9, x * 20, y * 9)[:, :1] - 1.3, 0, 1) * np.clip((d - 4.2) / 2, 0, 1)
    return np.asarray(colour * (1.0 + 0.05 * grain + 0.06 * patch[:, None]) * (1.0 - vessels * _rgb(0.2, 0.6, 0.5)))


def film(gum: np.ndarray, mouth: Mouth, shot: Shot, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Slopes of the saliva film and of stippling, shape (n, 2), and how wet the surface is, (n,); `gum` is the share of gingiva."""
    wet = tiled(shot.seed + 31, 2, 14, x * 20, y * 20)[:, 1:]
    beads = tiled(shot.seed + 32, 8, 40, x * 22, y * 22)[:, 1:]
    stipple = tiled(mouth.seed + 33, 10, 34, x * 20, y * 20)[:, 1:]
    pools = np.clip(0.9 * tiled(shot.seed + 34, 2, 8, x * 10, y * 12)[:, 0] - 0.25, 0.0, 1.0)
    enamel_film = shot.saliva * (0.045 * wet + 0.035 * beads)
    gum_film = 0.07 * stipple + shot.saliva * (0.05 * wet + 0.11 * pools[:, None] * beads)
    wetness = 1.0 + gum * (0.10 + 1.5 * shot.saliva * pools - 1.0)
    return np.asarray(enamel_film + gum[:, None] * (gum_film - enamel_film)), wetness
