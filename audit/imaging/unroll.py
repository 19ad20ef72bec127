"""The margin unrolled: a band along the trace, straightened, with its states and a scale in mm beneath it."""

from __future__ import annotations

import math

import cv2
import numpy as np

from audit.core.picture import PENS, Picture
from audit.imaging.draw import Layer, grey_to_display, jpeg_bytes
from audit.imaging.overlay import Marks, display_mm_per_px, length_along_mm, margin_traces
from audit.imaging.sample import band_coordinates, crop, sample

__all__ = ["margin_length_mm", "unrolled_margin"]

_WIDEST_PX, _FINEST_PX_PER_MM = 1800.0, 100.0
_HALF_WIDTH_MM = 0.8
_SMOOTH_MM = 0.6
_PAD_PX, _STATES_PX, _AXIS_PX = 14, 30, 40
_PAPER, _LANE = (250, 250, 248), (72, 76, 80)
_INK = (40, 44, 48)


def margin_length_mm(marks: Marks) -> float:
    """Length of the margin traces end to end, mm; 0 where there is none or no scale."""
    calibration = marks.calibration
    return 0.0 if calibration is None else sum(float(length_along_mm(xy, calibration)[-1]) for xy in margin_traces(marks))


def unrolled_margin(pixels: np.ndarray, marks: Marks, axis_mm: float, *, view: str, on: str, caption: str) -> Picture | None:
    """The margin traces as one straight strip, end to end.

    Parameters
    ----------
    pixels : ndarray, shape (height, width) or (height, width, 3)
        The original; sampled along the trace, 0.8 mm to either side, never warped as a whole.
    marks : Marks
        With calibration and, for the states, segments.
    axis_mm : float
        Length of the axis, the same for every strip that stands above another.
    view, on, caption : str
        For the `Picture`.

    Returns
    -------
    Picture or None
        ``None`` without a trace or without a scale.

    Notes
    -----
    Zero is where the trace begins on that photo: strips of different visits are not registered to one another.
    """
    length_mm = margin_length_mm(marks)
    if length_mm == 0.0:
        return None
    px_per_mm = min(_FINEST_PX_PER_MM, _WIDEST_PX / axis_mm)
    band = np.concatenate([_band(pixels, xy, marks, px_per_mm) for xy in margin_traces(marks)], axis=1)
    width = math.ceil(axis_mm * px_per_mm) + 2 * _PAD_PX
    canvas = np.full((band.shape[0] + _STATES_PX + _AXIS_PX, width, 3), _PAPER, np.uint8)
    canvas[: band.shape[0], _PAD_PX : _PAD_PX + band.shape[1]] = band[:, : width - _PAD_PX]
    canvas[band.shape[0] : band.shape[0] + _STATES_PX, _PAD_PX : _PAD_PX + band.shape[1]] = _LANE
    _draw_axis(canvas, band.shape[0] + _STATES_PX, axis_mm, px_per_mm)
    layer = Layer(width, canvas.shape[0])
    stretches: list[tuple[str, float, float]] = [(s.state, s.start_mm, s.end_mm) for s in marks.segments]
    stretches = stretches or [("margin", 0.0, length_mm)]
    for state, start_mm, end_mm in stretches:
        ends = [_PAD_PX + px_per_mm * min(position, length_mm) for position in (start_mm, end_mm)]
        layer.line(np.array([[end, band.shape[0] + _STATES_PX / 2] for end in ends]), PENS[state])
    states = ", ".join(f"{s.state} {s.start_mm:.1f} to {s.end_mm:.1f} mm" for s in marks.segments if s.state != "continuous")
    whole = "continuous throughout" if marks.segments else "state not measured"
    alt = f"{caption}; margin unrolled over {length_mm:.1f} mm; {states or whole}"
    return Picture(jpeg_bytes(layer.over(canvas), 82), None, width, canvas.shape[0], px_per_mm, view, on, caption, alt)


def _band(pixels: np.ndarray, xy: np.ndarray, marks: Marks, px_per_mm: float) -> np.ndarray:
    calibration = marks.calibration
    if calibration is None:
        raise ValueError("a band needs a scale")
    running = length_along_mm(xy, calibration)
    at = np.arange(round(float(running[-1]) * px_per_mm)) / px_per_mm
    line = np.stack([np.interp(at, running, xy[:, k]) for k in (0, 1)], axis=1)
    mm = 1.0 / display_mm_per_px(calibration)
    step = mm / px_per_mm
    grid = band_coordinates(line, _HALF_WIDTH_MM * mm, step, _SMOOTH_MM * mm)
    part, origin = crop(pixels, grid, 6.0)
    shown = grey_to_display(part)
    if step > 1.0:
        shown = cv2.GaussianBlur(np.ascontiguousarray(shown), (0, 0), 0.45 * math.sqrt(step**2 - 1))
    band = np.swapaxes(sample(shown, grid - origin), 0, 1)
    return np.asarray(np.nan_to_num(np.clip(band, 0, 255), nan=200.0), dtype=np.uint8)


def _draw_axis(canvas: np.ndarray, top: int, axis_mm: float, px_per_mm: float) -> None:
    font = cv2.FontFace("sans")
    cv2.line(canvas, (_PAD_PX, top), (round(_PAD_PX + axis_mm * px_per_mm), top), _INK, 1)
    for mm in range(math.floor(axis_mm) + 1):
        x = round(_PAD_PX + mm * px_per_mm)
        labelled = mm % 5 == 0
        cv2.line(canvas, (x, top), (x, top + (10 if labelled else 5)), _INK, 1)
        if labelled:
            words = f"{mm} mm" if mm else "0"
            cv2.putText(canvas, words, (min(max(x - 20, 6), canvas.shape[1] - 8 - 13 * len(words)), top + 32), _INK, font, 20, 500)
