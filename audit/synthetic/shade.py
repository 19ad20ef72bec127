"""The colour of every tissue and metal where a ray meets it, in linear light with the exposed white at 1."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from audit.synthetic.camera import Camera
from audit.synthetic.lighting import Surroundings, reflected_light
from audit.synthetic.relief import Relief, Strike
from audit.synthetic.spec import Mouth, Shot
from audit.synthetic.texture import tiled
from audit.synthetic.tissue import behind, enamel, film, gingiva

__all__ = ["ALLOY_TINT", "Cover", "Material", "cover", "shade"]

ALLOY_TINT = {"gold": np.array([0.93, 0.70, 0.36], np.float32), "white": np.array([0.78, 0.77, 0.74], np.float32)}
GAP_COLOUR = np.array([0.55, 0.42, 0.27], np.float32)


@dataclass(frozen=True)
class Cover:
    """How much of each ray's pixel shows what (0 to 1): any crown, the audited facial surface, gingiva, metal, crevice."""

    crown: np.ndarray
    facial: np.ndarray
    gum: np.ndarray
    metal: np.ndarray
    crevice: np.ndarray
    lightness: np.ndarray


@dataclass(frozen=True)
class Material:
    """What rays, n of them, found: where, the relief's maps there, and how much of each pixel shows what."""

    struck: Strike
    form: np.ndarray
    ground: np.ndarray
    look: np.ndarray
    covers: Cover


def cover(mouth: Mouth, ground: np.ndarray, look: np.ndarray, spread: np.ndarray | None) -> Cover:
    """Shares of each pixel by signed distance: exact for straight borders, also for slots below a pixel.

    Parameters
    ----------
    ground, look : ndarray, shape (n, 4)
        Maps of the relief at the struck points.
    spread : ndarray, shape (n, 4), or None
        Change of the distances (own outline, gingiva, metal, any crown) from pixel to pixel, mm; ``None`` takes
        each ray for a point.
    """
    sd_own, sd_gum, sd_metal, along = ground.T
    width = np.full((len(ground), 4), 1e-6, np.float32) if spread is None else np.maximum(spread, np.float32(1e-6))

    def share(distance: np.ndarray, index: int) -> np.ndarray:
        return np.asarray(np.clip(distance / width[:, index] + np.float32(0.5), 0.0, 1.0))

    gum = share(sd_gum, 1)
    crown = share(look[:, 0], 3) * (1.0 - gum)
    facial = share(sd_own, 0) * (1.0 - gum)
    half, lightness = _slot(mouth, along)
    metal = share(sd_metal - half, 2) * facial
    crevice = (share(sd_metal + half, 2) - share(sd_metal - half, 2)) * facial
    return Cover(crown, facial, gum, metal, crevice, lightness)


def _slot(mouth: Mouth, along: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    half, lightness = np.zeros_like(along), np.zeros_like(along)
    for opening in mouth.openings:
        inside = np.minimum(along - opening.start_mm, opening.end_mm - along)
        width = np.float32(0.5e-3 * opening.width_um) * np.clip(inside / np.float32(0.15) + np.float32(0.5), 0.0, 1.0)
        lightness = np.where(width > half, np.float32(opening.lightness), lightness)
        half = np.maximum(half, width)
    return half, lightness


def shade(relief: Relief, mouth: Mouth, shot: Shot, camera: Camera, around: Surroundings, material: Material) -> np.ndarray:
    """Colour of struck points, shape (n, 3)."""
    at, form, ground, look, covers = material.struck, material.form, material.ground, material.look, material.covers
    x, y = np.ascontiguousarray(at.points[:, 0]), np.ascontiguousarray(at.points[:, 1])
    body = behind(form[:, 0], x, y)
    tissue = np.flatnonzero(covers.crown + covers.gum > 0)
    geometry = _Geometry(relief, camera, at.points[tissue], form[tissue])
    lit = np.zeros_like(body)
    lit[tissue] = geometry.lit()
    _lay(body, covers.crown, lambda i: enamel(look[i], mouth, x[i], y[i]) * lit[i])
    _lay(body, covers.gum, lambda i: gingiva(ground[i, 1], mouth, x[i], y[i]) * lit[i])
    wet, wetness = film(covers.gum[tissue], mouth, shot, x[tissue], y[tissue])
    body[tissue] += geometry.coat(wet, around.wet, shot.saliva) * covers.crown[tissue, None]
    gum = np.flatnonzero(covers.gum[tissue] > 0)
    moist = _Geometry(relief, camera, at.points[tissue[gum]], form[tissue[gum]])
    body[tissue[gum]] += moist.coat(wet[gum], around.moist, shot.saliva) * (covers.gum[tissue] * wetness)[gum, None]
    metal = np.flatnonzero(covers.metal > 0)
    cast = _Geometry(relief, camera, at.points[metal], form[metal])
    body[metal] += covers.metal[metal, None] * (_cast(mouth, cast, around, x[metal], y[metal]) - body[metal])
    _margin(body, covers, ground, mouth)
    return body


def _lay(body: np.ndarray, share: np.ndarray, paint: object) -> None:
    """Paint over `body` where `share` is above 0."""
    index = np.flatnonzero(share > 0)
    body[index] += share[index, None] * (paint(index) - body[index])  # type: ignore[operator]


def _margin(body: np.ndarray, covers: Cover, ground: np.ndarray, mouth: Mouth) -> None:
    """Stain along the margin and the crevices in it, over `body` in place."""
    if mouth.stain > 0:
        line = mouth.stain * np.exp(-(((ground[:, 2] + 0.06) / 0.09) ** 2)) * covers.facial * (ground[:, 2] < 0.02)
        body += line[:, None] * (body * np.array([0.48, 0.21, 0.08], np.float32) - body)
    index = np.flatnonzero(covers.crevice > 0)
    body[index] += covers.crevice[index, None] * (covers.lightness[index, None] * GAP_COLOUR - body[index])


class _Geometry:
    """Normals, directions and reach of light at points on the relief."""

    def __init__(self, relief: Relief, camera: Camera, points: np.ndarray, form: np.ndarray) -> None:
        self._frame = np.stack([camera.right, camera.down, camera.back], axis=1).astype(np.float32)
        self._slope = form[:, 1:3]
        self._view = _unit(camera.position.astype(np.float32) - points) @ self._frame
        self._reach = form[:, 3] * np.exp(np.minimum(form[:, 0] + np.float32(3.0), 0.0) / np.float32(relief.dim_mm))

    def normal(self, bend: np.ndarray | float = 0.0) -> np.ndarray:
        """Unit normals in the frame of the camera, their slopes changed by `bend`."""
        slope = self._slope + bend
        return np.asarray(_unit(np.column_stack([-slope, np.ones(len(slope), np.float32)])) @ self._frame)

    def lit(self) -> np.ndarray:
        """Light of the flash that tissue sends back, redder in clefts."""
        facing = np.clip(np.einsum("ij,ij->i", self.normal(), self._view), 0.0, 1.0)
        return np.asarray((0.20 + 0.80 * facing)[:, None] * self._reach[:, None] ** np.array([1.0, 1.35, 1.5], np.float32))

    def coat(self, bend: np.ndarray, light: np.ndarray, saliva: float) -> np.ndarray:
        """Light mirrored by a wet surface (Fresnel, normal reflectance 3 %)."""
        normal = self.normal(bend)
        facing = np.clip(np.einsum("ij,ij->i", normal, self._view), 0.05, 1.0)
        fresnel = np.minimum(0.030 + 0.97 * (1.0 - facing) ** 5, 0.25)
        weight = fresnel * np.clip(self._reach, 0, 1) ** 1.5 * (0.45 + 0.55 * saliva)
        return np.asarray(weight[:, None] * reflected_light(light, normal, self._view))

    def mirrored(self, bend: np.ndarray, light: np.ndarray) -> np.ndarray:
        """Light of the surroundings that a mirror here sends to the camera."""
        return reflected_light(light, self.normal(bend), self._view)


def _cast(mouth: Mouth, geometry: _Geometry, around: Surroundings, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Light mirrored by the casting: a sharp and a broad reflection of the surroundings, tinted by the alloy."""
    waves = tiled(mouth.seed + 41, 1, 5, x * 14, y * 14)[:, 1:]
    scratches = tiled(mouth.seed + 42, 10, 60, x * 30, y * 12)[:, 1:]
    bend = 0.065 * waves + 0.02 * scratches
    mirrored = 0.65 * geometry.mirrored(bend, around.polished) + 0.30 * geometry.mirrored(bend, around.satin)
    return np.asarray(mirrored * ALLOY_TINT[mouth.alloy])


def _unit(vectors: np.ndarray) -> np.ndarray:
    return np.asarray(vectors / np.sqrt(np.einsum("ij,ij->i", vectors, vectors))[:, None])
