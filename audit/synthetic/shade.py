"""The colour of every tissue and metal where a ray meets it, in linear light with the exposed white at 1."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from audit.synthetic.camera import Camera
from audit.synthetic.lighting import reflected_light, surroundings
from audit.synthetic.relief import Relief, Strike
from audit.synthetic.spec import Mouth, Shot
from audit.synthetic.texture import tiled

__all__ = ["ALLOY_TINT", "Cover", "cover", "shade"]

ALLOY_TINT = {"gold": np.array([0.93, 0.70, 0.36], np.float32), "white": np.array([0.78, 0.77, 0.74], np.float32)}
RING_MM = (33.0, 47.0)
"""Inner and outer radius of the flash tubes round the lens."""


@dataclass(frozen=True)
class Cover:
    """How much of each ray's pixel shows what (0 to 1): any crown, the audited facial surface, gingiva, metal, crevice."""

    crown: np.ndarray
    facial: np.ndarray
    gum: np.ndarray
    metal: np.ndarray
    crevice: np.ndarray
    lightness: np.ndarray


def cover(relief: Relief, mouth: Mouth, at: Strike, ground: np.ndarray, look: np.ndarray, px_mm: np.ndarray) -> Cover:
    """Shares of each pixel by signed distance over its footprint: exact for straight borders, also for slots below a pixel.

    Parameters
    ----------
    ground, look : ndarray, shape (n, 4)
        Maps of the relief at the struck points.
    px_mm : ndarray, shape (n,)
        Footprint of a pixel at the struck points.
    """
    sd_own, sd_gum, sd_metal, along = ground.T

    def share(distance: np.ndarray) -> np.ndarray:
        return np.clip(distance / px_mm + 0.5, 0.0, 1.0)

    gum = share(sd_gum)
    crown = share(look[:, 0]) * (1.0 - gum)
    facial = share(sd_own) * (1.0 - gum)
    half, lightness = _slot(mouth, along)
    metal = share(sd_metal - half) * facial
    crevice = (share(sd_metal + half) - share(sd_metal - half)) * facial
    return Cover(crown, facial, gum, metal, crevice, lightness)


def _slot(mouth: Mouth, along: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    half, lightness = np.zeros_like(along), np.full_like(along, 0.06)
    for opening in mouth.openings:
        inside = np.minimum(along - opening.start_mm, opening.end_mm - along)
        width = 0.5e-3 * opening.width_um * np.clip(inside / 0.15 + 0.5, 0.0, 1.0)
        lightness = np.where(width > half, opening.lightness, lightness)
        half = np.maximum(half, width)
    return half, lightness


def shade(relief: Relief, mouth: Mouth, shot: Shot, camera: Camera, at: Strike) -> tuple[np.ndarray, Cover]:
    """Colour of struck points, shape (n, 3), and their covers."""
    x, y = at.points[:, 0], at.points[:, 1]
    form, ground, look = (relief.at(maps, x, y) for maps in (relief.form, relief.ground, relief.look))
    covers = cover(relief, mouth, at, ground, look, at.depth_mm / camera.focal_px)
    view = (camera.position - at.points).astype(np.float32)
    view /= np.linalg.norm(view, axis=1)[:, None]
    frame = np.stack([camera.right, camera.down, camera.back], axis=1).astype(np.float32)
    normal = _unit(np.stack([-form[:, 1], -form[:, 2], np.ones_like(x)], axis=1))
    facing = np.clip(np.einsum("ij,ij->i", normal, view), 0.0, 1.0)
    reach = form[:, 3] * np.exp(np.minimum(form[:, 0] + 3.0, 0.0) / 4.5)
    body = _behind(form[:, 0])
    body += covers.crown[:, None] * (_enamel(look, ground, mouth, x, y) * _lit(facing, reach) - body)
    body += covers.gum[:, None] * (_gingiva(ground[:, 1], mouth, x, y) * _lit(facing, reach) - body)
    angles = [float(np.degrees(np.arctan(r / (camera.depth_mm(np.zeros(3)) - 45.0)))) for r in RING_MM]
    film = _film(covers, mouth, shot, x, y)
    body += _coat(film, normal, frame, view, angles, mouth, shot, covers, reach)
    body += covers.metal[:, None] * (_metal(mouth, normal, frame, view, angles, x, y) - body)
    brown = np.array([0.30, 0.13, 0.05], np.float32)
    line = mouth.stain * np.exp(-(((ground[:, 2] + 0.06) / 0.09) ** 2)) * covers.facial * (ground[:, 2] < 0.02)
    body += line[:, None] * (body * brown * 1.6 - body)
    dark = covers.lightness[:, None] * np.array([0.55, 0.42, 0.27], np.float32)
    body += covers.crevice[:, None] * (dark - body)
    return body, covers


def _unit(vectors: np.ndarray) -> np.ndarray:
    return vectors / np.linalg.norm(vectors, axis=1)[:, None]


def _lit(facing: np.ndarray, reach: np.ndarray) -> np.ndarray:
    level = 0.20 + 0.80 * facing**0.9
    shadow = reach[:, None] ** np.array([1.0, 1.35, 1.5], np.float32)
    return level[:, None] * shadow


def _behind(z: np.ndarray) -> np.ndarray:
    near = np.clip((z + 7.0) / 5.0, 0.0, 1.0)[:, None]
    return (1 - near) * np.array([0.016, 0.006, 0.005], np.float32) + near * np.array([0.07, 0.035, 0.022], np.float32)


def _enamel(look: np.ndarray, ground: np.ndarray, mouth: Mouth, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    level, tint = look[:, 1:2], look[:, 2:3]
    neck, middle = np.array([0.63, 0.45, 0.21], np.float32), np.array([0.74, 0.60, 0.36], np.float32)
    tip, glass = np.array([0.72, 0.64, 0.47], np.float32), np.array([0.50, 0.47, 0.40], np.float32)
    low, high = np.clip(level / 0.45, 0, 1), np.clip((level - 0.45) / 0.5, 0, 1)
    colour = neck + low * (middle - neck) + high * (tip - middle)
    edge = np.clip(1.0 - look[:, :1] / 1.1, 0, 1) ** 2 * np.clip((level - 0.7) / 0.25, 0, 1)
    colour += 0.65 * edge * (glass - colour)
    mottle = tiled(mouth.seed + 11, 2, 20, x * 18, y * 9)[:, :1]
    fine = tiled(mouth.seed + 12, 8, 60, x * 5, y * 60)[:, :1]
    return np.asarray(colour * (1.0 + 0.035 * mottle + 0.012 * fine) * (1.0 + tint * np.array([0.05, 0.08, 0.16], np.float32)))


def _gingiva(into: np.ndarray, mouth: Mouth, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    rim, attached = np.array([0.52, 0.17, 0.14], np.float32), np.array([0.60, 0.235, 0.185], np.float32)
    mucosa = np.array([0.42, 0.085, 0.075], np.float32)
    patch = tiled(mouth.seed + 21, 1, 5, x * 9, y * 9)[:, 0]
    grain = tiled(mouth.seed + 22, 6, 40, x * 14, y * 14)[:, :1]
    d = (into + 0.35 * patch)[:, None]
    colour = rim + np.clip(d / 1.6, 0, 1) * (attached - rim)
    colour += np.clip((d - 3.8) / 2.4, 0, 1) * (mucosa - colour)
    vessels = np.clip(tiled(mouth.seed + 23, 2, 9, x * 20, y * 9)[:, :1] - 1.3, 0, 1) * np.clip((d - 4.2) / 2, 0, 1)
    return np.asarray(colour * (1.0 + 0.05 * grain + 0.06 * patch[:, None]) * (1.0 - vessels * np.array([0.2, 0.6, 0.5], np.float32)))


def _film(covers: Cover, mouth: Mouth, shot: Shot, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Slopes of the saliva film and of stippling, shape (n, 2)."""
    wet = tiled(shot.seed + 31, 2, 14, x * 20, y * 20)[:, 1:]
    beads = tiled(shot.seed + 32, 8, 40, x * 22, y * 22)[:, 1:]
    stipple = tiled(mouth.seed + 33, 8, 26, x * 13, y * 13)[:, 1:]
    enamel = shot.saliva * (0.035 * wet + 0.025 * beads)
    gum = (0.10 + 0.03 * shot.saliva) * stipple + 0.08 * shot.saliva * wet
    return np.asarray(enamel + covers.gum[:, None] * (gum - enamel))


def _coat(
    film: np.ndarray, normal: np.ndarray, frame: np.ndarray, view: np.ndarray, angles: list[float],
    mouth: Mouth, shot: Shot, covers: Cover, reach: np.ndarray,
) -> np.ndarray:  # fmt: skip
    """Light mirrored by the wet surface (Fresnel, n = 1.33 to 1.5)."""
    bent = normal.copy()
    bent[:, :2] -= film
    bent = _unit(bent)
    facing = np.clip(np.einsum("ij,ij->i", bent, view), 0.05, 1.0)[:, None]
    fresnel = 0.030 + 0.97 * (1.0 - facing) ** 5
    light = surroundings(shot.seed, angles[0], angles[1], 1.2 + 3.0 * (1.0 - shot.saliva), True)
    shine = reflected_light(light, bent @ frame, view @ frame)
    weight = (covers.crown + covers.gum) * np.clip(reach, 0, 1) ** 1.5 * (0.45 + 0.55 * shot.saliva)
    return np.asarray(np.minimum(fresnel, 0.25) * shine * weight[:, None])


def _metal(
    mouth: Mouth, normal: np.ndarray, frame: np.ndarray, view: np.ndarray, angles: list[float], x: np.ndarray, y: np.ndarray,
) -> np.ndarray:  # fmt: skip
    """Light mirrored by the casting: a sharp and a broad reflection of the surroundings, tinted by the alloy."""
    waves = tiled(mouth.seed + 41, 1, 5, x * 14, y * 14)[:, 1:]
    scratches = tiled(mouth.seed + 42, 10, 60, x * 30, y * 12)[:, 1:]
    bent = normal.copy()
    bent[:, :2] -= 0.05 * waves + 0.02 * scratches
    bent = _unit(bent)
    n, v = bent @ frame, view @ frame
    sharp = reflected_light(surroundings(mouth.seed, angles[0], angles[1], 2.0, True), n, v)
    broad = reflected_light(surroundings(mouth.seed, angles[0], angles[1], 15.0, True), n, v)
    return np.asarray((0.65 * sharp + 0.30 * broad) * ALLOY_TINT[mouth.alloy])
