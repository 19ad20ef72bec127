"""What surrounds the mouth, as a mirror would show it: ring flash, lens, dark room, lips, retractor, throat.

The surroundings are a map over directions in the frame of the camera. A direction
(X right, Y down, Z to the camera) falls at (X, Y) / sqrt(2 (1 + Z)): an equal-area disc with the
camera in the middle and the depth of the mouth on the rim.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from audit.imaging.sample import look_up
from audit.imaging.smooth import gaussian
from audit.synthetic.texture import TILE, ripples

__all__ = ["Surroundings", "reflected_light", "surround"]

RING_MM = (33.0, 47.0)
"""Inner and outer radius of the flash tubes, which stand 45 mm before the lens's principal plane."""

SIZE = 257


@dataclass(frozen=True)
class Surroundings:
    """The same surroundings as wet enamel, moist gingiva, a polished and a satin casting mirror them."""

    wet: np.ndarray
    moist: np.ndarray
    polished: np.ndarray
    satin: np.ndarray


def surround(seed: int, distance_mm: float, saliva: float, occlusal_down: bool) -> Surroundings:
    """What surrounds the tooth at a distance from the camera."""
    ring = tuple(round(float(np.degrees(np.arctan(r / (distance_mm - 45.0)))), 2) for r in RING_MM)
    levels = (1.2 + 3.0 * (1.0 - saliva), 5.0, 2.0, 15.0)
    wet, moist, polished, satin = (_light(seed, ring[0], ring[1], level, occlusal_down) for level in levels)
    return Surroundings(wet, moist, polished, satin)


@lru_cache(maxsize=24)
def _light(seed: int, ring_from_deg: float, ring_to_deg: float, roughness_deg: float, occlusal_down: bool) -> np.ndarray:
    """Light by direction, linear RGB with the exposed white at 1, shape (SIZE, SIZE, 3), read-only."""
    axis = np.linspace(-1.0, 1.0, SIZE, dtype=np.float32)
    u, v = np.meshgrid(axis, axis)
    rho = np.minimum(np.hypot(u, v), 1.0)
    theta = np.degrees(2.0 * np.arcsin(rho))
    phi = np.arctan2(v if occlusal_down else -v, u)
    tile = ripples(seed, 2, 9)[..., 0]
    uneven = tile[((v + 1) * 127).astype(int) % TILE, ((u + 1) * 127).astype(int) % TILE]
    light = np.zeros((SIZE, SIZE, 3), dtype=np.float32)
    light[:] = (0.030, 0.028, 0.026)

    def band(low: float, high: float, soft: float) -> np.ndarray:
        return np.clip((theta - low) / soft + 0.5, 0, 1) * np.clip((high - theta) / soft + 0.5, 0, 1)

    soft = max(1.0, roughness_deg)
    broken = np.where(np.abs(np.cos(phi)) > 0.25, 1.0, 0.25)
    _mix(light, band(ring_from_deg, ring_to_deg, soft) * broken, np.array([52.0, 51.0, 49.0]))
    wave = 6.0 * uneven
    lips = band(38, 95, 14) * (0.75 + 0.25 * np.sin(2 * phi + 0.5))
    _mix(light, np.clip(lips + 0.02 * wave, 0, 1), np.array([0.60, 0.36, 0.29]))
    retractor = np.clip((theta + wave - 50) / 8, 0, 1) * np.clip((84 - theta + wave) / 8, 0, 1) * (np.abs(np.cos(phi)) > 0.72)
    _mix(light, retractor * 0.8, np.array([0.95, 0.85, 0.80]))
    throat = np.clip((theta - 62) / 24, 0, 1) * np.clip(np.sin(phi) * 2.2 + 0.1, 0, 1)
    _mix(light, throat, np.array([0.012, 0.005, 0.004]))
    other_jaw = np.clip(1.4 * uneven + 0.5, 0, 1) * np.clip(1 - ((theta - 86) / 16) ** 2, 0, 1) * np.clip(np.sin(phi) * 3 - 0.6, 0, 1)
    _mix(light, 0.8 * other_jaw, np.array([0.40, 0.25, 0.17]))
    gum = np.clip((theta - 82) / 20, 0, 1) * np.clip(-np.sin(phi) * 2.2 + 0.1, 0, 1)
    _mix(light, gum, np.array([0.42, 0.19, 0.16]))
    light = gaussian(light, roughness_deg / 90.0 * SIZE / 2 * 0.7)
    light.setflags(write=False)
    return light


def _mix(light: np.ndarray, weight: np.ndarray, colour: np.ndarray) -> None:
    light += weight[..., None].astype(np.float32) * (colour.astype(np.float32) - light)


def reflected_light(light: np.ndarray, normal: np.ndarray, view: np.ndarray) -> np.ndarray:
    """Light that a mirror with `normal` sends along `view`, both unit and in the frame of the camera, shape (n, 3)."""
    along = np.einsum("ij,ij->i", normal, view)[:, None]
    r = 2.0 * along * normal - view
    scale = (SIZE - 1) / 2.0 / np.sqrt(np.maximum(2.0 * (1.0 + r[:, 2]), 1e-3))
    return look_up(light, r[:, 0] * scale + (SIZE - 1) / 2.0, r[:, 1] * scale + (SIZE - 1) / 2.0)
