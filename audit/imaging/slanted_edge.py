"""Blur of a flat reference from its own straight edges, in linear light."""

from __future__ import annotations

import math

import numpy as np

from audit.core.quantity import Quantity
from audit.core.reference_strip import slanted_edges
from audit.imaging.colour import luminance
from audit.imaging.edges import edge_line
from audit.imaging.pattern_fit import PatternFit
from audit.imaging.sample import sample_linear
from audit.imaging.strip import Strip

__all__ = ["edge_blur", "strip_blur"]


def strip_blur(pixels: np.ndarray, fit: PatternFit, name: str) -> Quantity | None:
    """Gaussian-equivalent blur at the strip, pixels, from the slanted edges that are seen; ``None`` where none is clear.

    `name` is that of the source of its uncertainty.
    """
    found = [edge_blur(pixels, fit.to_px(edge)) for edge in slanted_edges()]
    clear = np.array([sigma for sigma in found if sigma is not None])
    if len(clear) < 2:
        return None
    middle = float(np.median(clear))
    scatter = 1.2533 * float(np.std(clear, ddof=1)) / math.sqrt(len(clear))
    return Quantity(middle, "px", {name: max(scatter, 0.05 * middle)})


def edge_blur(pixels: np.ndarray, ends: np.ndarray) -> float | None:
    """Gaussian-equivalent blur of one straight edge between two image points, pixels; ``None`` where it is not clear."""
    along = ends[1] - ends[0]
    length = float(np.hypot(*along))
    half, reach = 0.36 * length, float(np.clip(0.22 * length, 3.0, 12.0))
    if half < 5.0:
        return None
    x, y = ends.mean(axis=0)
    across = Strip(float(x), float(y), math.atan2(along[1], along[0]) + math.pi / 2)
    s, t = np.arange(-1.3 * reach, 1.3 * reach + 0.25, 0.5), np.arange(-half, half + 0.5)
    values = luminance(sample_linear(pixels, across.image(s[None, :], t[:, None]), cubic=True))
    if not np.isfinite(values).all():
        return None
    edge = edge_line(values, s, t, reach, 1)
    return None if edge is None or edge.rms_px > 0.5 else edge.sigma_px
