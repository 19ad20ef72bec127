"""Photographs of the printed strip: the very print, photographed by a camera whose pose is known.

The print is what the PDF engine draws, not what the reader thinks was drawn; the camera is a pinhole with radial distortion.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import cv2
import numpy as np
from reference_scenes import DISTANCE_SD, DISTORTION_SD, FOCAL_MM, PIXEL_PITCH_UM, TILT_SD_DEG, object_distance_mm

from audit.core.annotations import Feature
from audit.core.records import Optics, Photo
from audit.report.strip_sheet import strip_png

PRINT_PX_PER_MM = 40
HEIGHT_MM = 8.0


@dataclass(frozen=True)
class StripScene:
    """What is photographed and how; lengths in mm, angles in degrees; `aspect` is the print's width over its length, less one."""

    seed: int = 0
    width: int = 900
    height: int = 420
    px_per_mm: float = 25.0
    middle_px: tuple[float, float] = (452.0, 205.0)
    turn: float = 5.0
    tilt: float = 0.0
    tilt_across: float = 0.0
    distance_error: float = 0.0
    bend: float = 0.0
    aspect: float = 0.0
    mirrored: bool = False
    hidden_mm: tuple[float, float] | None = None
    blur: float = 1.4
    noise: float = 0.006
    jpeg: int = 92
    sharpen: float = 0.3
    gamma: float = 1.0
    ghost: tuple[float, float, float] = (0.0, 0.0, 0.0)
    focal_known: bool = True


@dataclass(frozen=True)
class Shot:
    """A picture with its truth: rotation and place of the strip, focal length in pixels, middle of the picture."""

    pixels: np.ndarray
    photo: Photo
    scene: StripScene
    rotation: np.ndarray
    place: np.ndarray
    focal_px: float
    centre: np.ndarray

    def feature(self, **more: object) -> Feature:
        seen = "mirror" if self.scene.mirrored else "direct"
        return Feature("reference", None, {"kind": "strip", "seen_in": seen, "check_mm": 100, "check_across_mm": 100, **more})

    def project(self, xy_mm: np.ndarray) -> np.ndarray:
        """Image points of strip coordinates, by OpenCV's camera model, without distortion."""
        y = HEIGHT_MM - xy_mm[:, 1] if self.scene.mirrored else xy_mm[:, 1]
        points = np.stack([xy_mm[:, 0], y, np.zeros(len(xy_mm))], axis=1)
        camera = np.array([[self.focal_px, 0, self.centre[0]], [0, self.focal_px, self.centre[1]], [0, 0, 1]])
        return cv2.projectPoints(points, cv2.Rodrigues(self.rotation)[0], self.place, camera, None)[0].reshape(-1, 2)

    def depth(self, at_px: np.ndarray) -> float:
        ray = np.append((at_px - self.centre) / self.focal_px, 1.0)
        return float(self.place @ self.rotation[:, 2] / (ray @ self.rotation[:, 2]))


@cache
def the_print() -> np.ndarray:
    """Share of stock in each pixel of the head of a strip as the PDF engine draws it, and a little of the handle."""
    encoded = cv2.imdecode(np.frombuffer(strip_png("TEST", 25.4 * PRINT_PX_PER_MM), np.uint8), cv2.IMREAD_GRAYSCALE)
    assert encoded.shape == (8 * PRINT_PX_PER_MM, 150 * PRINT_PX_PER_MM)
    return np.asarray(encoded[:, : 45 * PRINT_PX_PER_MM] / 255.0, dtype=np.float32)


@cache
def shoot(scene: StripScene) -> Shot:
    """The picture of a strip."""
    rng = np.random.default_rng(scene.seed)
    distance = object_distance_mm(scene.px_per_mm) * (1 + scene.distance_error)
    focal = distance * scene.px_per_mm
    centre = np.array([scene.width - 1, scene.height - 1]) / 2
    turn, tilt, roll = np.radians([scene.turn, scene.tilt, scene.tilt_across])
    axis = np.array([np.cos(turn) * np.cos(tilt), np.sin(turn) * np.cos(tilt), np.sin(tilt)])
    flat = np.array([-np.sin(turn), np.cos(turn), 0.0])
    beside = np.cos(roll) * flat + np.sin(roll) * np.cross(axis, flat)
    rotation = np.stack([axis, beside, np.cross(axis, beside)], axis=1)
    origin = np.append((np.array(scene.middle_px) - centre) / focal, 1.0) * distance
    place = origin - rotation @ np.array([15.0, 4.0, 0.0])
    optics = Optics(FOCAL_MM, 22.0, PIXEL_PITCH_UM, "scene") if scene.focal_known else Optics()
    photo = Photo(f"{scene.seed:064x}"[::-1], scene.width, scene.height, None, "unknown", "photo", optics)
    shot = Shot(np.zeros(0), photo, scene, rotation, place, focal, centre)
    return replace(shot, pixels=_develop(_light(shot, rng), rng, scene))


def _light(shot: Shot, rng: np.random.Generator) -> np.ndarray:
    scene, finer = shot.scene, 2
    y, x = (np.mgrid[0 : scene.height * finer, 0 : scene.width * finer] + 0.5) / finer - 0.5
    flat = np.stack([x, y], axis=-1) - shot.centre
    flat = flat / (1 + scene.bend * np.sum(flat**2, axis=-1, keepdims=True) / np.sum(shot.centre**2))
    ray = np.concatenate([flat / shot.focal_px, np.ones((*flat.shape[:2], 1))], axis=-1)
    normal = shot.rotation[:, 2]
    point = (shot.place @ normal / (ray @ normal))[..., None] * ray - shot.place
    a, b = point @ shot.rotation[:, 0], point @ shot.rotation[:, 1]
    b = HEIGHT_MM - b if scene.mirrored else b
    where = [(v * PRINT_PX_PER_MM - 0.5).astype(np.float32) for v in (a, b / (1 + scene.aspect))]
    stock = cv2.remap(the_print(), where[0], where[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0.3)
    light = 0.04 + 0.62 * stock
    if scene.hidden_mm is not None:
        light = np.where((a > scene.hidden_mm[0]) & (a < scene.hidden_mm[1]), 0.3, light)
    light = light * (1 + 0.2 * (x / scene.width - 0.5) * rng.uniform(-1, 1))
    dx, dy, share = scene.ghost
    if share:
        shift = np.float32([[1, 0, dx * finer], [0, 1, dy * finer]])
        light = (1 - share) * light + share * cv2.warpAffine(light, shift, light.shape[::-1], borderMode=cv2.BORDER_REPLICATE)
    return cv2.resize(light.astype(np.float32), (scene.width, scene.height), interpolation=cv2.INTER_AREA)


def _develop(light: np.ndarray, rng: np.random.Generator, scene: StripScene) -> np.ndarray:
    light = cv2.GaussianBlur(light, (0, 0), scene.blur)[..., None] * np.array([1.0, 0.97, 0.92], np.float32)
    light = np.clip(light + scene.noise * np.sqrt(0.1 + light) * rng.standard_normal(light.shape), 0, 1) ** scene.gamma
    encoded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055) * 255
    encoded = encoded + scene.sharpen * (encoded - cv2.GaussianBlur(encoded, (0, 0), 1.5))
    done, data = cv2.imencode(
        ".jpg", np.clip(np.round(encoded), 0, 255).astype(np.uint8)[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, scene.jpeg]
    )
    assert done
    return cv2.cvtColor(cv2.imdecode(data, cv2.IMREAD_COLOR), cv2.COLOR_BGR2RGB)


def random_strip(seed: int) -> StripScene:
    """A strip as a practice might photograph it, every source of the budget drawn from what the budget states."""
    rng = np.random.default_rng(seed + 9_000_000)
    at = float(rng.uniform(0, 21))
    return StripScene(
        seed=seed, px_per_mm=float(rng.uniform(14, 28)), middle_px=(float(rng.uniform(440, 460)), float(rng.uniform(195, 225))),
        turn=float(rng.uniform(-12, 12)), tilt=float(np.clip(TILT_SD_DEG * rng.standard_normal(), -20, 20)),
        tilt_across=float(np.clip(TILT_SD_DEG * rng.standard_normal(), -20, 20)),
        distance_error=float(np.clip(DISTANCE_SD * rng.standard_normal(), -0.4, 0.6)), bend=DISTORTION_SD * float(rng.standard_normal()),
        aspect=np.sqrt(2) * 0.001 * float(rng.standard_normal()), mirrored=bool(rng.random() < 0.3),
        hidden_mm=(at, at + 8) if rng.random() < 0.25 else None, blur=float(rng.uniform(0.8, 2.3)), noise=float(rng.uniform(0.002, 0.012)),
        jpeg=int(rng.integers(80, 96)), sharpen=float(rng.uniform(0, 0.8)), gamma=float(rng.uniform(0.9, 1.15)),
    )  # fmt: skip
