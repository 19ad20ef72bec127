"""Maps between a plane and its image: through four points, and the scale at one of them with its uncertainty."""

from __future__ import annotations

import math

import cv2
import numpy as np

__all__ = ["apply", "homography", "scale_along", "through"]


def apply(matrix: np.ndarray, xy: np.ndarray) -> np.ndarray:
    """Points of shape (..., 2) through a homography."""
    w = xy @ matrix[2, :2] + matrix[2, 2]
    return np.asarray((xy @ matrix[:2, :2].T + matrix[:2, 2]) / w[..., None])


def homography(from_xy: np.ndarray, to_xy: np.ndarray) -> np.ndarray | None:
    """The projective map that takes points to points best, shape (3, 3), or ``None``."""
    found, _ = cv2.findHomography(from_xy.astype(float), to_xy.astype(float), 0)
    return None if found is None else np.asarray(found, dtype=float)


def through(px: np.ndarray, mm: np.ndarray) -> np.ndarray:
    """The homography that takes four image points to four points of the plane, shape (3, 3)."""
    centre, size = px.mean(axis=0), max(float(np.ptp(px)), 1.0)
    (x, y), (u, v) = ((px - centre) / size).T, mm.T
    zero, one = np.zeros(4), np.ones(4)
    rows = np.concatenate([
        np.stack([x, y, one, zero, zero, zero, -u * x, -u * y], axis=1), np.stack([zero, zero, zero, x, y, one, -v * x, -v * y], axis=1)
    ])  # fmt: skip
    matrix = np.append(np.linalg.solve(rows, np.concatenate([u, v])), 1.0).reshape(3, 3)
    return np.asarray(matrix @ np.array([[1 / size, 0, -centre[0] / size], [0, 1 / size, -centre[1] / size], [0, 0, 1]]))


def scale_along(control_px: np.ndarray, control_mm: np.ndarray, covariance: np.ndarray, at_mm: np.ndarray) -> tuple[float, float]:
    """Pixels per millimetre along the x axis of a plane at one of its points, and its relative standard uncertainty.

    Parameters
    ----------
    control_px, control_mm : ndarray, shape (4, 2)
    covariance : ndarray, shape (8, 8)
        Of `control_px`, pixels^2, order x0, y0, x1, ...
    at_mm : ndarray, shape (2,)
    """
    ends = at_mm + np.array([[-1e-3, 0.0], [1e-3, 0.0]])

    def scale(px: np.ndarray) -> float:
        low, high = apply(np.linalg.inv(through(px, control_mm)), ends)
        return float(np.hypot(*(high - low))) / 2e-3

    here, slope = scale(control_px), np.empty(8)
    for k in range(8):
        moved = control_px.astype(float).ravel().copy()
        moved[k] += 0.01
        slope[k] = (scale(moved.reshape(4, 2)) - here) / 0.01
    return here, math.sqrt(float(slope @ covariance @ slope)) / here
