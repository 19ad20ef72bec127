"""Tiles for a photo strip: every calibrated photo at one scale in mm, cropped round the tooth, turned as the first where that is sure.

The tile is resampled for showing only; nothing is ever measured on it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from audit.core.picture import Picture
from audit.imaging.align import Pose
from audit.imaging.draw import Layer, jpeg_bytes
from audit.imaging.overlay import Frame, Marks, bar_length_mm, display_mm_per_px, draw_marks, resampled

__all__ = ["TILE_PX_PER_MM", "common_window_mm", "tile", "tooth_frame"]

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


def tile(
    pixels: np.ndarray, marks: Marks, window_mm: tuple[float, float], *, view: str, on: str, caption: str, pose: Pose | None = None
) -> Picture:  # fmt: skip
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
    pose : Pose, optional
        How the tooth lies against the first photo of the strip; the tile is turned and shifted by it, its scale stays its own.
    """
    width, height = (math.ceil(side * TILE_PX_PER_MM) for side in window_mm)
    frame = tooth_frame(marks, (pixels.shape[1], pixels.shape[0]), (width, height), TILE_PX_PER_MM, pose)
    copy = resampled(pixels, frame, width, height, _BACKGROUND)
    base = Layer(width, height)
    if marks.calibration is not None:
        base.scale_bar(TILE_PX_PER_MM, bar_length_mm(window_mm[0]))
        scale_words = f"scale bar {bar_length_mm(window_mm[0]):g} mm"
    else:
        base.no_scale()
        scale_words = "no scale"
    layer = Layer(width, height)
    draw_marks(layer, marks, frame)
    return Picture(
        jpeg_bytes(base.over(copy)), None if layer.is_empty else layer.png(), width, height,
        TILE_PX_PER_MM if marks.calibration is not None else None, view, on, caption, f"{caption}; {scale_words}",
        pose is not None,
    )  # fmt: skip


def tooth_frame(
    marks: Marks, photo_px: tuple[int, int], picture_px: tuple[int, int], px_per_mm: float, pose: Pose | None = None
) -> Frame:  # fmt: skip
    """The frame with the tooth in its middle: at `px_per_mm` where the photo has a scale, else as large as fits.

    Parameters
    ----------
    marks : Marks
    photo_px, picture_px : tuple of int
        Width and height of the photo and of the picture.
    px_per_mm : float
        Of the picture.
    pose : Pose, optional
        Turn and shift against another photo.
    """
    box, size = _tooth(marks, *photo_px), np.array(picture_px)
    if marks.calibration is not None:
        zoom = px_per_mm * display_mm_per_px(marks.calibration)
    else:
        zoom = float(np.min((size - 2 * _ROUND_MM * px_per_mm) / np.maximum(box.size, 1.0)))
    turn, shift = (pose.turn_rad, np.asarray(pose.shift_mm) * px_per_mm) if pose is not None else (0.0, np.zeros(2))
    upright = Frame(np.zeros(2), zoom, turn).to_image[:, :2]
    return Frame(box.centre + shift / zoom - upright @ ((size - 1) / 2), zoom, turn)


def _tooth(marks: Marks, width: int, height: int) -> _Box:
    shapes = [f.geometry for role in _TOOTH_ROLES for f in marks.annotations.all(role) if f.geometry is not None]
    if not shapes:
        return _Box(np.array([(width - 1) / 2, (height - 1) / 2]), np.array([width, height], dtype=float))
    bounds = np.array([shape.bounds for shape in shapes])
    low, high = bounds[:, :2].min(axis=0), bounds[:, 2:].max(axis=0)
    return _Box((low + high) / 2, high - low)
