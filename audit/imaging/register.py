"""How one photograph of a tooth lies against another of the same view: for carrying marks over as proposals, never for measuring."""

from __future__ import annotations

import cv2
import numpy as np

__all__ = ["carried", "similarity"]

_LONGEST_PX = 1400.0
_FEATURES, _CONTRAST = 4000, 0.02
_RATIO = 0.8  # of the best to the second best match; Lowe 2004, https://doi.org/10.1023/B:VISI.0000029664.99615.94
_REACH_PX = 6.0
_LEAST_AGREEING, _LARGEST_SCALE = 12, 2.0
_ROOM = 0.6  # of the tooth's size, round it, in which features are taken


Parts = list[list[list[float]]]


def carried(first: np.ndarray, other: np.ndarray, parts: Parts) -> Parts | None:
    """Lines on the tooth in the first photo at their places in the other, cut to its frame; ``None`` where too little agrees.

    Parameters
    ----------
    first, other : ndarray of uint8, shape (height, width, 3)
        As they are shown.
    parts : list of list of pair
        Positions in the first photo, full-resolution pixels.
    """
    points = [np.asarray(part, dtype=float) for part in parts if part]
    by = similarity(first, other, np.vstack(points)) if points else None
    if by is None:
        return None
    limits = np.array(other.shape[1::-1]) - 0.5
    return [np.clip(part @ by[:, :2].T + by[:, 2], -0.5, limits).round(3).tolist() for part in points]


def similarity(first: np.ndarray, other: np.ndarray, tooth: np.ndarray) -> np.ndarray | None:
    """Turn, scale and shift that bring the first photo to the other, shape (2, 3).

    Notes
    -----
    Only what lies near the tooth in the first photo is compared, so that a reference that was put elsewhere does not pull.
    """
    low, high = tooth.min(axis=0), tooth.max(axis=0)
    room = _ROOM * (high - low)
    mask = np.zeros(first.shape[:2], np.uint8)
    left, top = np.maximum(0, np.floor(low - room)).astype(int)
    right, bottom = np.ceil(high + room).astype(int)
    mask[top:bottom, left:right] = 255
    at, words = _features(first, mask)
    to, others = _features(other, None)
    if min(len(at), len(to)) < _LEAST_AGREEING:
        return None
    pairs = cv2.BFMatcher().knnMatch(words, others, k=2)
    good = [one for one, second in pairs if one.distance < _RATIO * second.distance]
    if len(good) < _LEAST_AGREEING:
        return None
    source, target = at[[one.queryIdx for one in good]], to[[one.trainIdx for one in good]]
    reach = _REACH_PX * max(1.0, max(other.shape[:2]) / _LONGEST_PX)
    found, agreeing = cv2.estimateAffinePartial2D(source, target, ransacReprojThreshold=reach, maxIters=4000)
    if found is None or int(np.sum(agreeing)) < _LEAST_AGREEING:
        return None
    scale = float(np.hypot(found[0, 0], found[1, 0]))
    return np.asarray(found, dtype=float) if 1 / _LARGEST_SCALE < scale < _LARGEST_SCALE else None


def _features(rgb: np.ndarray, mask: np.ndarray | None) -> tuple[np.ndarray, np.ndarray]:
    """Positions of features in full-resolution pixels, shape (n, 2), and what they look like, shape (n, 128)."""
    factor = max(1.0, max(rgb.shape[:2]) / _LONGEST_PX)
    size = (round(rgb.shape[1] / factor), round(rgb.shape[0] / factor))
    grey = cv2.cvtColor(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), cv2.COLOR_RGB2GRAY)
    small = None if mask is None else cv2.resize(mask, size, interpolation=cv2.INTER_NEAREST)
    points, words = cv2.SIFT.create(_FEATURES, contrastThreshold=_CONTRAST).detectAndCompute(grey, small)
    if words is None:
        return np.zeros((0, 2)), np.zeros((0, 128), np.float32)
    at = (np.array([point.pt for point in points]) + 0.5) * factor - 0.5
    return at, np.asarray(words, dtype=np.float32)
