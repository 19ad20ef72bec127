"""Draws a stage through a camera: light at the scene, and what each pixel shows.

Notes
-----
Borders between materials are anti-aliased by their signed distance over its change from pixel to pixel.
Pixels on a step in depth, where that change says nothing, are drawn as the mean of four rays instead.
"""

from __future__ import annotations

import numpy as np

from audit.synthetic.camera import Camera
from audit.synthetic.lighting import surround
from audit.synthetic.relief import Strike, strike
from audit.synthetic.shade import Cover, Material, cover, shade
from audit.synthetic.spec import Mouth, Shot
from audit.synthetic.stage import Stage
from audit.synthetic.truth import Seen

__all__ = ["draw", "survey"]

QUARTERS = ((-0.25, -0.25), (0.25, -0.25), (-0.25, 0.25), (0.25, 0.25))
STEP_MM = 0.12
BRIGHTEST = 8.0


def draw(stage: Stage, mouth: Mouth, shot: Shot, camera: Camera) -> tuple[np.ndarray, Seen]:
    """Light of every pixel, shape (height, width, 3), and what it shows."""
    xy = _pixels(0, 0, (shot.height_px, shot.width_px))
    around = surround(mouth.seed, float(camera.depth_mm(stage.middle)), shot.saliva, mouth.upper)
    struck, rough, material = _meet(stage, mouth, camera, xy)
    light = shade(stage.relief, mouth, shot, camera, around, material)
    sums = _planes(material.covers)
    light[rough], sums[rough] = 0.0, 0.0
    for quarter in QUARTERS:
        part = _points(stage, mouth, camera, xy.reshape(-1, 2)[rough] + np.array(quarter, np.float32))
        light[rough] += 0.25 * np.minimum(shade(stage.relief, mouth, shot, camera, around, part), BRIGHTEST)
        sums[rough] += 0.25 * _planes(part.covers)
    shape = struck.depth_mm.shape
    return light.reshape(*shape, 3), _seen(sums, struck.depth_mm, (0, 0))


def survey(stage: Stage, mouth: Mouth, camera: Camera) -> Seen:
    """What a camera would see of the audited tooth, without drawing it."""
    corners = stage.middle + np.array([[sx * 7.5, sy * 7.0, 0.0] for sx in (-1, 1) for sy in (-1, 1)])
    low, high = (f(camera.project(corners), axis=0).astype(int) for f in (np.min, np.max))
    xy = _pixels(low[0], low[1], (high[1] - low[1], high[0] - low[0]))
    struck, rough, material = _meet(stage, mouth, camera, xy)
    sums = _planes(material.covers)
    sums[rough] = 0.0
    for quarter in QUARTERS:
        part = _points(stage, mouth, camera, xy.reshape(-1, 2)[rough] + np.array(quarter, np.float32))
        sums[rough] += 0.25 * _planes(part.covers)
    return _seen(sums, struck.depth_mm, (int(low[0]), int(low[1])))


def _meet(stage: Stage, mouth: Mouth, camera: Camera, xy: np.ndarray) -> tuple[Strike, np.ndarray, Material]:
    """Where the rays of a full image meet the stage, which of them (flat) stand on a step, and what they find (flat)."""
    struck = strike(stage.relief, camera, xy)
    maps = _maps(stage, struck)
    borders = np.concatenate([maps[1][..., :3], maps[2][..., :1]], axis=-1)
    spread = np.sqrt(sum(np.gradient(borders, axis=k) ** 2 for k in (0, 1))).reshape(-1, 4)
    flat = Strike(struck.points.reshape(-1, 3), struck.depth_mm.reshape(-1))
    form, ground, look = (values.reshape(-1, 4) for values in maps)
    return struck, _steps(struck.depth_mm).ravel(), Material(flat, form, ground, look, cover(mouth, ground, look, spread))


def _maps(stage: Stage, struck: Strike) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Form, ground and look of the relief at struck points, each of shape (..., 4)."""
    x, y = (np.ascontiguousarray(struck.points[..., k]) for k in (0, 1))
    relief = stage.relief
    return relief.at(relief.form, x, y), relief.at(relief.ground, x, y), relief.at(relief.look, x, y)


def _points(stage: Stage, mouth: Mouth, camera: Camera, xy: np.ndarray) -> Material:
    """What rays taken for points find, shape (n, 2)."""
    struck = strike(stage.relief, camera, xy)
    form, ground, look = _maps(stage, struck)
    return Material(struck, form, ground, look, cover(mouth, ground, look, None))


def _seen(sums: np.ndarray, depth_mm: np.ndarray, corner: tuple[int, int]) -> Seen:
    facial, metal, gum = (sums[:, k].reshape(depth_mm.shape) for k in range(3))
    return Seen(facial, metal, gum, depth_mm, *corner)


def _planes(covers: Cover) -> np.ndarray:
    return np.stack([covers.facial, covers.metal, covers.gum], axis=1)


def _pixels(left: int, top: int, shape: tuple[int, int]) -> np.ndarray:
    y, x = np.mgrid[top : top + shape[0], left : left + shape[1]]
    return np.stack([x, y], axis=-1).astype(np.float32)


def _steps(depth: np.ndarray) -> np.ndarray:
    rough = np.zeros(depth.shape, bool)
    across, down = np.abs(np.diff(depth, axis=1)) > STEP_MM, np.abs(np.diff(depth, axis=0)) > STEP_MM
    rough[:, 1:] |= across
    rough[:, :-1] |= across
    rough[1:] |= down
    rough[:-1] |= down
    return rough
