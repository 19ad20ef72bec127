"""Digits engraved on a rule, drawn as strokes."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from audit.imaging.sample import look_up
from audit.imaging.smooth import gaussian

__all__ = ["digits_texture"]

PER_MM = 40
HEIGHT_MM, WIDTH_MM, STROKE_MM = 2.0, 1.15, 0.24
# strokes on a 2 x 4 lattice (x 0..2, y 0..4 downwards)
STROKES = {
    "1": ((0.4, 1, 1.2, 0), (1.2, 0, 1.2, 4)),
    "2": ((0, 0.8, 0.8, 0), (0.8, 0, 2, 0.8), (2, 0.8, 1.8, 1.8), (1.8, 1.8, 0, 4), (0, 4, 2, 4)),
    "3": ((0, 0, 2, 0), (2, 0, 1, 1.7), (1, 1.7, 2, 2.8), (2, 2.8, 1.2, 4), (1.2, 4, 0, 3.6)),
    "4": ((1.5, 0, 0, 2.8), (0, 2.8, 2, 2.8), (1.5, 0, 1.5, 4)),
    "5": ((2, 0, 0.2, 0), (0.2, 0, 0, 1.8), (0, 1.8, 1.4, 1.6), (1.4, 1.6, 2, 2.8), (2, 2.8, 1.2, 4), (1.2, 4, 0, 3.7)),
    "6": ((1.6, 0, 0, 2.4), (0, 2.4, 0.6, 4), (0.6, 4, 2, 3.2), (2, 3.2, 1.4, 2), (1.4, 2, 0.1, 2.6)),
}  # fmt: skip


@lru_cache(maxsize=1)
def _strip() -> np.ndarray:
    """Ink of the centimetre figures 1 to 6, one every 10 mm, shape (rows, columns)."""
    rows, columns = round(HEIGHT_MM * PER_MM), 70 * PER_MM
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float32) / PER_MM
    ink = np.zeros((rows, columns), np.float32)
    for digit in "123456":
        left = 10.0 * int(digit) - 0.5 * WIDTH_MM
        for x0, y0, x1, y1 in STROKES[digit]:
            p = np.array([left + x0 * WIDTH_MM / 2, y0 * HEIGHT_MM / 4 * 0.88 + 0.12])
            q = np.array([left + x1 * WIDTH_MM / 2, y1 * HEIGHT_MM / 4 * 0.88 + 0.12])
            along = np.clip(((x - p[0]) * (q - p)[0] + (y - p[1]) * (q - p)[1]) / ((q - p) @ (q - p)), 0, 1)
            away = np.hypot(x - p[0] - along * (q - p)[0], y - p[1] - along * (q - p)[1])
            ink = np.maximum(ink, np.clip((STROKE_MM / 2 - away) * PER_MM + 0.5, 0, 1))
    ink = np.pad(gaussian(ink, 0.5), 1)
    ink.setflags(write=False)
    return ink


def digits_texture(along_mm: np.ndarray, across_mm: np.ndarray, top_mm: float) -> np.ndarray:
    """Ink (0 to 1) of the figures at positions on the rule, shape (n,)."""
    x, y = along_mm * PER_MM + 1, (across_mm - top_mm) * PER_MM + 1
    return look_up(_strip(), np.clip(x, 0, None).astype(np.float32), y.astype(np.float32))
