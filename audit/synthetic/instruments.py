"""Things of known size held near the tooth: a graduated rule, a cylindrical rod, a periodontal probe.

Frame: that of the camera (X right, Y down, depth away from it), mm. A thing seen in the mirror is
drawn as if the camera's X were reversed. The middle of the reference is placed at a given depth,
its long axis at `turn` in the photo and `tilt` to the sensor, so offset and tilt are exact.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from audit.synthetic.glyphs import digits_texture
from audit.synthetic.lighting import Surroundings, reflected_light
from audit.synthetic.texture import tiled

__all__ = ["PROBE_MARKS_MM", "Layer", "Placing", "draw_probe", "draw_rod", "draw_rule"]

PROBE_MARKS_MM = (1.0, 2.0, 3.0, 5.0, 7.0, 8.0, 9.0, 10.0)
RULE_LENGTH_MM, RULE_WIDTH_MM, TICK_MM = 60.0, 9.0, 0.13
TICK_LENGTHS_MM = ((0.5, 2.0), (1.0, 3.0), (5.0, 3.7), (10.0, 4.4))


@dataclass(frozen=True)
class Placing:
    """Where a reference is held.

    Parameters
    ----------
    slope : ndarray, shape (2,)
        Tangents of the angles off the optical axis of its middle.
    depth_mm : float
        Of its middle.
    turn_deg, tilt_deg : float
        Direction of its axis in the photo; inclination to the sensor, positive when the far end of the axis is nearer.
    """

    slope: np.ndarray
    depth_mm: float
    turn_deg: float
    tilt_deg: float

    @property
    def middle(self) -> np.ndarray:
        """Its middle, shape (3,)."""
        return np.append(self.slope, 1.0) * self.depth_mm

    @property
    def axis(self) -> np.ndarray:
        """Unit vector along it."""
        turn, tilt = np.radians([self.turn_deg, self.tilt_deg])
        return np.array([np.cos(turn) * np.cos(tilt), np.sin(turn) * np.cos(tilt), -np.sin(tilt)])

    @property
    def across(self) -> np.ndarray:
        """Unit vector at right angles to it, parallel to the sensor."""
        turn = np.radians(self.turn_deg)
        return np.array([-np.sin(turn), np.cos(turn), 0.0])


@dataclass(frozen=True)
class Layer:
    """A drawn thing: colour (n, 3), share of the pixel (n,), depth (n,) mm."""

    colour: np.ndarray
    share: np.ndarray
    depth_mm: np.ndarray


def _box(distance: np.ndarray, half: np.ndarray | float, px_mm: np.ndarray) -> np.ndarray:
    """Share of a pixel that a bar of half width `half` covers at `distance` from its middle."""
    return np.asarray(np.clip((half + px_mm / 2 - np.abs(distance)) / px_mm, 0.0, np.minimum(1.0, 2 * half / px_mm)))


def draw_rule(placing: Placing, slopes: np.ndarray, focal_px: float, *, middle_mm: float, edge_up: bool, white: bool, seed: int) -> Layer:
    """A rule with half-millimetre, millimetre, 5 and 10 mm ticks; `middle_mm` is the graduation at its placed middle.

    Notes
    -----
    `middle_mm` stands 1.5 mm inside the graduated edge, which faces up (`edge_up`) or down in the photo.
    """
    normal = np.cross(placing.axis, placing.across)
    ray = np.concatenate([slopes, np.ones((len(slopes), 1))], axis=1)
    depth = (placing.middle @ normal) / (ray @ normal)
    offset = ray * depth[:, None] - placing.middle
    a = offset @ placing.axis + middle_mm
    b = (offset @ placing.across) * (1.0 if edge_up else -1.0) + 1.5
    px = depth / focal_px
    share = np.clip(np.minimum(a + 0.0, RULE_LENGTH_MM - a) / px + 0.5, 0, 1)
    share *= np.clip(np.minimum(b, RULE_WIDTH_MM - b) / px + 0.5, 0, 1)
    ink = np.zeros_like(a)
    for period, reach in TICK_LENGTHS_MM:
        away = a - period * np.round(a / period)
        lit = np.clip((reach - b) / px + 0.5, 0, 1) * np.clip((b - 0.0) / px + 0.5, 0, 1)
        ink = np.maximum(ink, _box(away, TICK_MM / 2, px) * lit)
    b_text = b if edge_up else RULE_WIDTH_MM - b
    ink = np.maximum(ink, digits_texture(a, b_text, top_mm=4.9 if edge_up else RULE_WIDTH_MM - 4.9 - 2.0))
    ink *= (a > 0.6) & (a < RULE_LENGTH_MM - 0.6)
    colour = np.zeros((len(a), 3), np.float32)
    on = np.flatnonzero(share > 0)
    colour[on] = _rule_face(a[on], b[on], ink[on], white, seed)
    return Layer(colour, share, depth)


def _rule_face(a: np.ndarray, b: np.ndarray, ink: np.ndarray, white: bool, seed: int) -> np.ndarray:
    cloud = tiled(seed + 51, 1, 4, a * 4, b * 4)[:, :1]
    if white:
        face = np.array([0.70, 0.69, 0.65], np.float32) * (1.0 + 0.03 * cloud)
        mark = np.array([0.03, 0.03, 0.035], np.float32)
    else:
        brush = tiled(seed + 52, 10, 100, a * 3, b * 60)[:, :1]
        sheen = 0.33 + 0.22 * np.exp(-(((a - 9.0) / 9.0) ** 2))[:, None] + 0.05 * cloud
        face = np.array([0.98, 0.97, 0.95], np.float32) * sheen * (1.0 + 0.07 * brush)
        mark = np.array([0.025, 0.024, 0.024], np.float32)
    edge = 1.0 - 0.35 * np.exp(-np.minimum(b, RULE_WIDTH_MM - b).clip(0) / 0.12)[:, None]
    return np.asarray(face * edge + ink[:, None] * (mark - face * edge))


def draw_rod(
    placing: Placing,
    slopes: np.ndarray,
    focal_px: float,
    *,
    diameter_mm: float,
    half_length_mm: float,
    seed: int,
    around: Surroundings,
) -> Layer:
    """A polished steel cylinder whose axis passes through the placed middle."""
    radius = np.full(len(slopes), 0.5 * diameter_mm)
    a, away, normal, depth = _cylinder(placing, slopes, radius)
    px = depth / focal_px
    share = np.clip((radius - np.abs(away)) / px + 0.5, 0, 1) * np.clip((half_length_mm - np.abs(a)) / px + 0.5, 0, 1)
    turned = tiled(seed + 61, 10, 90, a * 50, away * 2)[:, 0]
    return Layer(_steel(normal, placing, turned, slopes, around), share, depth)


def draw_probe(placing: Placing, slopes: np.ndarray, focal_px: float, *, seed: int, around: Surroundings) -> Layer:
    """A tapered probe with dark marks; its placed middle is 5 mm from the tip, the axis points to the handle."""
    first = np.full(len(slopes), 0.3)
    a, _, _, _ = _cylinder(placing, slopes, first)
    radius = 0.25 + 0.016 * np.clip(a + 5.0, 0.0, 30.0)
    a, away, normal, depth = _cylinder(placing, slopes, radius)
    px = depth / focal_px
    tip = a + 5.0
    share = np.clip((radius - np.abs(away)) / px + 0.5, 0, 1) * np.clip(tip / px + 0.5, 0, 1)
    colour = _steel(normal, placing, np.zeros_like(a), slopes, around)
    ink = np.max([_box(tip - mark, 0.11, px) for mark in PROBE_MARKS_MM], axis=0)
    colour = colour + ink[:, None] * (0.02 + 0.12 * colour - colour)
    return Layer(np.asarray(colour), share, depth)


def _cylinder(placing: Placing, slopes: np.ndarray, radius: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Position along the axis, distance of the ray from it, surface normal and depth of the struck point."""
    axis, middle = placing.axis, placing.middle
    ray = np.concatenate([slopes, np.ones((len(slopes), 1))], axis=1)
    flat_ray = ray - (ray @ axis)[:, None] * axis
    flat_mid = middle - (middle @ axis) * axis
    side = np.cross(axis, flat_ray)
    norm2 = np.einsum("ij,ij->i", flat_ray, flat_ray)
    away = side @ flat_mid / np.sqrt(norm2)
    t = (flat_ray @ flat_mid - np.sqrt(norm2 * np.maximum(radius**2 - away**2, 0.0))) / norm2
    normal = (flat_ray * t[:, None] - flat_mid) / radius[:, None]
    normal /= np.maximum(np.linalg.norm(normal, axis=1), 1e-9)[:, None]
    return (ray * t[:, None] - middle) @ axis, away, normal, t


def _steel(normal: np.ndarray, placing: Placing, rough: np.ndarray, slopes: np.ndarray, around: Surroundings) -> np.ndarray:
    bent = normal + 0.03 * rough[:, None] * placing.axis
    bent /= np.linalg.norm(bent, axis=1)[:, None]
    to_camera = bent * np.array([1.0, 1.0, -1.0])
    view = np.concatenate([-slopes, np.ones((len(slopes), 1))], axis=1)
    view /= np.linalg.norm(view, axis=1)[:, None]
    normals, views = to_camera.astype(np.float32), view.astype(np.float32)
    mirrored = 0.5 * reflected_light(around.polished, normals, views) + 0.4 * reflected_light(around.satin, normals, views)
    return np.asarray(mirrored * np.array([0.62, 0.61, 0.60], np.float32))
