"""Tiles for a photo strip: every calibrated photo at one scale in mm, cropped round the tooth.

The tile is resampled for showing only; nothing is ever measured on it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from audit.core.picture import Picture
from audit.core.records import Calibration
from audit.imaging.draw import Layer, grey_to_display, jpeg_bytes
from audit.imaging.overlay import Marks, bar_length_mm, display_mm_per_px, draw_marks

__all__ = ["TILE_PX_PER_MM", "common_window_mm", "tile"]

TILE_PX_PER_MM = 36.0
_SMALLEST_MM, _LARGEST_MM, _ROUND_MM = 6.0, 20.0, 1.2
_TOOTH_ROLES = ("facial_surface", "occlusal_surface", "margin", "metal", "fit_site", "alveolar_crest", "restoration_margin")
_BACKGROUND = (58, 60, 63)


@dataclass(frozen=True)
class _Box:
    """Where the tooth lies on a photo, pixels."""

    centre: np.ndarray
    size: np.ndarray


def common_window_mm(photos: Sequence[tuple[Marks, int, int]]) -> tuple[float, float]:
    """Width and height, mm, that hold the tooth on every calibrated photo of a strip.

    Parameters
    ----------
    photos : sequence of (Marks, width_px, height_px)
        Sizes of the originals. Photos without scale do not count.

    Returns
    -------
    tuple of float
        Between 6 and 20 mm each, the tooth with 1.2 mm round it; 12 by 10 mm where no photo has a scale.
    """
    sizes = [
        _tooth(marks, width, height).size * display_mm_per_px(marks.calibration)
        for marks, width, height in photos
        if marks.calibration is not None
    ]
    if not sizes:
        return 12.0, 10.0
    width_mm, height_mm = np.clip(np.max(sizes, axis=0) + 2 * _ROUND_MM, _SMALLEST_MM, _LARGEST_MM)
    return float(width_mm), float(height_mm)


def tile(pixels: np.ndarray, marks: Marks, window_mm: tuple[float, float], *, view: str, on: str, caption: str) -> Picture:
    """One tile of a strip.

    Parameters
    ----------
    pixels : ndarray, shape (height, width) or (height, width, 3)
        The original.
    marks : Marks
        With a calibration the tile is drawn at `TILE_PX_PER_MM` and bears a scale bar; without one the tooth is
        fitted into the window and the tile bears the words ``no scale``.
    window_mm : tuple of float
        Width and height shown, the same for every tile of the strip.
    view, on, caption : str
        For the `Picture`.
    """
    width, height = (math.ceil(side * TILE_PX_PER_MM) for side in window_mm)
    box = _tooth(marks, pixels.shape[1], pixels.shape[0])
    zoom = _zoom(marks.calibration, box, width, height)
    origin = box.centre - (np.array([width, height]) - 1) / 2 / zoom
    copy = _resampled(pixels, origin, zoom, width, height)
    base = Layer(width, height)
    if marks.calibration is not None:
        base.scale_bar(TILE_PX_PER_MM, bar_length_mm(window_mm[0]))
        scale_words = f"scale bar {bar_length_mm(window_mm[0]):g} mm"
    else:
        base.no_scale()
        scale_words = "no scale"
    layer = Layer(width, height)
    draw_marks(layer, marks, origin, zoom)
    return Picture(
        jpeg_bytes(base.over(copy)), None if layer.is_empty else layer.png(), width, height,
        TILE_PX_PER_MM if marks.calibration is not None else None, view, on, caption, f"{caption}; {scale_words}",
    )  # fmt: skip


def _tooth(marks: Marks, width: int, height: int) -> _Box:
    shapes = [f.geometry for role in _TOOTH_ROLES for f in marks.annotations.all(role) if f.geometry is not None]
    if not shapes:
        return _Box(np.array([(width - 1) / 2, (height - 1) / 2]), np.array([width, height], dtype=float))
    bounds = np.array([shape.bounds for shape in shapes])
    low, high = bounds[:, :2].min(axis=0), bounds[:, 2:].max(axis=0)
    return _Box((low + high) / 2, high - low)


def _zoom(calibration: Calibration | None, box: _Box, width: int, height: int) -> float:
    if calibration is not None:
        return TILE_PX_PER_MM * display_mm_per_px(calibration)
    room = np.array([width, height]) - 2 * _ROUND_MM * TILE_PX_PER_MM
    return float(np.min(room / np.maximum(box.size, 1.0)))


def _resampled(pixels: np.ndarray, origin: np.ndarray, zoom: float, width: int, height: int) -> np.ndarray:
    """The window at the tile's scale, blurred first where it is made smaller so that nothing aliases."""
    far = origin + np.array([width, height]) / zoom
    x0, y0 = np.maximum(np.floor(origin) - 4, 0).astype(int)
    x1, y1 = np.minimum(np.ceil(far) + 5, (pixels.shape[1], pixels.shape[0])).astype(int)
    if x1 <= x0 or y1 <= y0:
        return np.full((height, width, 3), _BACKGROUND, np.uint8)
    part = np.ascontiguousarray(grey_to_display(pixels[y0:y1, x0:x1]))
    if zoom < 1.0:
        part = cv2.GaussianBlur(part, (0, 0), 0.45 * math.sqrt(1 / zoom**2 - 1))
    inverse = np.array([[1 / zoom, 0.0, origin[0] - x0], [0.0, 1 / zoom, origin[1] - y0]])
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpAffine(part, inverse, (width, height), flags=flags, borderMode=cv2.BORDER_CONSTANT, borderValue=_BACKGROUND))
