"""From log odds of every pixel to the parts that are called metal, and how much is left undecided."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from audit.imaging.metal_region import LEAST_PIXELS
from audit.imaging.working_grid import Grid

__all__ = ["UNDECIDED", "Decision", "coherent", "decide", "doubt"]

UNDECIDED = (0.08, 0.92)
"""Probabilities of metal between which a pixel is undecided."""
_BESIDE = (5, 5)
"""What touches a patch so nearly belongs to it."""
_LEAST_SHARE = 0.003
_MOST_FILLED = 0.04
_SLIVER, _DARK = 0.025, -1.5
"""Share of the outline below which a component is a sliver; ln Y over the enamel below which it is a shadow."""


@dataclass(frozen=True)
class Decision:
    """What of the working grid is called metal.

    Parameters
    ----------
    accepted : ndarray of bool, shape (h, w)
    variance : float
        Of the area from what was filled and from dark slivers, working pixels squared.
    rest : float
        Probability-weighted area that was not accepted, working pixels.
    """

    accepted: np.ndarray
    variance: float
    rest: float


def coherent(logit: np.ndarray, linear: np.ndarray, inside: np.ndarray) -> np.ndarray:
    """Log odds smoothed where the picture is smooth (guided filter, He et al. 2013, doi:10.1109/TPAMI.2012.213)."""
    guide = np.sqrt(linear.mean(axis=-1)).astype(np.float32)
    mask = inside.astype(np.float32)
    value = np.clip(logit, -6.0, 6.0)
    window = (7, 7)

    def mean(field_: np.ndarray) -> np.ndarray:
        return np.asarray(cv2.boxFilter(field_ * mask, -1, window, normalize=False) / count)

    count = np.maximum(cv2.boxFilter(mask, -1, window, normalize=False), 1.0)
    mean_guide, mean_value = mean(guide), mean(value)
    slope = (mean(guide * value) - mean_guide * mean_value) / (mean(guide * guide) - mean_guide**2 + np.float32(1e-3))
    offset = mean_value - slope * mean_guide
    return np.where(inside, mean(slope) * guide + mean(offset), -9.0).astype(np.float32)


def decide(probability: np.ndarray, grid: Grid, above: np.ndarray, told: np.ndarray) -> Decision:
    """Components that are metal.

    A sliver that is dark throughout may be metal that mirrors the throat, or the throat itself beside
    an outline drawn too wide; nothing in the photo tells them apart, so it is not called metal. `above` is ln Y over the enamel,
    `told` where a reader said that it is metal: what touches that is.
    """
    total = np.count_nonzero(grid.inside)
    count, labels, stats, _ = cv2.connectedComponentsWithStats((probability > 0.5).astype(np.uint8), connectivity=8)
    accepted = np.zeros(probability.shape, dtype=bool)
    rest, dark = 0.0, 0.0
    least = max(LEAST_PIXELS, _LEAST_SHARE * total)
    for label in range(1, count):
        part = labels == label
        area = float(stats[label, cv2.CC_STAT_AREA])
        sure = float(np.mean(probability[part] > 0.9))
        mean = float(probability[part].mean())
        shadow = area < _SLIVER * total and float(np.quantile(above[part], 0.75)) < _DARK
        if (area >= least and sure > 0.3 and mean > 0.75 and not shadow) or told[part].any():
            accepted |= part
        else:
            rest += area * mean
            dark += (0.5 * area) ** 2 if shadow else 0.0
    filled, variance = _fill(accepted, probability, grid.inside, _MOST_FILLED * total)
    return Decision(filled, variance + dark, rest)


def doubt(probability: np.ndarray, border: np.ndarray) -> float:
    """Variance of the area from undecided pixels: those that touch are wrong together, patches apart are independent.

    `border` is where the border of the metal is known from the picture at full size; what is undecided there and nowhere beside it
    is the border's own uncertainty and does not count again.
    """
    low, high = UNDECIDED
    patch = (probability > low) & (probability < high) & ~border
    beside = cv2.dilate(patch.astype(np.uint8), np.ones(_BESIDE, np.uint8)) > 0
    probability = np.where(border & ~beside, 0.0, probability)
    _, labels = cv2.connectedComponents(((probability > low) & (probability < high)).astype(np.uint8), connectivity=8)
    sd = np.bincount(labels.ravel(), weights=np.sqrt(probability * (1.0 - probability)).ravel())
    return float(np.sum(sd[1:] ** 2))


def _fill(accepted: np.ndarray, probability: np.ndarray, inside: np.ndarray, most: float) -> tuple[np.ndarray, float]:
    """Small remnants that only metal and the outline enclose are reflections in it; and the variance that this adds."""
    if not accepted.any():
        return accepted, 0.0
    count, labels, stats, _ = cv2.connectedComponentsWithStats((inside & ~accepted).astype(np.uint8), connectivity=4)
    main = 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA])) if count > 1 else 0
    filled, variance = accepted.copy(), 0.0
    for label in range(1, count):
        area = float(stats[label, cv2.CC_STAT_AREA])
        if label == main or area > most:
            continue
        part = labels == label
        doubt = 1.0 - float(probability[part].mean())
        filled |= part
        variance += (0.5 * doubt * area) ** 2
    return filled, variance
