"""What is true of a drawn bitewing, and what a reader would mark on it."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from audit.synthetic.posterior import Casting, Tooth
from audit.synthetic.xray import Exposure

__all__ = ["annotate", "describe"]

HAND_MM = 0.05
"""Standard deviation of a reader's trace and landmarks, mm; common practice, no published source."""
CALIPER_MM = 0.05
SURFACES = ("mesial", "distal")


def describe(bitewing: Any, exposure: Exposure, tooth: Tooth, casting: Casting) -> dict[str, Any]:
    """Truth of the scene, JSON types; each measurand has one value a surface.

    Notes
    -----
    ``measurands`` holds what this beam shows: a straight gap g over a path L is open to it by
    ``max(0, g cos t - L sin t)``; ``normal_view`` what a beam along the finish line would show.
    """
    tilt = math.radians(abs(exposure.tilt_deg))
    path = {name: _path_mm(bitewing, tooth, casting, name) for name in SURFACES}
    gap = dict(zip(SURFACES, map(float, bitewing.gap_um), strict=True))
    shown = {name: max(0.0, gap[name] * math.cos(tilt) - 1000.0 * path[name] * math.sin(tilt)) for name in SURFACES}
    same = {
        "radiographic_step": dict(zip(SURFACES, map(float, bitewing.step_um), strict=True)),
        "margin_to_crest": {name: math.dist(*_crest_pair(bitewing, tooth, casting, name)) for name in SURFACES},
    }
    return {
        "schema": 1,
        "seed": bitewing.seed,
        "view": "bitewing",
        "mm_per_px": exposure.mm_per_px,
        "mm_per_px_along_reference": exposure.mm_per_px,
        "blur_sigma_px": exposure.blur_px,
        "pose": {"tilt_deg": exposure.tilt_deg, "turn_deg": exposure.turn_deg, "magnification": exposure.magnification},
        "bound": bitewing.bound,
        "lute": bitewing.lute,
        "path_mm": path,
        "measurands": {"radiographic_gap_width": shown, "widest_radiographic_gap": shown, **same},
        "normal_view": {"radiographic_gap_width": gap, "widest_radiographic_gap": gap, **same},
    }


def annotate(bitewing: Any, exposure: Exposure, tooth: Tooth, casting: Casting) -> dict[str, Any]:
    """Marks of a reader with an unsteady hand, as a GeoJSON FeatureCollection."""
    rng = np.random.default_rng([bitewing.seed, exposure.seed, 7])
    features = [_reference(bitewing, exposure, tooth, casting, rng)]
    for name in SURFACES:
        margin, crest = _crest_pair(bitewing, tooth, casting, name)
        features.append(_site(bitewing, exposure, tooth, casting, name, rng))
        for role, at in (("restoration_margin", margin), ("alveolar_crest", crest)):
            spot = _to_px(bitewing, exposure, np.array([at]) + rng.normal(0.0, HAND_MM, (1, 2)))[0]
            features.append(_feature(role, "Point", spot.tolist(), surface=name, u_mm=HAND_MM))
    inside = [f for f in features if _visible(f["geometry"], exposure)]
    return {"type": "FeatureCollection", "modality": "radiograph", "view": "bitewing", "reader": "synthetic",
            "design": bitewing.design, "features": inside}  # fmt: skip


def _side(bitewing: Any, surface: str) -> float:
    return -1.0 if (surface == "mesial") == bitewing.mesial_left else 1.0


def _of(pair: tuple[float, float], surface: str) -> float:
    return pair[SURFACES.index(surface)]


def _path_mm(bitewing: Any, tooth: Tooth, casting: Casting, surface: str) -> float:
    """Path of the beam through the gap, half a millimetre inside the outline of the tooth."""
    depth = float(tooth.half_depth(np.array([casting.margin_mm]))[0])
    z = np.linspace(-depth, depth, 400)
    wide = np.array([tooth.outline(casting.margin_mm, float(at)) for at in z])
    side = 0 if _side(bitewing, surface) < 0 else 1
    open_here = [casting.covers(float(at), depth)[side] for at in z]
    return float(np.mean((wide > wide.max() - 0.5) & open_here) * 2 * depth)


def _crest_pair(bitewing: Any, tooth: Tooth, casting: Casting, surface: str) -> tuple[tuple[float, float], tuple[float, float]]:
    """Outer end of the finish line and the bone crest beside the root, mm."""
    side = _side(bitewing, surface)
    crest_v = casting.margin_mm + _of(bitewing.crest_mm, surface)
    levels = [casting.margin_mm + c for c in (bitewing.crest_mm if bitewing.mesial_left else bitewing.crest_mm[::-1])]
    u = side * (tooth.outline(crest_v) + 0.45)
    crest = float(np.interp(u, [-5.2, 5.2], levels))
    return (side * tooth.outline(casting.margin_mm), casting.margin_mm), (u, crest)


def _to_px(bitewing: Any, exposure: Exposure, uv_mm: np.ndarray) -> np.ndarray:
    moved = (uv_mm - np.array(exposure.centre_mm)) * np.array([1.0, -1.0 if bitewing.upper else 1.0])
    return np.asarray(moved / exposure.mm_per_px + np.array([exposure.width_px - 1, exposure.height_px - 1]) / 2)


def _site(bitewing: Any, exposure: Exposure, tooth: Tooth, casting: Casting, surface: str, rng: np.random.Generator) -> dict[str, Any]:
    """The interface from its outer end (at the interdental space) to shortly before the axial wall."""
    side, edge = _side(bitewing, surface), tooth.outline(casting.margin_mm)
    inner = casting.shoulder_mm - 0.15 if bitewing.bound == "dentine" else min(casting.shoulder_mm - 0.15, 0.85)
    u = side * np.linspace(edge - 0.03, edge - inner, 7)
    v = casting.finish_line(tooth, u) + np.array([_seen_mm(bitewing, exposure, tooth, casting, surface, float(at)) for at in u])
    uv = np.stack([u, v], axis=1) + rng.normal(0.0, HAND_MM * 0.6, (1, 2)) + rng.normal(0.0, HAND_MM * 0.4, (7, 2))
    line = _to_px(bitewing, exposure, uv).round(2).tolist()
    return _feature("fit_site", "LineString", line, surface=surface, bound=bitewing.bound)


def _seen_mm(bitewing: Any, exposure: Exposure, tooth: Tooth, casting: Casting, surface: str, u: float) -> float:
    """Where this beam shows the interface, below the finish line: the slot's middle, or the lowest metal in front of or behind it."""
    gap = _of(bitewing.gap_um, surface) / 1000.0
    return max(-gap / 2, casting.reach_mm(tooth, u) * abs(math.tan(math.radians(exposure.tilt_deg))) - gap)


def _reference(bitewing: Any, exposure: Exposure, tooth: Tooth, casting: Casting, rng: np.random.Generator) -> dict[str, Any]:
    if bitewing.sphere:
        angle = np.linspace(0.0, 2 * np.pi, 33)[:-1]
        ring = np.stack([7.9 + 2.0 * np.cos(angle), 1.4 + 2.0 * np.sin(angle)], axis=1) + rng.normal(0.0, 0.02, (32, 2))
        points = _to_px(bitewing, exposure, ring).round(2).tolist()
        return _feature("reference", "Polygon", [[*points, points[0]]], kind="disc", diameter_mm=4.0)
    half = tooth.outline(2.2)
    ends = np.array([[-half, 2.2], [half, 2.2]]) + rng.normal(0.0, 0.012, (2, 2))
    length = 2 * half + float(rng.normal(0.0, CALIPER_MM))
    return _feature("reference", "LineString", _to_px(bitewing, exposure, ends).round(2).tolist(),
                    kind="known_length", length_mm=round(length, 3), u_mm=CALIPER_MM)  # fmt: skip


def _feature(role: str, shape: str, coordinates: list[Any], **properties: Any) -> dict[str, Any]:
    return {"type": "Feature", "properties": {"role": role, **properties}, "geometry": {"type": shape, "coordinates": coordinates}}


def _visible(geometry: dict[str, Any], exposure: Exposure) -> bool:
    points = np.asarray(geometry["coordinates"], dtype=float).reshape(-1, 2)
    return bool((points >= 1).all() and (points <= np.array([exposure.width_px - 2, exposure.height_px - 2])).all())
