"""Holds a reference near the tooth in a photo: draws it, knows its scale, marks it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from audit.synthetic.camera import Camera
from audit.synthetic.instruments import PROBE_MARKS_MM, Layer, Placing, draw_probe, draw_rod, draw_rule
from audit.synthetic.lighting import surround
from audit.synthetic.marks import feature
from audit.synthetic.spec import Mouth, Shot
from audit.synthetic.stage import Stage
from audit.synthetic.truth import Seen

__all__ = ["Held", "hold"]

RULE_MIDDLE_MM = 12.0
REACH_MM = {"rule": (-9.0, 9.05), "rod": (-4.0, 4.05), "probe": (-5.0, 5.05)}
EDGE_PX, HALF_MM = 3.0, 0.05
_Pixels = Callable[[np.ndarray], np.ndarray]


@dataclass(frozen=True)
class Held:
    """A reference in the photo: scale along it (mm/px, reduced to the tooth's depth), truth of it, its annotation."""

    scale_mm_per_px: float
    truth: dict[str, Any]
    feature: dict[str, Any]


def hold(
    light: np.ndarray, seen: Seen, mouth: Mouth, shot: Shot, camera: Camera, stage: Stage, rng: np.random.Generator
) -> tuple[np.ndarray, Seen, Held | None]:
    """The light with the reference before it, what is still seen, and the reference."""
    if shot.reference is None:
        return light, seen, None
    way = shot.reference_seen_in or ("mirror" if shot.mirror else "direct")
    depth = float(camera.depth_mm(stage.middle))
    handed = -1.0 if way == "mirror" else 1.0
    at = np.array(shot.reference_at_mm or _usual_place(shot, mouth)) * [handed, 1.0]
    placing = Placing(
        at * shot.px_per_mm / camera.focal_px,
        depth - shot.reference_offset_mm,
        shot.reference_turn_deg + _usual_turn(shot),
        shot.reference_tilt_deg,
    )

    def pixels(points: np.ndarray) -> np.ndarray:
        return np.asarray(points[:, :2] / points[:, 2:] * [handed, 1.0] * camera.focal_px + camera.centre_px)

    box = _box(placing, pixels, light.shape[:2], shot)
    layer = _draw(placing, box, camera, mouth, shot, handed, depth)
    light, seen = _over(light, seen, box, layer)
    reach = _marked(placing, pixels, shot)
    middle = placing.middle + 0.5 * sum(reach) * placing.axis
    ends = pixels(np.stack([middle - HALF_MM * placing.axis, middle + HALF_MM * placing.axis]))
    along = 2 * HALF_MM / float(np.hypot(*(ends[1] - ends[0]))) * depth / float(middle[2])
    if shot.reference == "rod":
        along = depth / camera.focal_px
    truth = {
        "kind": shot.reference, "offset_mm": depth - float(middle[2]), "tilt_deg": shot.reference_tilt_deg, "seen_in": way,
        "direction_deg": float(np.degrees(np.arctan2(*(ends[1] - ends[0])[::-1])) % 180.0),
    }  # fmt: skip
    return light, seen, Held(along, truth, _feature(placing, pixels, shot, way, reach, rng))


def _marked(placing: Placing, pixels: _Pixels, shot: Shot) -> tuple[float, float]:
    """First and last position along the reference, mm from its placed middle, between which it is marked: inside the photo."""
    kind = shot.reference or "rule"
    at = np.arange(*REACH_MM[kind], 0.05)
    side = 0.5 * shot.reference_diameter_mm if kind == "rod" else 0.0
    lines = [pixels(placing.middle + at[:, None] * placing.axis + s * side * placing.across) for s in (-1.0, 1.0)]
    room = np.array([shot.width_px, shot.height_px]) - 1.0 - EDGE_PX
    inside = np.all([(line >= EDGE_PX) & (line <= room) for line in lines], axis=(0, 2))
    if inside.sum() < 20:
        raise ValueError(f"reference_at_mm must place the {kind} inside the photo; got {shot.reference_at_mm or 'its usual place'}")
    return float(at[inside][0]), float(at[inside][-1])


def _usual_place(shot: Shot, mouth: Mouth) -> tuple[float, float]:
    below = 1.0 if mouth.upper else -1.0
    room = 0.5 * shot.height_px / shot.px_per_mm
    if shot.reference == "rule":
        return 0.0, below * min(7.0, room - 1.8)
    if shot.reference == "rod":
        return -9.4, below * min(3.5, max(room - 4.0, 0.0))
    return 6.6, below * min(2.5, max(room - 3.0, 0.0))


def _usual_turn(shot: Shot) -> float:
    return {"rule": 0.0, "rod": 78.0, "probe": 80.0}[shot.reference or "rule"]


def _box(placing: Placing, pixels: _Pixels, shape: tuple[int, int], shot: Shot) -> tuple[slice, slice]:
    """Rows and columns that the reference can reach."""
    sides = [placing.middle + a * placing.axis + b * placing.across for a in (-60.0, 60.0) for b in (-11.0, 11.0)]
    xy = pixels(np.array(sides)) if shot.reference == "rule" else np.array([[0.0, 0.0], [shape[1], shape[0]]])
    low, high = np.floor(xy.min(axis=0)).astype(int), np.ceil(xy.max(axis=0)).astype(int) + 1
    return slice(max(0, low[1]), min(shape[0], high[1])), slice(max(0, low[0]), min(shape[1], high[0]))


def _draw(placing: Placing, box: tuple[slice, slice], camera: Camera, mouth: Mouth, shot: Shot, handed: float, depth: float) -> Layer:
    y, x = np.mgrid[box[0], box[1]]
    slopes = camera.slopes(np.stack([x.ravel(), y.ravel()], axis=1)) * [handed, 1.0]
    around = surround(shot.seed, depth, 1.0, mouth.upper)
    if shot.reference == "rule":
        return draw_rule(
            placing, slopes, camera.focal_px, middle_mm=RULE_MIDDLE_MM, edge_up=mouth.upper, white=shot.rule_white, seed=shot.seed
        )
    if shot.reference == "rod":
        return draw_rod(
            placing,
            slopes,
            camera.focal_px,
            diameter_mm=shot.reference_diameter_mm,
            half_length_mm=7.0,
            seed=shot.seed,
            around=around,
        )
    return draw_probe(placing, slopes, camera.focal_px, seed=shot.seed, around=around)


def _over(light: np.ndarray, seen: Seen, box: tuple[slice, slice], layer: Layer) -> tuple[np.ndarray, Seen]:
    shape = light[box].shape[:2]
    share = layer.share.reshape(shape).astype(np.float32)
    light = light.copy()
    light[box] += share[..., None] * (layer.colour.reshape(*shape, 3) - light[box])
    planes = {}
    for name in ("facial", "metal", "gum"):
        planes[name] = getattr(seen, name).copy()
        planes[name][box] *= 1.0 - share
    depth = seen.depth_mm.copy()
    depth[box] = np.where(share > 0.5, layer.depth_mm.reshape(shape), depth[box])
    return light, replace(seen, depth_mm=depth, **planes)


def _feature(
    placing: Placing, pixels: _Pixels, shot: Shot, way: str, reach: tuple[float, float], rng: np.random.Generator
) -> dict[str, Any]:
    kind = shot.reference or "rule"
    ends = np.array(reach)[:, None] * placing.axis + placing.middle
    lines = [ends] if kind != "rod" else [ends + s * 0.5 * shot.reference_diameter_mm * placing.across for s in (-1.0, 1.0)]
    room = np.array([shot.width_px, shot.height_px]) - 1.0
    traced = [np.round(np.clip(pixels(line) + shot.hand_px * rng.standard_normal((2, 2)), 0.0, room), 3).tolist() for line in lines]
    geometry = {"type": "LineString", "coordinates": traced[0]} if kind != "rod" else {"type": "MultiLineString", "coordinates": traced}
    sizes: dict[str, dict[str, Any]] = {
        "rule": {"tick_mm": 0.5},
        "rod": {"diameter_mm": shot.reference_diameter_mm},
        "probe": {"marks_mm": list(PROBE_MARKS_MM)},
    }
    stated = shot.reference_offset_mm if shot.stated_offset_mm is None else shot.stated_offset_mm
    return feature("reference", geometry, kind=kind, seen_in=way, offset_mm=stated, u_offset_mm=shot.u_offset_mm, **sizes[kind])
