"""A tooth with a band of white alloy that mirrors teeth: as light as they are, a little less yellow, without texture.

Drawn apart from all that the networks and thresholds were fitted to; units are pixels, light is linear.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from shapely.geometry import Polygon

SIDE = 320.0


@dataclass(frozen=True)
class EvenWhite:
    """Pixels, outline and mask of metal (area in px2: its sum)."""

    pixels: np.ndarray
    outline: Polygon
    metal: np.ndarray


def even_white(seed: int, metal: bool = True, amalgam: bool = False) -> EvenWhite:
    """An upper molar, occlusal edge below; the mirrored light is 0.55 to 1.1 of the enamel's, its colour 0 to 60 % of the way to grey."""
    rng = np.random.default_rng([41, seed])
    height, width = int(SIDE * 1.3), int(SIDE * 1.5)
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    u, v = (x - width / 2) / (0.5 * SIDE), (y - height / 2) / (0.42 * SIDE)
    power = rng.uniform(3.0, 5.0)
    rim = np.abs(u) ** power + np.abs(v) ** power
    enamel = np.array([0.60, 0.52, 0.40]) * rng.uniform(0.55, 1.0) * np.array([1.0, rng.uniform(0.95, 1.05), rng.uniform(0.8, 1.15)])
    light = _tooth(rng, enamel, u, v)
    above_edge = 2.0 * np.exp(rng.uniform(np.log(0.02), np.log(0.4)))
    top = 1.0 - above_edge * (1.0 + 0.2 * np.sin(u * rng.uniform(1.0, 3.0) + rng.uniform(0.0, 6.0)))
    mirrored, grey = enamel * rng.uniform(0.55, 1.1), rng.uniform(0.0, 0.6)
    mirrored = mirrored.mean() * grey + mirrored * (1.0 - grey)
    slopes = 1.0 + 0.1 * rng.normal() * u + 0.1 * rng.normal() * (v - top)
    if metal:
        share = np.clip((v - top) * 0.42 * SIDE + 0.5, 0.0, 1.0)[..., None]
        light = light * (1.0 - share) + mirrored * slopes[..., None] * share
    if amalgam:
        share = np.clip((1.0 - np.hypot((u - 0.1) / 0.25, (v - 0.1) / 0.2)) * 40.0, 0.0, 1.0)[..., None]
        light = light * (1.0 - share) + np.array([0.12, 0.12, 0.13]) * share
    return EvenWhite(_photographed(rng, light, rim, v, power), _outline(rim < 1.0), (rim < 1.0) & (v > top) & metal)


def _tooth(rng, enamel, u, v):
    fine, coarse = (cv2.GaussianBlur(rng.normal(size=u.shape).astype(np.float32), (0, 0), SIDE / k) for k in (60, 12))
    shade = 1.0 - 0.18 * u**2 - 0.12 * v**2 + 0.1 * v * rng.normal() + 0.02 * fine / fine.std() + 0.03 * coarse / coarse.std()
    light = enamel * shade[..., None] * (1.0 + np.array([0.0, 0.0, 0.06]) * v[..., None])
    for _ in range(rng.integers(0, 3)):
        spot = ((u - rng.uniform(-0.6, 0.6)) / rng.uniform(0.03, 0.12)) ** 2 + ((v - rng.uniform(-0.7, 0.3)) / rng.uniform(0.05, 0.2)) ** 2
        light = light + (rng.uniform(0.2, 0.8) * np.exp(-(spot**2)))[..., None]
    return light


def _photographed(rng, light, rim, v, power):
    beside = np.where((v < -0.8)[..., None], np.array([0.45, 0.18, 0.15]), np.array([0.03, 0.012, 0.01]))
    share = np.clip((1.0 - rim) * 0.42 * SIDE / power + 0.5, 0.0, 1.0)[..., None]
    light = cv2.GaussianBlur((beside * (1.0 - share) + light * share).astype(np.float32), (0, 0), rng.uniform(0.9, 1.8))
    light = np.clip(light + rng.normal(size=light.shape) * 0.006 * np.sqrt(np.clip(light, 0.01, 1.0)), 0.0, 1.0)
    code = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    jpeg = cv2.imencode(".jpg", (code[..., ::-1] * 255 + 0.5).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, 92])[1]
    return np.ascontiguousarray(cv2.imdecode(jpeg, cv2.IMREAD_COLOR)[..., ::-1])


def _outline(tooth):
    ring = max(cv2.findContours(tooth.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0], key=len)[:, 0]
    return Polygon(ring[::4]).buffer(0.0)
