"""The annotations a careful hand would make on a drawn photo."""

from __future__ import annotations

from typing import Any

import numpy as np

from audit.imaging.sample import resample_polyline

TRIES = 20

__all__ = ["feature", "hand_line", "hand_polygon"]


def feature(role: str, geometry: dict[str, Any] | None, **properties: Any) -> dict[str, Any]:
    """One GeoJSON feature; properties of ``None`` are left out."""
    kept = {name: value for name, value in properties.items() if value is not None}
    return {"type": "Feature", "geometry": geometry, "properties": {"role": role, **kept}}


def hand_line(xy: np.ndarray, step_px: float, hand_px: float, rng: np.random.Generator, size_px: tuple[int, int]) -> dict[str, Any]:
    """A LineString traced along `xy` with a click every `step_px`, each off by `hand_px` (standard deviation)."""
    clicks = resample_polyline(xy, step_px)
    return {"type": "LineString", "coordinates": _points(clicks + hand_px * rng.standard_normal(clicks.shape), size_px)}


def hand_polygon(xy: np.ndarray, step_px: float, hand_px: float, rng: np.random.Generator, size_px: tuple[int, int]) -> dict[str, Any]:
    """A Polygon traced round the closed line `xy`; a trace that crosses itself is drawn again, at last without jitter."""
    clicks = resample_polyline(xy, step_px)[:-1]
    for spread in (*(hand_px,) * (TRIES if hand_px > 0 else 0), 0.0):
        ring = _points(clicks + spread * rng.standard_normal(clicks.shape), size_px)
        if spread == 0 or not _crosses_itself(np.array(ring)):
            break
    return {"type": "Polygon", "coordinates": [[*ring, ring[0]]]}


def _crosses_itself(ring: np.ndarray) -> bool:
    """Whether any two sides of a closed ring, shape (n, 2), cross."""
    start, end = ring, np.roll(ring, -1, axis=0)

    def side(a: np.ndarray, b: np.ndarray, c: np.ndarray) -> np.ndarray:
        turn = (b[..., 0] - a[..., 0]) * (c[..., 1] - a[..., 1]) - (b[..., 1] - a[..., 1]) * (c[..., 0] - a[..., 0])
        return np.asarray(np.sign(turn))

    p, q = start[:, None], end[:, None]
    r, s = start[None], end[None]
    crossing = (side(p, q, r) * side(p, q, s) < 0) & (side(r, s, p) * side(r, s, q) < 0)
    return bool(crossing.any())


def _points(xy: np.ndarray, size_px: tuple[int, int]) -> list[list[float]]:
    inside = np.clip(xy, 0.0, np.array(size_px) - 1.0)
    return [[round(float(a), 3), round(float(b), 3)] for a, b in inside]
