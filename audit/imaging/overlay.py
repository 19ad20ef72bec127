"""What was marked and measured on a photo, as lines to draw over a copy of it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from audit.core.annotations import Annotations, Feature
from audit.core.picture import PENS
from audit.core.records import Calibration, Reading, Segment
from audit.imaging.draw import Layer, grey_to_display, png_bytes

__all__ = ["Marks", "bar_length_mm", "display_mm_per_px", "draw_marks", "length_along_mm", "overlay_png", "trace_part"]

_OUTLINES = ("facial_surface", "occlusal_surface", "metal")
_LINES = ("gingival_margin", "fit_site")
_POINTS = ("alveolar_crest", "restoration_margin")


@dataclass(frozen=True)
class Marks:
    """Everything known of one photo that can be drawn on it.

    Parameters
    ----------
    annotations : Annotations
    calibration : Calibration or None
    readings : sequence of Reading
        Their details carry what the tool found by itself.
    segments : sequence of Segment
        States along the first `margin` feature.
    """

    annotations: Annotations
    calibration: Calibration | None = None
    readings: Sequence[Reading] = ()
    segments: Sequence[Segment] = ()


def length_along_mm(xy: np.ndarray, calibration: Calibration) -> np.ndarray:
    """Running length along a polyline, shape (n,), mm, each piece by the scale of its own direction, for `xy` of shape (n, 2)."""
    step = np.diff(xy, axis=0)
    angle = np.arctan2(step[:, 1], step[:, 0]) - np.radians(calibration.direction_deg)
    along, across = calibration.mm_per_px.value, calibration.mm_per_px_across.value
    scale = np.hypot(np.cos(angle) * along, np.sin(angle) * across)
    return np.concatenate([[0.0], np.cumsum(np.hypot(step[:, 0], step[:, 1]) * scale)])


def trace_part(xy: np.ndarray, length_mm: np.ndarray, start_mm: float, end_mm: float) -> np.ndarray:
    """The stretch of a polyline between two positions in mm, shape (m, 2)."""
    between = length_mm[(length_mm > start_mm) & (length_mm < end_mm)]
    stops = np.concatenate([[start_mm], between, [end_mm]])
    return np.stack([np.interp(stops, length_mm, xy[:, k]) for k in (0, 1)], axis=1)


def draw_marks(layer: Layer, marks: Marks, origin: np.ndarray, zoom: float) -> None:
    """Draw all marks on a layer whose pixel (u, v) shows image position ``origin + (u, v) / zoom``."""
    for pen, xy, closed in _strokes(marks):
        layer.line((xy - origin) * zoom, PENS[pen], closed)
    for role in _POINTS:
        for feature in marks.annotations.all(role):
            x, y = (feature.xy[0] - origin) * zoom
            layer.cross(float(x), float(y), PENS["landmark"])


def overlay_png(pixels: np.ndarray, marks: Marks, longest_px: int = 1600) -> bytes:
    """A PNG of the whole photo with its marks and, where calibrated, a scale bar; a copy, reduced to `longest_px`."""
    height, width = pixels.shape[:2]
    zoom = min(1.0, longest_px / max(height, width))
    size = (max(1, round(width * zoom)), max(1, round(height * zoom)))
    copy = cv2.resize(grey_to_display(pixels), size, interpolation=cv2.INTER_AREA)
    layer = Layer(*size, line_scale=max(0.6, max(size) / 1600))
    draw_marks(layer, marks, np.zeros(2), zoom)
    if marks.calibration is not None:
        px_per_mm = zoom / display_mm_per_px(marks.calibration)
        layer.scale_bar(px_per_mm, bar_length_mm(size[0] / px_per_mm))
    else:
        layer.no_scale()
    return png_bytes(layer.over(copy))


def display_mm_per_px(calibration: Calibration) -> float:
    """One scale for showing a picture, mm per pixel: the square root of the scale of an area."""
    return float(np.sqrt(calibration.mm_per_px.value * calibration.mm_per_px_across.value))


def bar_length_mm(window_mm: float) -> float:
    """Length of the scale bar for a picture `window_mm` wide: 5 mm, or 1 mm in a narrow one."""
    return 5.0 if window_mm >= 9.0 else 1.0


def _strokes(marks: Marks) -> Iterator[tuple[str, np.ndarray, bool]]:
    for role in _OUTLINES:
        for feature in marks.annotations.all(role):
            yield from ((role, ring, True) for ring in _rings(feature))
    if not any(f.geometry is not None for f in marks.annotations.all("metal")):
        yield from (("metal", ring, True) for ring in _found(marks.readings, "outline"))
    for role in _LINES:
        yield from ((role, f.xy, False) for f in marks.annotations.all(role) if f.geometry is not None)
    yield from _margin(marks)
    yield from _reference(marks.calibration)


def _margin(marks: Marks) -> Iterator[tuple[str, np.ndarray, bool]]:
    traces = [f.xy for f in marks.annotations.all("margin") if f.geometry is not None]
    if traces and marks.segments and marks.calibration is not None:
        length = length_along_mm(traces[0], marks.calibration)
        for segment in marks.segments:
            yield segment.state, trace_part(traces[0], length, segment.start_mm, min(segment.end_mm, float(length[-1]))), False
        traces = traces[1:]
    yield from (("margin", xy, False) for xy in traces)


def _rings(feature: Feature) -> Iterator[np.ndarray]:
    geometry = feature.geometry
    if geometry is None:
        return
    for polygon in geometry.geoms if geometry.geom_type == "MultiPolygon" else [geometry]:
        for ring in (polygon.exterior, *polygon.interiors):
            yield np.asarray(ring.coords, dtype=float)[:, :2]


def _found(readings: Sequence[Reading], key: str) -> Iterator[np.ndarray]:
    for reading in readings:
        for ring in reading.details.get(key) or ():
            yield np.asarray(ring, dtype=float).reshape(-1, 2)
        if reading.details.get(key):
            return


def _reference(calibration: Calibration | None) -> Iterator[tuple[str, np.ndarray, bool]]:
    evidence: Any = {} if calibration is None else calibration.evidence
    direction = 0.0 if calibration is None else np.radians(calibration.direction_deg + 90.0)
    arm = np.array([np.cos(direction), np.sin(direction)])
    for tick in evidence.get("ticks") or ():
        half = 0.35 / (calibration.mm_per_px_across.value if calibration is not None else 1.0)
        yield "reference", np.array([np.asarray(tick) - half * arm, np.asarray(tick) + half * arm], dtype=float), False
    for edge in evidence.get("edges") or ():
        yield "reference", np.asarray(edge, dtype=float).reshape(-1, 2), False
