"""Posterior teeth as solids cut into slices along the beam: path lengths through enamel, dentine, pulp and casting.

A slice at depth z (buccal -, lingual +) has an outline in the plane of the picture: half width
``a(v) * s(z)`` at height v below the cusp tips, with a superellipse ``s = (1 - |z / b(v)|^p)^(1/p)``
across the beam. A tilted beam shifts each slice, so gaps close as they do in a mouth.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
from scipy.interpolate import PchipInterpolator

__all__ = ["Beam", "Casting", "Tooth", "molar", "premolar", "tooth_paths"]

ROUNDNESS = 3.2
"""Exponent of the superellipse across the beam: approximal surfaces are flat, not round."""

Profile = Callable[[np.ndarray], np.ndarray]


@dataclass(frozen=True)
class Beam:
    """Where slices fall: `turn` and `tilt` are tangents of the horizontal and vertical inclination; `pixel_mm` softens edges."""

    turn: float
    tilt: float
    pixel_mm: float
    slices: int = 36


@dataclass(frozen=True)
class Tooth:
    """One tooth: profiles of half width, half depth and enamel thickness over the height below the cusp tips, mm."""

    half_width: Profile
    half_depth: Profile
    enamel: Profile
    cusps: tuple[tuple[float, float, float], ...]
    cej_mm: float
    pulp_width: float
    furcation_mm: float

    def top(self, u: np.ndarray, z: float) -> np.ndarray:
        """Height of the occlusal surface below the plane of the cusp tips, mm, over `u`."""
        hill = np.zeros_like(u)
        for cu, cz, drop in self.cusps:
            hill = np.maximum(hill, (1.0 - drop) * np.exp(-((u - cu) ** 2 + (z - cz) ** 2) / 3.4))
        return np.asarray(1.9 * (1.0 - hill))

    def outline(self, v: float, z: float = 0.0) -> float:
        """Half width of the tooth at height `v` and depth `z`, mm."""
        at = np.array([v])
        return float((self.half_width(at) * _section(z, self.half_depth(at)))[0])


@dataclass(frozen=True)
class Casting:
    """What covers the prepared tooth.

    Parameters
    ----------
    design : str
        ``onlay``, ``three_quarter``, ``seven_eighths`` or ``complete_crown``.
    margin_mm : float
        Height of the finish line below the cusp tips.
    shoulder_mm : float
        Width of the finish line, from the outline of the tooth to the axial wall.
    slope : float
        Rise of the finish line towards the axial wall, mm/mm.
    gap_mm, step_mm : tuple of float
        At the sides u < 0 and u > 0.
    box_mm : float
        Buccolingual length of the finish line of an onlay: the beam's path through its gap.
    """

    design: str
    margin_mm: float
    shoulder_mm: float = 1.0
    slope: float = 0.05
    gap_mm: tuple[float, float] = (0.0, 0.0)
    step_mm: tuple[float, float] = (0.0, 0.0)
    box_mm: float = 4.0
    lute: str = "lucent_lute"

    def finish_line(self, tooth: Tooth, u: np.ndarray) -> np.ndarray:
        """Height of the finish line on the tooth at `u`, mm below the cusp tips."""
        edge = tooth.outline(self.margin_mm)
        return np.asarray(self.margin_mm - self.slope * np.clip(edge - np.abs(u), -0.5, self.shoulder_mm + 0.5))

    def gap(self, u: np.ndarray) -> np.ndarray:
        """Gap between casting and finish line at `u`, mm."""
        return np.where(u < 0, self.gap_mm[0], self.gap_mm[1])

    def step(self, u: np.ndarray, v: np.ndarray) -> np.ndarray:
        """How far the casting stands out beyond the tooth's outline, mm; fades from 0.9 to 1.9 mm above the margin."""
        fade = np.clip((v - self.margin_mm + 1.9) / 1.0, 0.0, 1.0)
        return np.where(u < 0, self.step_mm[0], self.step_mm[1]) * fade * fade * (3.0 - 2.0 * fade)

    def reach_mm(self, tooth: Tooth, u: float) -> float:
        """Farthest depth, either way, at which the finish line is met beside the tooth's axis at `u`, mm."""
        inside = min(abs(u) / tooth.outline(self.margin_mm), 1.0)
        chord = float(tooth.half_depth(np.array([self.margin_mm]))[0] * (1.0 - inside**ROUNDNESS) ** (1.0 / ROUNDNESS))
        return min(chord, self.box_mm / 2) if self.design == "onlay" else chord

    def covers(self, z: float, half_depth: float) -> tuple[bool, bool]:
        """Whether the axial wall of the sides u < 0 and u > 0 is cut and covered at depth `z`."""
        if self.design == "complete_crown":
            return True, True
        if self.design == "seven_eighths":
            return z > -0.45 * half_depth, z > -1.1 * half_depth
        if self.design == "three_quarter":
            return z > -0.45 * half_depth, z > -0.45 * half_depth
        return abs(z) <= self.box_mm / 2, abs(z) <= self.box_mm / 2


@dataclass
class _Sum:
    paths: dict[str, np.ndarray] = field(default_factory=dict)

    def add(self, name: str, share: np.ndarray, length_mm: float) -> None:
        self.paths[name] = self.paths.get(name, 0.0) + share.astype(np.float32) * np.float32(length_mm)

    def cover(self, name: str, share: np.ndarray) -> None:
        self.paths[name] = np.maximum(self.paths.get(name, np.float32(0.0)), share.astype(np.float32))


def molar(scale: float = 1.0) -> Tooth:
    """A molar about 10.4 mm wide at its contacts, cemento-enamel junction 5.6 mm below the cusp tips."""
    v = np.array([-1.0, 0.0, 1.0, 2.2, 3.5, 5.0, 5.8, 7.0, 9.0, 12.0, 20.0])
    a = np.array([2.6, 3.6, 4.65, 5.2, 5.0, 4.55, 4.35, 4.25, 4.1, 3.6, 2.6]) * scale
    b = np.array([2.2, 2.9, 4.1, 4.9, 5.1, 4.9, 4.6, 4.4, 4.2, 3.8, 3.0])
    return Tooth(PchipInterpolator(v, a), PchipInterpolator(v, b), _enamel(5.6), tuple(
        (cu * scale, cz, drop) for cu, cz, drop in
        ((-2.6, -2.3, 0.0), (2.5, -2.4, 0.05), (-2.5, 2.2, 0.1), (2.6, 2.1, 0.15), (-4.0, 0.6, 0.45), (4.0, -0.5, 0.5), (0.1, -2.9, 0.35))),
        5.6, 2.0 * scale, 9.4)  # fmt: skip


def premolar() -> Tooth:
    """A premolar about 7 mm wide, with one root."""
    v = np.array([-1.0, 0.0, 1.0, 2.2, 3.5, 5.0, 5.8, 7.0, 9.0, 12.0, 20.0])
    a = np.array([1.0, 1.9, 2.95, 3.5, 3.3, 2.85, 2.65, 2.5, 2.3, 1.9, 1.0])
    b = np.array([2.0, 2.7, 3.7, 4.3, 4.5, 4.3, 4.1, 4.0, 3.8, 3.4, 2.4])
    return Tooth(PchipInterpolator(v, a), PchipInterpolator(v, b), _enamel(5.4),
                 ((-0.2, -2.1, 0.0), (0.3, 2.0, 0.1), (-2.6, 0.0, 0.5), (2.7, 0.0, 0.5)), 5.4, 0.7, 99.0)  # fmt: skip


def _enamel(cej_mm: float) -> Profile:
    shape = PchipInterpolator([-1.0, 0.5, 2.2, 3.8, cej_mm - 0.7, cej_mm], [1.5, 1.5, 1.35, 1.05, 0.55, 0.0])
    return lambda v: np.where(v < cej_mm, shape(np.minimum(v, cej_mm)), 0.0)


def _section(z: float | np.ndarray, half_depth: np.ndarray) -> np.ndarray:
    inside = 1.0 - np.minimum(np.abs(z) / np.maximum(half_depth, 1e-3), 1.0) ** ROUNDNESS
    return np.asarray(inside ** (1.0 / ROUNDNESS))


def _inside(distance_mm: np.ndarray, softness_mm: np.ndarray | float) -> np.ndarray:
    return np.clip(0.5 - distance_mm / softness_mm, 0.0, 1.0)


def tooth_paths(
    tooth: Tooth, u: np.ndarray, v: np.ndarray, beam: Beam, casting: Casting | None = None
) -> Mapping[str, np.ndarray]:  # fmt: skip
    """Path lengths through one tooth, mm.

    Parameters
    ----------
    tooth : Tooth
    u, v : ndarray, shape (w,) and (h,)
        Coordinates of the pixel centres relative to the tooth's axis and its cusp tips, mm.
    beam : Beam
    casting : Casting or None

    Returns
    -------
    mapping of str to ndarray, shape (h, w)
        ``enamel``, ``dentine``, ``pulp``; with a casting ``cast_gold`` and its lute; ``tooth_cover`` and
        ``metal_cover``, the share of each pixel that a solid covers at all (0 to 1); and the outlines
        ``whole`` (tooth and casting), ``socket`` (0.2 mm around the root) and ``lamina`` (0.5 mm around it).
    """
    deepest = float(np.max(tooth.half_depth(np.linspace(0.0, 6.0, 30))))
    thick = 2.0 * deepest / beam.slices
    along = thick * np.sqrt(1.0 + beam.turn**2 + beam.tilt**2)
    total = _Sum()
    for z in (np.arange(beam.slices) + 0.5) * thick - deepest:
        _add_slice(total, tooth, casting, u[None, :] - z * beam.turn, v[:, None] - z * beam.tilt, z, thick, along, beam)
    return total.paths


def _add_slice(
    total: _Sum, tooth: Tooth, casting: Casting | None, u: np.ndarray, v: np.ndarray, z: float, thick: float, along: float, beam: Beam
) -> None:
    soft_u = beam.pixel_mm + thick * abs(beam.turn)
    soft_v = beam.pixel_mm + thick * abs(beam.tilt)
    a, b = tooth.half_width(v), tooth.half_depth(v)
    near, far = (_section(abs(z) + shift, b) for shift in (-thick / 2, thick / 2))
    s = (near + far) / 2
    soft_side = soft_u + a * np.abs(near - far)
    top = tooth.top(u, z)
    soft_top = soft_v + np.abs(tooth.top(u, z + thick / 2) - tooth.top(u, z - thick / 2))
    side = np.abs(u) - a * s
    below_top = _inside(top - v, soft_top)
    whole = _inside(side, soft_side) * below_top * _roots(tooth, u, v)
    for name, around in (("socket", 0.2), ("lamina", 0.5)):
        total.add(name, _inside(side - around, soft_side) * _roots(tooth, u, v, around) * (v > 2.0), along)
    total.add("whole", whole, along)
    kept = whole
    if casting is not None:
        kept = _add_casting(total, tooth, casting, (u, v, z), (a, s, top), (soft_side, soft_top, soft_v), whole, along)
    skin = tooth.enamel(v - 1.2 * np.minimum(z / b, 1.0) ** 2)
    core = _inside(np.abs(u) - (a - skin) * _section(z, np.maximum(b - skin, 0.05)), soft_side)
    core = core * _inside(top + 1.7 - v, soft_top)
    pulp = core * _pulp(tooth, u, v, z, beam.pixel_mm)
    total.add("enamel", kept * (1.0 - core), along)
    total.add("dentine", kept * (core - pulp), along)
    total.add("pulp", kept * pulp, along)
    total.cover("tooth_cover", kept)


def _add_casting(
    total: _Sum, tooth: Tooth, casting: Casting, at: tuple[np.ndarray, np.ndarray, float],
    shape: tuple[np.ndarray, np.ndarray, np.ndarray], soft: tuple[np.ndarray, np.ndarray, float], whole: np.ndarray, along: float,
) -> np.ndarray:  # fmt: skip
    (u, v, z), (a, s, top), (soft_side, soft_top, soft_v) = at, shape, soft
    line = casting.finish_line(tooth, u)
    axial = tooth.outline(casting.margin_mm) - casting.shoulder_mm - 0.07 * (casting.margin_mm - v)
    left, right = casting.covers(z, float(tooth.half_depth(np.array([2.2]))[0]))
    if casting.design != "onlay":
        axial = axial * _section(z, tooth.half_depth(np.array([casting.margin_mm])) - casting.shoulder_mm)
    wall = _inside(np.abs(u) - axial, soft_side) * (axial > 0.05)
    wall = np.where(np.where(u < 0, left, right), wall, 1.0)
    floor = top + 1.4
    if casting.design == "onlay" and abs(z) < 1.4:
        floor = np.maximum(floor, np.minimum(3.0, casting.margin_mm - 0.7))
    uncut = wall * _inside(floor - v, soft_top)
    above_tooth, above_casting = _inside(v - line, soft_v), _inside(v - (line - casting.gap(u)), soft_v)
    reach = _inside(np.abs(u) - (a + casting.step(u, v)) * s, soft_side) * _inside(top - v, soft_top)
    metal = reach * (1.0 - uncut) * above_casting
    lute = whole * (1.0 - uncut) * np.maximum(above_tooth - above_casting, 0.0)
    total.add("cast_gold", metal, along)
    total.cover("metal_cover", metal)
    total.add(casting.lute, lute, along)
    return np.asarray(whole * (1.0 - (1.0 - uncut) * above_tooth))


def _roots(tooth: Tooth, u: np.ndarray, v: np.ndarray, around_mm: float = 0.0) -> np.ndarray:
    """The hollow between two roots, 0 where bone fills it."""
    below = v - tooth.furcation_mm - around_mm
    return 1.0 - _inside(np.abs(u) - 0.75 * np.sqrt(np.maximum(below, 0.0)) + around_mm, 0.08) * (below > 0)


def _pulp(tooth: Tooth, u: np.ndarray, v: np.ndarray, z: float, pixel_mm: float) -> np.ndarray:
    """Chamber with two horns, and canals."""
    w = tooth.pulp_width
    across = 1.0 - (abs(z) / 2.0) ** 2
    if across <= 0.0:
        return np.zeros((v.size, u.size), dtype=np.float32)
    chamber = ((np.abs(u) / (w * across**0.5)) ** 3 + (np.abs(v - 5.9) / 1.1) ** 3) ** (1 / 3) - 1.0
    horn = np.hypot((np.abs(u) - 0.75 * w) / 0.4, (v - 5.0) / 1.25) - 1.0
    canal = np.where(v > 5.9, (np.abs(np.abs(u) - (0.75 * w + 0.10 * (v - 6.0) * (w > 1.0))) - 0.24 * across) / 0.3, 9.0)
    return _inside(np.minimum(np.minimum(chamber, horn), canal) * 0.4, 0.12 + pixel_mm)
