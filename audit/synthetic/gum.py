"""The gingival margin as a scalloped line, and the gingiva as a surface over the necks of the teeth."""

from __future__ import annotations

import numpy as np

from audit.synthetic.crown import Row
from audit.synthetic.texture import TILE, ripples

__all__ = ["gum_height", "gum_line"]


PAPILLA_MM = 0.55
"""Half width over which the tip of a papilla is rounded."""


def gum_line(row: Row, x: np.ndarray, recession_mm: float) -> np.ndarray:
    """y of the gingival margin over x, mm; recession acts on the audited tooth."""
    y = np.full(x.shape, -99.0)
    for index, crown in enumerate(row.crowns):
        s = np.clip(np.abs(x - crown.x_mm) / (0.5 * crown.width_mm), 0.0, 1.0)
        apex = crown.neck_mm + 0.75
        papilla = crown.neck_mm + 0.40 * crown.height_mm
        line = apex + (papilla - apex) * (s**2.8 - 0.10 * s**12)
        if index == row.audited:
            line = line - recession_mm * (1.0 - s**4)
        y = np.where(np.abs(x - crown.x_mm) <= 0.5 * crown.width_mm + 0.02, line, y)
    edge = row.crowns[-1].x_mm - 0.5 * row.crowns[-1].width_mm
    y = np.where(y < -98.0, np.where(x < edge, row.crowns[-1].neck_mm + 3.2, row.crowns[0].neck_mm + 1.0), y)
    contacts = [c.x_mm + side * c.width_mm / 2 for c in row.crowns for side in (-1, 1)]
    blunt = np.clip(PAPILLA_MM - np.min([np.abs(x - contact) for contact in contacts], axis=0), 0.0, None)
    return np.asarray(y - 1.1 * blunt**2)


def gum_height(x: np.ndarray, y: np.ndarray, into: np.ndarray, near: np.ndarray, far: np.ndarray, seed: int) -> np.ndarray:
    """z of the gingiva, mm.

    Parameters
    ----------
    x, y : ndarray, shape (rows, columns)
    into : ndarray
        Distance into the gingiva from its margin, mm.
    near, far : ndarray
        Height of the teeth beneath, smoothed a little and a lot, mm.
    """
    d = np.maximum(into, 0.0)
    lumps = ripples(seed, 2, 6)[..., 0]
    tile = lumps[(y * 9).astype(int) % TILE, (x * 9).astype(int) % TILE]
    roll = 0.60 * (1.0 - np.exp(-d / 0.32)) - 0.10 * np.clip(d - 1.2, 0.0, 3.0)
    fold = -0.045 * np.clip(d - 5.0, 0.0, None) ** 2 + 0.08 * tile * np.clip(d / 2.0, 0.0, 1.0)
    deep = np.clip(d / 2.2, 0.0, 1.0)
    near = np.log(np.exp(near / 0.35) + np.exp(-1.9 / 0.35)) * 0.35
    base = near + deep * deep * (3.0 - 2.0 * deep) * (np.maximum(far, -1.6) + 0.5 - near)
    return np.asarray(base + roll + fold)
