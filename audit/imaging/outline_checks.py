"""Whether an outline holds one tooth and nothing else, by what its pixels look like."""

from __future__ import annotations

import cv2
import numpy as np

from audit.imaging.enamel import log_colour

__all__ = ["gum_colour", "gum_share", "holds_two_teeth"]

_GUM_RED, _GUM_LIGHT = 0.45, 0.05
"""ln(R/G) and Y of gingiva at least: the throat is as red and darker, teeth are lighter and less red."""
_GUM_BLUE = 0.30
"""ln(G/B) of gingiva at most: gold that mirrors it is as red and far less blue."""
_VALLEY = 0.12
"""How much darker (ln Y) a line between two teeth is than the teeth on both sides of it, at least."""
_FLANKS = (0.04, 0.08, 0.14)
"""How far aside the teeth are looked at, shares of the outline's width: contacts are narrow, the gaps beyond them wide."""
_THROUGH, _BETWEEN, _BROAD = 0.88, (0.2, 0.8), 1.15
"""Share of the height that such a line runs through, where across the outline it may lie, and width over height at least."""


def gum_colour(linear: np.ndarray) -> np.ndarray:
    """Which pixels have the colour of gingiva, bool (h, w), of linear light (h, w, 3)."""
    light, red_green, green_blue = log_colour(linear)
    return np.asarray((red_green > _GUM_RED) & (light > np.log(_GUM_LIGHT)) & (green_blue < _GUM_BLUE))


def gum_share(linear: np.ndarray, inside: np.ndarray) -> float:
    """Share of an outline that is one piece of gingiva at its border, 0 to 1."""
    gum = cv2.morphologyEx((gum_colour(linear) & inside).astype(np.uint8), cv2.MORPH_OPEN, np.ones((5, 5), np.uint8))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(gum, connectivity=8)
    rim = inside & ~(cv2.erode(inside.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0)
    at_border = [stats[k, cv2.CC_STAT_AREA] for k in range(1, count) if rim[labels == k].any()]
    return float(max(at_border, default=0)) / max(float(np.count_nonzero(inside)), 1.0)


def holds_two_teeth(above: np.ndarray, tooth: np.ndarray, inside: np.ndarray) -> bool:
    """Whether a dark line runs through the outline from end to end, with tooth on both sides of it.

    Parameters
    ----------
    above : ndarray, shape (h, w)
        ln Y over the enamel.
    tooth, inside : ndarray of bool, shape (h, w)
        What does not look like metal; the outline.
    """
    columns, rows = (np.flatnonzero(inside.any(axis=axis)) for axis in (0, 1))
    left, width = int(columns[0]), len(columns)
    low, high = (left + round(share * width) for share in _BETWEEN)
    whole = np.flatnonzero(inside[:, low:high].all(axis=1))
    if len(whole) < 8 or width < _BROAD * len(rows):
        return False
    light = cv2.blur(np.where(tooth & inside, np.clip(above, -2.0, 0.3), -9.0).astype(np.float32), (3, 3))
    plain = cv2.blur(np.clip(above, -2.0, 0.3).astype(np.float32), (3, 3))
    dark = np.zeros(inside.shape, dtype=np.uint8)
    for flank in (max(3, round(share * width)) for share in _FLANKS):
        sides = np.minimum(np.roll(light, flank, axis=1), np.roll(light, -flank, axis=1))
        dark |= (sides - plain > _VALLEY).astype(np.uint8)
    line = np.asarray(cv2.dilate(dark, np.ones((3, 3), np.uint8)))[whole[0] : whole[-1] + 1, low:high]
    _, labels = cv2.connectedComponents(line, connectivity=8)
    spans = [np.ptp(np.flatnonzero((labels == k).any(axis=1))) for k in range(1, int(labels.max()) + 1)]
    return bool(max(spans, default=0) > _THROUGH * len(whole))
