"""Draws a stage through a camera: light at the scene, and what each pixel shows."""

from __future__ import annotations

import numpy as np

from audit.synthetic.camera import Camera
from audit.synthetic.lighting import surround
from audit.synthetic.relief import strike
from audit.synthetic.shade import Cover, cover, shade
from audit.synthetic.stage import Stage
from audit.synthetic.spec import Mouth, Shot
from audit.synthetic.truth import Seen

__all__ = ["draw", "survey"]

QUARTERS = ((-0.25, -0.25), (0.25, -0.25), (-0.25, 0.25), (0.25, 0.25))


def draw(stage: Stage, mouth: Mouth, shot: Shot, camera: Camera) -> tuple[np.ndarray, Seen]:
    """Light of every pixel, shape (height, width, 3), and what it shows; steps in depth are drawn at double density."""
    shape = (shot.height_px, shot.width_px)
    xy = _pixels(0, 0, shape)
    struck = strike(stage.relief, camera, xy)
    flat = type(struck)(struck.points.reshape(-1, 3), struck.depth_mm.reshape(-1))
    around = surround(mouth.seed, float(camera.depth_mm(stage.middle)), shot.saliva, mouth.upper)
    light, covers = shade(stage.relief, mouth, shot, camera, around, flat)
    planes = np.stack([covers.facial, covers.metal, covers.gum], axis=1)
    rough = _steps(struck.depth_mm).ravel()
    fine, fine_planes = np.zeros_like(light[rough]), np.zeros_like(planes[rough])
    for quarter in QUARTERS:
        sub = strike(stage.relief, camera, xy.reshape(-1, 2)[rough] + np.array(quarter))
        colour, c = shade(stage.relief, mouth, shot, camera, around, sub)
        fine += 0.25 * np.minimum(colour, 8.0)
        fine_planes += 0.25 * np.stack([c.facial, c.metal, c.gum], axis=1)
    light[rough], planes[rough] = fine, fine_planes
    facial, metal, gum = (planes[:, k].reshape(shape) for k in range(3))
    return light.reshape(*shape, 3), Seen(facial, metal, gum, struck.depth_mm)


def survey(stage: Stage, mouth: Mouth, shot: Shot, camera: Camera) -> tuple[Seen, Camera]:
    """What a camera would see of the audited tooth, without drawing it; the photo need not contain it."""
    corners = stage.middle + np.array([[sx * 7.5, sy * 6.5, 0.0] for sx in (-1, 1) for sy in (-1, 1)])
    low, high = (f(camera.project(corners), axis=0).astype(int) for f in (np.min, np.max))
    xy = _pixels(low[0], low[1], (high[1] - low[1], high[0] - low[0]))
    struck = strike(stage.relief, camera, xy)
    points = struck.points.reshape(-1, 3)
    ground, look = (stage.relief.at(maps, points[:, 0], points[:, 1]) for maps in (stage.relief.ground, stage.relief.look))
    flat = type(struck)(points, struck.depth_mm.reshape(-1))
    c: Cover = cover(mouth, ground, look, flat.depth_mm / np.float32(camera.focal_px))
    shape = struck.depth_mm.shape
    return Seen(c.facial.reshape(shape), c.metal.reshape(shape), c.gum.reshape(shape), struck.depth_mm, int(low[0]), int(low[1])), camera


def _pixels(left: int, top: int, shape: tuple[int, int]) -> np.ndarray:
    y, x = np.mgrid[top : top + shape[0], left : left + shape[1]]
    return np.stack([x, y], axis=-1).astype(np.float32)


def _steps(depth: np.ndarray) -> np.ndarray:
    rough = np.zeros(depth.shape, bool)
    across, down = np.abs(np.diff(depth, axis=1)) > 0.12, np.abs(np.diff(depth, axis=0)) > 0.12
    rough[:, 1:] |= across
    rough[:, :-1] |= across
    rough[1:] |= down
    rough[:-1] |= down
    return rough
