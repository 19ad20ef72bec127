"""How the tooth of one photo lies against the same tooth on another: turned and shifted, never stretched.

The scale of each photo comes from its own reference and is not touched. The pose serves pictures that are looked at side by side;
nothing is measured with it.

Notes
-----
Both photos are shown at one scale with the tooth in the middle, and the turn and shift are found that bring the correlation of their
grey values to its highest (enhanced correlation coefficient). A mirror of metal changes with every light, so pixels alone are not
believed: the lines that the reader marked on both photos must meet as well. The limits are common practice, no published source.

References
----------
Evangelidis & Psarakis, IEEE Trans Pattern Anal Mach Intell 2008;30:1858-1865. https://doi.org/10.1109/TPAMI.2008.113
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

__all__ = ["ALIGN_PX_PER_MM", "Pose", "pose_between"]

ALIGN_PX_PER_MM = 12.0
LARGEST_TURN_DEG, LARGEST_SHIFT_MM = 25.0, 2.0
LEAST_CORRELATION = 0.6
LARGEST_DISTANCE_MM = 0.35  # between lines marked on both, on average
_BLUR_MM = 0.25
_STEPS = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 60, 1e-4)


@dataclass(frozen=True)
class Pose:
    """Turn and shift, about the middle of the tooth, that bring a photo to lie as another does.

    Parameters
    ----------
    turn_rad : float
        Direction, on this photo, of the other's x axis; x right, y down.
    shift_mm : tuple of float
        Where, on this photo and from the middle of its tooth, the middle of the other's picture lies.
    """

    turn_rad: float = 0.0
    shift_mm: tuple[float, float] = (0.0, 0.0)


def pose_between(
    first: np.ndarray, other: np.ndarray, first_lines_mm: Sequence[np.ndarray], other_lines_mm: Sequence[np.ndarray]
) -> Pose | None:
    """The pose of `other` against `first`; ``None`` where it cannot be trusted.

    Parameters
    ----------
    first, other : ndarray of uint8, shape (height, width, 3)
        Pictures at `ALIGN_PX_PER_MM`, each with its tooth in the middle.
    first_lines_mm, other_lines_mm : sequences of ndarray, each of shape (n, 2)
        The same marked lines on both, mm from the middle of the picture; densely sampled.
    """
    template, moving = _prepared(first), _prepared(other)
    try:
        start = np.eye(2, 3, dtype=np.float32)
        correlation, found = cv2.findTransformECC(template, moving, start, cv2.MOTION_EUCLIDEAN, _STEPS, _weights(template.shape), 1)
    except cv2.error:  # no overlap, or nothing to hold on to
        return None
    warp = np.asarray(found, dtype=float)
    turn = math.atan2(float(warp[1, 0]), float(warp[0, 0]))
    middle = (np.array(template.shape[::-1]) - 1) / 2
    shift = (warp[:, :2] @ middle + warp[:, 2] - middle) / ALIGN_PX_PER_MM
    pose = Pose(turn, (float(shift[0]), float(shift[1])))
    sure = correlation >= LEAST_CORRELATION and abs(math.degrees(turn)) <= LARGEST_TURN_DEG and math.hypot(*shift) <= LARGEST_SHIFT_MM
    return pose if sure and _lines_meet(pose, first_lines_mm, other_lines_mm) else None


def _prepared(picture: np.ndarray) -> np.ndarray:
    """Grey values without their slow course, so that a brighter side of the mouth does not pull."""
    grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY).astype(np.float32)
    fine = cv2.GaussianBlur(grey, (0, 0), _BLUR_MM * ALIGN_PX_PER_MM)
    return np.asarray(fine - cv2.GaussianBlur(grey, (0, 0), 8 * _BLUR_MM * ALIGN_PX_PER_MM), dtype=np.float32)


def _weights(shape: tuple[int, ...]) -> np.ndarray:
    """The middle of the picture, where the tooth is."""
    mask = np.zeros(shape, np.uint8)
    height, width = shape[:2]
    cv2.ellipse(mask, (width // 2, height // 2), (int(0.46 * width), int(0.46 * height)), 0, 0, 360, 255, -1)
    return mask


def _lines_meet(pose: Pose, first: Sequence[np.ndarray], other: Sequence[np.ndarray]) -> bool:
    if not first or len(first) != len(other):
        return False
    cos, sin = math.cos(pose.turn_rad), math.sin(pose.turn_rad)
    back = np.array([[cos, -sin], [sin, cos]])  # rows times this turn image directions into those of the first picture
    for one, two in zip(first, other, strict=True):
        moved = (two - np.array(pose.shift_mm)) @ back
        apart = np.hypot(*(one[:, None] - moved[None]).transpose(2, 0, 1))
        if 0.5 * (apart.min(axis=0).mean() + apart.min(axis=1).mean()) > LARGEST_DISTANCE_MM:
            return False
    return True
