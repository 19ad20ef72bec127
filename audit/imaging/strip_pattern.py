"""The reference strip as a picture, at any fineness and blur, addressed in millimetres of the strip."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from audit.core.reference_strip import HEAD_MM, WIDTH_MM, Patch, head_patches
from audit.imaging.colour import to_linear

__all__ = ["PatternRaster", "pattern_raster"]


@dataclass(frozen=True)
class PatternRaster:
    """The head in linear light from 0 (ink) to 1 (stock), sharp, with how much it darkens where ink spreads.

    Parameters
    ----------
    light, spread : ndarray of float32, shape (height, width)
        `spread` is the darkening per millimetre by which every inked edge moves outwards.
    pitch_mm : float
        Between pixel centres; the first lies at half of it.
    """

    light: np.ndarray
    spread: np.ndarray
    pitch_mm: float

    def blurred(self, sigma_mm: float) -> PatternRaster:
        """The same behind a Gaussian blur."""
        sigma = max(sigma_mm / self.pitch_mm, 0.05)
        light, spread = (cv2.GaussianBlur(plane, (0, 0), sigma, borderType=cv2.BORDER_REPLICATE) for plane in (self.light, self.spread))
        return PatternRaster(light, spread, self.pitch_mm)

    def at(self, plane: np.ndarray, xy_mm: np.ndarray) -> np.ndarray:
        """Values of a plane of this raster at strip coordinates, shape (n,) for (n, 2); the border is repeated outside."""
        where = (xy_mm / self.pitch_mm - 0.5).astype(np.float32)
        rows = np.pad(where, ((0, -len(where) % 1024), (0, 0)), mode="edge").reshape(-1, 1024, 2)
        values = cv2.remap(plane, rows[..., 0], rows[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        return np.asarray(values).reshape(-1)[: len(where)]

    def gradient(self) -> tuple[np.ndarray, np.ndarray]:
        """Change of the light per millimetre along and across the strip."""
        gy, gx = np.gradient(self.light, self.pitch_mm)
        return np.ascontiguousarray(gx, dtype=np.float32), np.ascontiguousarray(gy, dtype=np.float32)

    def bend(self) -> np.ndarray:
        """Sum of the second derivatives of the light, per mm^2."""
        return np.asarray(cv2.Laplacian(self.light, cv2.CV_32F)) / np.float32(self.pitch_mm**2)


@lru_cache(maxsize=4)
def pattern_raster(pitch_mm: float) -> PatternRaster:
    """The head drawn by area coverage with pixels of `pitch_mm`."""
    width, height = round(HEAD_MM / pitch_mm), round(WIDTH_MM / pitch_mm)
    light = np.ones((height, width), np.float32)
    for patch in head_patches():
        (x0, y0), (x1, y1) = patch.corners.min(axis=0) / pitch_mm, patch.corners.max(axis=0) / pitch_mm
        rows, columns = slice(int(y0), min(int(y1) + 1, height)), slice(int(x0), min(int(x1) + 1, width))
        covered = _upright(rows, columns, x0, y0, x1, y1) if _is_upright(patch) else _slanted(rows, columns, patch.corners / pitch_mm)
        light[rows, columns] += covered * (_linear(patch.grey) - light[rows, columns])
    gy, gx = np.gradient(light, pitch_mm)
    return PatternRaster(light, np.hypot(gx, gy).astype(np.float32), pitch_mm)


def _is_upright(patch: Patch) -> bool:
    return len(np.unique(patch.corners[:, 0])) == 2


def _linear(grey: float) -> float:
    return float(to_linear(np.array([[round(255 * grey)]], np.uint8))[0, 0])


def _upright(rows: slice, columns: slice, x0: float, y0: float, x1: float, y1: float) -> np.ndarray:
    """Share of each pixel that an upright rectangle covers."""
    across, along = (np.arange(part.start, part.stop) for part in (rows, columns))
    return np.outer(np.clip(np.minimum(across + 1, y1) - np.maximum(across, y0), 0, 1),
                    np.clip(np.minimum(along + 1, x1) - np.maximum(along, x0), 0, 1))  # fmt: skip


def _slanted(rows: slice, columns: slice, corners: np.ndarray) -> np.ndarray:
    """Share of each pixel that a convex polygon covers, by its distance to the edges."""
    y, x = np.mgrid[rows, columns] + 0.5
    covered = np.ones(x.shape)
    for (ax, ay), (bx, by) in zip(corners, np.roll(corners, -1, axis=0)):
        covered *= np.clip(((bx - ax) * (y - ay) - (by - ay) * (x - ax)) / np.hypot(bx - ax, by - ay) + 0.5, 0, 1)
    return covered
