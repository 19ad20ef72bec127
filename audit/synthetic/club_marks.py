"""The outline of metal as a reader would confirm it: the true one, off by a steady hand."""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.ndimage import label

from audit.core.annotations import parse_annotations
from audit.errors import AnnotationError
from audit.imaging.sample import resample_polyline
from audit.imaging.smooth import gaussian, outline

__all__ = ["confirmed_metal"]

_SOFT_PX, _REACH_PX, _STEP_PX = 1.5, 6.0, 4.0
_LEAST_PX = 40


def confirmed_metal(mask: np.ndarray, hand_px: float, rng: np.random.Generator, seen_in: str) -> dict[str, Any] | None:
    """A `metal` feature traced round `mask`, or ``None`` where nothing can be traced.

    Parameters
    ----------
    mask : ndarray of bool, shape (height, width)
    hand_px : float
        Standard deviation of the outline's offset, pixels; it wanders over some six pixels.
    seen_in : str
        ``direct`` or ``mirror``.

    Notes
    -----
    The outline is a level of the softened mask plus noise near its border, so it cannot cross itself. A
    softened step rises by ``1 / (sqrt(2 pi) sigma)`` a pixel, which turns pixels of offset into noise.
    """
    soft = gaussian(mask.astype(np.float32), _SOFT_PX)
    noise = gaussian(rng.standard_normal(mask.shape), _REACH_PX)
    slope = 1.0 / (np.sqrt(2 * np.pi) * _SOFT_PX)
    field = soft + 4.0 * soft * (1.0 - soft) * (hand_px * slope / float(noise.std())) * noise
    pieces, count = label(field >= 0.5)
    large = [n for n in range(1, count + 1) if np.count_nonzero(pieces == n) >= _LEAST_PX]
    rings = [_ring(np.where((pieces == n) | (pieces == 0), field, 0.0)) for n in large]
    feature = {
        "type": "Feature",
        "geometry": {"type": "MultiPolygon", "coordinates": [[ring] for ring in rings]},
        "properties": {"role": "metal", "source": "reader", "seen_in": seen_in},
    }
    try:
        parse_annotations({"type": "FeatureCollection", "features": [feature]})
    except AnnotationError:
        return None
    return feature


def _ring(field: np.ndarray) -> list[list[float]]:
    inside = np.clip(resample_polyline(outline(field), _STEP_PX)[:-1], 0.0, np.array(field.shape[::-1]) - 1.0)
    ring = [[round(float(x), 1), round(float(y), 1)] for x, y in inside]
    return [*ring, ring[0]]
