"""The occlusal view as a relief: cusps, fissures, neighbours, gingiva on both sides, and the metal.

Notes
-----
Frame: mesial to +x, facial to -y, occlusal to the camera. A cusp is a blunt cone; where cones meet
lie the grooves. Towards its outline (the height of contour) each crown falls away; below it the
surface drops to the gingiva.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from audit.imaging.smooth import gaussian
from audit.synthetic.outlines import Margin, rounded
from audit.synthetic.relief import Grid, assemble
from audit.synthetic.spec import Mouth
from audit.synthetic.stage import EMPTY, Stage, lift, own_middle, seen_margin
from audit.synthetic.texture import tiled

__all__ = ["build_occlusal"]

GRID = Grid(left_mm=-21.0, top_mm=-16.0, per_mm=20.0, columns=840, rows=640)
FAR = -99.0
WALL_MM = 0.6
"""How far beyond the height of contour a crown's wall still counts as its surface."""
FLOOR_MM = -7.5


@dataclass(frozen=True)
class Table:
    """One occlusal table, mm: middle, half sizes, lean of its outline, and cusps (x, y, height, slope) from its middle."""

    x_mm: float
    y_mm: float
    half_x: float
    half_y: float
    shear: float
    cusps: tuple[tuple[float, float, float, float], ...]
    tint: float

    def inside(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Inside distance of the outline, mm."""
        v = (y - self.y_mm) / self.half_y
        u = (x - self.x_mm - self.shear * (y - self.y_mm)) / self.half_x
        u = u * (1.0 + 0.05 * v)
        r = (np.abs(u) ** 2.7 + np.abs(v) ** 2.7) ** (1 / 2.7) + 1e-6
        slope = np.hypot(np.sign(u) * np.abs(u) ** 1.7 / r**1.7 / self.half_x, np.abs(v) ** 1.7 / r**1.7 / self.half_y)
        return np.asarray((1.0 - r) / np.maximum(slope, 0.1))

    def surface(self, x: np.ndarray, y: np.ndarray, bend: np.ndarray) -> np.ndarray:
        """Height z, mm; `bend`, shape (..., 2), winds the grooves."""
        dx, dy = x - self.x_mm + bend[..., 0], y - self.y_mm + bend[..., 1]
        cones = []
        for a, b, h, s in self.cusps:
            out, round_it = np.hypot(dx - a, 0.9 * (dy - b)), np.arctan2(dy - b, dx - a)
            lobes = 1.0 + 0.10 * np.cos(3.0 * (round_it - np.arctan2(-b, -a)))
            cones.append(h - s * (np.sqrt((out / lobes) ** 2 + 0.6) - 0.77))
        for side in (-1.0, 1.0):
            ridge = np.abs(dx - side * (self.half_x - 1.0 - 0.04 * dy**2))
            cones.append(-1.0 - 0.85 * (np.sqrt(ridge**2 + 0.3) - 0.55) - 0.035 * dy**2)
        inner = np.logaddexp.reduce(np.stack(cones) / 0.09, axis=0) * 0.09
        d = self.inside(x, y)
        outer = 0.6 - 0.95 * np.clip(2.3 - d, 0.0, 2.6) ** 1.55
        z = -np.logaddexp(-inner / 0.25, -outer / 0.25) * 0.25
        return np.asarray(np.maximum(z + np.minimum(d, 0.0) * 2.5, FLOOR_MM))


def _tables(seed: int, molar: bool) -> tuple[tuple[Table, ...], int]:
    """Tables from the first premolar to the last molar, and the index of the audited one, which stands at the origin."""
    rng = np.random.default_rng([seed, 2])
    half_x = np.array([3.55, 3.4, 5.15, 4.8, 4.4]) * rng.normal(1.0, 0.02, 5)
    half_y = np.array([4.5, 4.5, 5.7, 5.6, 5.2]) * rng.normal(1.0, 0.02, 5)
    audited = 2 if molar else 1
    middles = -np.concatenate([[0.0], np.cumsum(half_x[1:] + half_x[:-1] + 0.02)])
    middles -= middles[audited]
    offset = np.array([0.5, 0.2, 0.0, 0.2, 0.9])
    offset -= offset[audited]
    tables = []
    for i in range(5):
        wobble = rng.normal(0.0, 0.12, (4, 2))
        if i < 2:
            cusps: tuple[tuple[float, float, float, float], ...] = ((0.1, -2.2, 0.0, 0.62), (0.4, 2.1, -0.3, 0.60))
        else:
            base = ((2.15, -2.75, 0.0, 0.60), (-2.2, -2.7, -0.15, 0.60), (1.75, 2.2, 0.0, 0.56), (-2.5, 3.0, -0.55, 0.62))
            size = half_x[i] / 5.15
            cusps = tuple((a * size + w[0], b * size + w[1], h, s) for (a, b, h, s), w in zip(base, wobble))
        place = (float(middles[i]), float(offset[i]), float(half_x[i]), float(half_y[i]), 0.07 if i >= 2 else 0.0)
        tables.append(Table(*place, cusps, float(rng.normal(0.0, 0.25))))
    return tuple(tables), audited


@lru_cache(maxsize=4)
def build_occlusal(mouth: Mouth) -> Stage:
    """The occlusal view of a mouth."""
    tables, audited = _tables(mouth.seed, mouth.kind == "molar")
    own = tables[audited]
    x, y = GRID.mesh()
    insides = np.stack([t.inside(x, y) for t in tables])
    flat = (9.0 * x).ravel(), (9.0 * y).ravel()
    coarse, fine = (tiled(mouth.seed + 82, *band, *flat)[:, 1:].reshape(*x.shape, 2) for band in ((2, 7), (8, 24)))
    heights = np.stack([t.surface(x, y, 0.22 * coarse + 0.05 * fine) for t in tables])
    owner, teeth = heights.argmax(axis=0), heights.max(axis=0)
    metal, along, margin = _metal(mouth, own, x, y)
    island, hole = _perforation(mouth, own, x, y)
    along = np.where(hole < metal, FAR, along)
    metal = np.minimum(metal, hole)
    near = insides.max(axis=0)
    gum = _gum(mouth, x, y, near)
    height = np.where(near > -0.15, teeth, np.maximum(teeth, gum))
    into = np.where(near > -0.15, np.minimum(-near, gum - teeth) - 0.2, np.clip(gum - teeth, -1.0, -near - 0.15))
    into = np.where(into > 0, np.minimum(0.5 * into, np.where(y > 0, 3.4, 9.0)), into)
    here = np.take_along_axis(insides, owner[None], 0)[0]
    owned = np.where(owner == audited, insides[audited] + WALL_MM, np.minimum(insides[audited], 0.0))
    tint = np.array([t.tint for t in tables])[owner]
    level = np.clip(0.95 + teeth / 5.0, 0.1, 0.95)
    deep = gaussian(teeth.astype(np.float32), 0.35 * GRID.per_mm) - teeth
    fissure = np.clip(deep / 0.09 - 0.3, 0.0, 1.0) * (here > 1.6)
    height = height + 0.02 * gaussian(np.where(metal > 0, 1.0, 0.0).astype(np.float32), 1.5)
    relief = assemble(GRID, height, (owned, into, metal, along), (here + WALL_MM, level, tint, 0.75 * fissure))
    middle = own_middle(relief, own.x_mm, own.y_mm)
    lifted = lift(relief, island) if len(island) else EMPTY
    if margin is None:
        return Stage(relief, middle, "occlusal", "occlusal_surface", island=lifted)
    relief, points, at = seen_margin(relief, margin, 0.9)
    return Stage(relief, middle, "occlusal", "occlusal_surface", points, at, island=lifted)


def _gum(mouth: Mouth, x: np.ndarray, y: np.ndarray, near: np.ndarray) -> np.ndarray:
    """Height of the gingiva: a collar round the teeth, the palate or floor on one side and the vestibule on the other."""
    out = np.clip(-near, 0.0, None)
    lumps = tiled(mouth.seed + 81, 2, 7, (x * 8).ravel(), (y * 8).ravel())[:, 0].reshape(x.shape)
    slope = np.where(y > 0, 0.10, -0.14)
    return np.asarray(-4.3 - 0.9 * (1.0 - np.exp(-out / 0.9)) + slope * out + 0.16 * lumps * (1.0 - np.exp(-out / 1.5)))


def _metal(mouth: Mouth, own: Table, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray, Margin | None]:
    metal, along = np.full(x.shape, FAR), np.full(x.shape, FAR)
    if mouth.prepared:
        return metal, along, None
    if mouth.design == "complete_crown":
        return np.full(x.shape, -FAR), along, None
    margin = Margin(rounded(_line(mouth, own)))
    near = own.inside(x, y) > -1.0
    metal[near], along[near] = margin.distance(x[near], y[near])
    return metal, along, margin


def _line(mouth: Mouth, own: Table) -> np.ndarray:
    """The margin as seen from occlusal, mesial end first, metal to the left of travel."""
    reach = own.half_x + 1.0
    x = np.linspace(reach, -reach, 300)
    inset = max(0.45, 1.45 - 0.5 * mouth.band_mm)
    facial = own.y_mm - (own.half_y - inset) * (1.0 - (np.abs(x - own.x_mm) / (own.half_x + 0.9)).clip(0, 1) ** 3.2 * 0.42)
    if mouth.design == "three_quarter":
        return np.stack([x, facial], axis=1)
    if mouth.design == "seven_eighths":
        turn = own.x_mm + 0.85
        keep = x > turn
        out = np.linspace(facial[keep][-1], own.y_mm - own.half_y - 1.0, 60)
        return np.concatenate([np.stack([x[keep], facial[keep]], axis=1), np.stack([np.full(60, turn), out], axis=1)])
    if mouth.design == "onlay":
        lingual = 2 * own.y_mm - facial
    else:
        half = 1.35 + 0.75 / (1.0 + np.exp(-(np.abs(x - own.x_mm) - 0.66 * own.half_x) / 0.18)) + 0.12 * np.sin(1.7 * x)
        facial, lingual = own.y_mm - half, own.y_mm + half
    return np.concatenate([np.stack([x, facial], axis=1), np.stack([x[::-1], lingual[::-1]], axis=1)])


def _perforation(mouth: Mouth, own: Table, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Outline, shape (n, 2), of an island of tooth at the working cusp, and the distance outside it, mm."""
    if mouth.perforation_mm <= 0:
        return np.empty((0, 2)), np.full(x.shape, -FAR)
    a, b = own.cusps[min(2, len(own.cusps) - 1)][:2]
    radius = 0.5 * mouth.perforation_mm

    def edge(angle: np.ndarray) -> np.ndarray:
        return np.asarray(radius * (1.0 + 0.13 * np.sin(2 * angle + 0.6) + 0.07 * np.sin(3 * angle + mouth.seed)))

    dx, dy = x - own.x_mm - a, y - own.y_mm - b
    turn = np.linspace(0.0, 2 * np.pi, 181)
    ring = np.stack([own.x_mm + a + edge(turn) * np.cos(turn), own.y_mm + b + edge(turn) * np.sin(turn)], axis=1)
    return ring, np.hypot(dx, dy) - edge(np.arctan2(dy, dx))
