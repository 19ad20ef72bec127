"""Pictures of bright cylinders and slender probes of known scale, developed as the rules are."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from reference_scenes import develop, object_distance_mm, photo_of

from audit.core.records import Photo


@dataclass(frozen=True)
class RodScene:
    """A bright cylinder before a plain or changing ground; lengths in mm, angles in degrees."""

    seed: int = 0
    width: int = 420
    height: int = 320
    px_per_mm: float = 28.0
    diameter: float = 2.35
    turn: float = 80.0
    middle_px: tuple[float, float] = (210.0, 160.0)
    ground: tuple[float, float] = (0.5, 0.1)
    limb: float = 0.12
    hand_px: float = 1.0
    taper_deg: float = 0.0
    blur: float = 1.2
    noise: float = 0.004
    jpeg: int = 92
    sharpen: float = 0.0
    gamma: float = 1.0


def draw_probe(seed: int, px_per_mm: float, marks_mm: tuple[float, ...]) -> tuple[np.ndarray, Photo, np.ndarray]:
    """Picture, photo and marked line of a slender bright probe with dark rings, the tip at the first end of the line."""
    rng = np.random.default_rng(seed)
    scene = RodScene(seed=seed, width=640, height=200, px_per_mm=px_per_mm, blur=float(rng.uniform(0.8, 2.0)))
    tip, turn = np.array([60.0, 90.0]), np.radians(rng.uniform(-4, 8))
    y, x = np.mgrid[0 : scene.height, 0 : scene.width].astype(float)
    a = ((x - tip[0]) * np.cos(turn) + (y - tip[1]) * np.sin(turn)) / px_per_mm
    b = (y - tip[1]) * np.cos(turn) - (x - tip[0]) * np.sin(turn)
    half = (0.25 + 0.016 * np.clip(a, 0, 30)) * px_per_mm
    rings = np.max([np.clip((0.11 - np.abs(a - mark)) * px_per_mm + 0.5, 0, 1) for mark in marks_mm], axis=0)
    share = np.clip(half - np.abs(b) + 0.5, 0, 1) * np.clip(a * px_per_mm + 0.5, 0, 1)
    body = (0.25 + 0.5 * np.clip(1 - (b / half) ** 2, 0, 1)) * (1 - 0.85 * rings)
    light = np.repeat((0.2 + share * (body - 0.2))[..., None], 3, axis=2)
    photo = photo_of(seed, scene.width, scene.height)
    reach = (marks_mm[-1] + 1.2) * px_per_mm
    ends = np.stack([tip, tip + reach * np.array([np.cos(turn), np.sin(turn)])]) + rng.standard_normal((2, 2))
    return develop(light, rng, scene), photo, ends  # type: ignore[arg-type]


def draw_rod(scene: RodScene) -> tuple[np.ndarray, Photo, dict[str, object], float]:
    """Picture, photo, marks in three forms (edges, outline, across) and true mm per pixel of a rod parallel to the sensor."""
    rng = np.random.default_rng(scene.seed)
    y, x = np.mgrid[0 : scene.height, 0 : scene.width].astype(float)
    turn = np.radians(scene.turn)
    axis, across = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    dx, dy = x - scene.middle_px[0], y - scene.middle_px[1]
    a, c = dx * axis[0] + dy * axis[1], dx * across[0] + dy * across[1]
    distance = object_distance_mm(scene.px_per_mm)
    aside = (np.array(scene.middle_px) - (np.array([scene.width, scene.height]) - 1) / 2) @ across / scene.px_per_mm / distance
    radius = scene.diameter / 2 * scene.px_per_mm * np.sqrt(1 + aside**2)
    half = radius + np.tan(np.radians(scene.taper_deg / 2)) * a
    z = np.clip(c / half, -1, 1)
    body = scene.limb + 0.5 * (1 - z**2) + 1.2 * np.exp(-(((z - 0.2) / 0.18) ** 2))
    ground = scene.ground[0] + (scene.ground[1] - scene.ground[0]) * np.clip(0.5 + a / 40.0, 0, 1)
    share = np.clip(half - np.abs(c) + 0.5, 0, 1)
    light = np.repeat((ground + share * (body - ground))[..., None], 3, axis=2)
    pixels = develop(light, rng, scene)  # type: ignore[arg-type]
    photo = photo_of(scene.seed, scene.width, scene.height)
    middle = np.array(scene.middle_px)

    def at(along: float, side: float) -> np.ndarray:
        return middle + along * axis + side * radius * across + scene.hand_px * rng.standard_normal(2)

    edges = [[at(-60, -1), at(60, -1)], [at(-60, 1), at(60, 1)]]
    marks = {"edges": edges, "outline": [*edges[0], *edges[1][::-1]], "across": [at(0, -1), at(0, 1)]}
    return pixels, photo, marks, 1 / scene.px_per_mm
