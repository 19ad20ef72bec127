"""The part of a photo around its reference, with what was found of it."""

from __future__ import annotations

import cv2
import numpy as np

from audit.core.annotations import Annotations
from audit.core.picture import PENS
from audit.core.records import Calibration
from audit.imaging.draw import Layer, grey_to_display
from audit.imaging.encode import encode_png
from audit.imaging.overlay import Frame, Marks, bar_length_mm, display_mm_per_px, draw_marks

__all__ = ["calibration_png"]

_WIDTH_PX = 1600
_MARGIN = 0.15
_LEAST_WINDOW_PX = 120.0
_PLACES = ("ticks_xy", "edges_xy", "line_xy", "outlines_xy", "graduated_edge_xy")


def calibration_png(pixels: np.ndarray, calibration: Calibration) -> bytes:
    """A PNG of the reference and its surroundings, enlarged, with ticks, edges or outlines, its middle and a scale bar."""
    low, high = _window(pixels, calibration)
    zoom = _WIDTH_PX / (high[0] - low[0])
    part = grey_to_display(pixels)[low[1] : high[1], low[0] : high[0]]
    size = (_WIDTH_PX, max(1, round((high[1] - low[1]) * zoom)))
    method = cv2.INTER_AREA if zoom < 1 else cv2.INTER_CUBIC
    layer = Layer(*size)
    frame = Frame(low + 0.5 / zoom - 0.5, zoom)
    draw_marks(layer, Marks(Annotations(), calibration), frame)
    if "middle_xy" in calibration.evidence:
        x, y = frame.to_picture(np.array([calibration.evidence["middle_xy"]]))[0]
        layer.cross(float(x), float(y), PENS["landmark"])
    px_per_mm = zoom / display_mm_per_px(calibration)
    layer.scale_bar(px_per_mm, bar_length_mm(size[0] / px_per_mm))
    return encode_png(layer.over(np.ascontiguousarray(cv2.resize(part, size, interpolation=method))))


def _window(pixels: np.ndarray, calibration: Calibration) -> tuple[np.ndarray, np.ndarray]:
    """Corners of the part to show: all evidence with a margin, the whole picture where there is none."""
    whole = np.array([pixels.shape[1], pixels.shape[0]])
    found = [np.asarray(line, dtype=float).reshape(-1, 2) for name in _PLACES for line in calibration.evidence.get(name) or ()]
    if not found:
        return np.zeros(2, dtype=int), whole
    points = np.concatenate(found)
    reach = max(_MARGIN * float(np.ptp(points, axis=0).max()), _LEAST_WINDOW_PX / 2)
    low = np.maximum(np.floor(points.min(axis=0) - reach), 0).astype(int)
    high = np.minimum(np.ceil(points.max(axis=0) + reach), whole).astype(int)
    return low, np.maximum(high, low + 8)
