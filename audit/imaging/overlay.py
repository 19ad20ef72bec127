"""What was marked and measured on a photo, as lines to draw over a copy of it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from audit.core.annotations import Annotations, Feature
from audit.core.picture import PENS
from audit.core.records import Calibration, Reading, Segment
from audit.imaging.draw import Layer, grey_to_display
from audit.imaging.encode import encode_png

__all__ = [
    "Frame", "Marks", "bar_length_mm", "display_mm_per_px", "draw_marks", "length_along_mm", "margin_traces", "overlay_png",
    "resampled", "trace_part",
]  # fmt: skip

_OUTLINES = ("facial_surface", "occlusal_surface")
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
        States along the margin traces, end to end.
    """

    annotations: Annotations
    calibration: Calibration | None = None
    readings: Sequence[Reading] = ()
    segments: Sequence[Segment] = ()


@dataclass(frozen=True)
class Frame:
    """Where a picture lies on its photo: picture position p shows image position ``corner + turn(p) / zoom``.

    Parameters
    ----------
    corner : ndarray, shape (2,)
        Image position that the picture's pixel (0, 0) shows.
    zoom : float
        Picture pixels per image pixel.
    turn_rad : float
        The picture's x axis in the image, x right, y down.
    """

    corner: np.ndarray
    zoom: float
    turn_rad: float = 0.0

    @property
    def to_image(self) -> np.ndarray:
        """Affine map of picture positions to image positions, shape (2, 3)."""
        cos, sin = np.cos(self.turn_rad) / self.zoom, np.sin(self.turn_rad) / self.zoom
        return np.array([[cos, -sin, self.corner[0]], [sin, cos, self.corner[1]]])

    def to_picture(self, xy: np.ndarray) -> np.ndarray:
        """Picture positions of image positions, both of shape (n, 2)."""
        cos, sin = np.cos(self.turn_rad), np.sin(self.turn_rad)
        return np.asarray((xy - self.corner) @ np.array([[cos, -sin], [sin, cos]]) * self.zoom)


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


def draw_marks(layer: Layer, marks: Marks, frame: Frame) -> None:
    """Draw all marks on the layer of a picture that lies so on its photo."""
    for pen, xy, closed in _strokes(marks):
        layer.line(frame.to_picture(xy), PENS[pen], closed)
    for role in _POINTS:
        for feature in marks.annotations.all(role):
            x, y = frame.to_picture(feature.xy[:1])[0]
            layer.cross(float(x), float(y), PENS["landmark"])


def overlay_png(pixels: np.ndarray, marks: Marks, longest_px: int = 1600) -> bytes:
    """A PNG of the whole photo with its marks and, where calibrated, a scale bar; a copy, reduced to `longest_px`."""
    height, width = pixels.shape[:2]
    zoom = min(1.0, longest_px / max(height, width))
    size = (max(1, round(width * zoom)), max(1, round(height * zoom)))
    copy = cv2.resize(grey_to_display(pixels), size, interpolation=cv2.INTER_AREA)
    layer = Layer(*size, line_scale=max(0.6, max(size) / 1600))
    draw_marks(layer, marks, Frame(np.zeros(2), zoom))
    if marks.calibration is not None:
        px_per_mm = zoom / display_mm_per_px(marks.calibration)
        layer.scale_bar(px_per_mm, bar_length_mm(size[0] / px_per_mm))
    else:
        layer.no_scale()
    return encode_png(layer.over(copy))


def resampled(pixels: np.ndarray, frame: Frame, width: int, height: int, background: tuple[int, int, int]) -> np.ndarray:
    """8-bit RGB picture of the photo as a frame shows it, blurred first where it is made smaller so that nothing aliases."""
    corners = np.array([[-0.5, -0.5], [width, -0.5], [-0.5, height], [width, height]])
    seen = corners @ frame.to_image[:, :2].T + frame.corner
    x0, y0 = np.maximum(np.floor(seen.min(axis=0)) - 4, 0).astype(int)
    x1, y1 = np.minimum(np.ceil(seen.max(axis=0)) + 5, (pixels.shape[1], pixels.shape[0])).astype(int)
    if x1 <= x0 or y1 <= y0:
        return np.full((height, width, 3), background, np.uint8)
    part = np.ascontiguousarray(grey_to_display(pixels[y0:y1, x0:x1]))
    if frame.zoom < 1.0:
        part = cv2.GaussianBlur(part, (0, 0), 0.45 * math.sqrt(1 / frame.zoom**2 - 1))
    inverse = frame.to_image - np.array([[0.0, 0.0, x0], [0.0, 0.0, y0]])
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpAffine(part, inverse, (width, height), flags=flags, borderMode=cv2.BORDER_CONSTANT, borderValue=background))


def display_mm_per_px(calibration: Calibration) -> float:
    """One scale for showing a picture, mm per pixel: the square root of the scale of an area."""
    return float(np.sqrt(calibration.mm_per_px.value * calibration.mm_per_px_across.value))


def bar_length_mm(window_mm: float) -> float:
    """Length of the scale bar for a picture `window_mm` wide: 5 mm, or 1 mm in a narrow one."""
    return 5.0 if window_mm >= 9.0 else 1.0


def margin_traces(marks: Marks) -> list[np.ndarray]:
    """The margin lines that the segments run along, end to end, each of shape (n, 2): as measured, else as traced."""
    for reading in marks.readings:
        if reading.measurand == "assessed_margin_length" and reading.details.get("line"):
            return [np.asarray(line, dtype=float) for line in reading.details["line"] if len(line) > 1]
    return [feature.xy for feature in marks.annotations.all("margin") if feature.geometry is not None]


def _strokes(marks: Marks) -> Iterator[tuple[str, np.ndarray, bool]]:
    for role in _OUTLINES:
        for feature in marks.annotations.all(role):
            yield from ((role, ring, True) for ring in _marked(feature))
    yield from _metal(marks)
    for reading in marks.readings:
        yield from (("perforation", ring, True) for ring in _rings(reading.details.get("islands") or {"type": ""}))
    for role in _LINES:
        yield from ((role, f.xy, False) for f in marks.annotations.all(role) if f.geometry is not None)
    yield from _margin(marks)
    yield from _reference(marks.calibration)


def _metal(marks: Marks) -> Iterator[tuple[str, np.ndarray, bool]]:
    """The region that was measured, else the one that was marked."""
    for reading in marks.readings:
        if region := reading.details.get("region"):
            pen = "metal" if reading.details.get("by") == "reader" else "metal_proposed"
            yield from ((pen, ring, True) for ring in _rings(region))
            return
    for feature in marks.annotations.all("metal"):
        pen = "metal_proposed" if feature.properties.get("source") == "proposal" else "metal"
        yield from ((pen, ring, True) for ring in _marked(feature))


def _margin(marks: Marks) -> Iterator[tuple[str, np.ndarray, bool]]:
    traces = margin_traces(marks)
    if not marks.segments or marks.calibration is None:
        yield from (("margin", xy, False) for xy in traces)
        return
    start_mm = 0.0
    for xy in traces:
        length = start_mm + length_along_mm(xy, marks.calibration)
        for segment in marks.segments:
            low, high = max(segment.start_mm, start_mm), min(segment.end_mm, float(length[-1]))
            if high > low:
                yield segment.state, trace_part(xy, length, low, high), False
        start_mm = float(length[-1])


def _marked(feature: Feature) -> Iterator[np.ndarray]:
    return _rings({"type": ""} if feature.geometry is None else feature.geometry.__geo_interface__)


def _rings(geometry: Mapping[str, Any]) -> Iterator[np.ndarray]:
    """Every ring of a GeoJSON Polygon, MultiPolygon or collection of them."""
    for part in geometry.get("geometries", ()):
        yield from _rings(part)
    coordinates = geometry.get("coordinates") or ()
    polygons = {"Polygon": [coordinates], "MultiPolygon": coordinates}.get(geometry["type"], ())
    for polygon in polygons:
        yield from (np.asarray(ring, dtype=float)[:, :2] for ring in polygon)


def _reference(calibration: Calibration | None) -> Iterator[tuple[str, np.ndarray, bool]]:
    if calibration is None:
        return
    evidence: Any = calibration.evidence
    across = np.radians(calibration.direction_deg + 90.0)
    arm = 0.35 / calibration.mm_per_px_across.value * np.array([np.cos(across), np.sin(across)])
    for tick in evidence.get("ticks_xy") or ():
        yield "reference", np.array([tick - arm, tick + arm], dtype=float), False
    lines = [line for name in ("edges_xy", "outlines_xy") for line in evidence.get(name) or ()]
    lines += [evidence[name] for name in ("line_xy", "graduated_edge_xy") if evidence.get(name)]
    for line in lines:
        yield "reference", np.asarray(line, dtype=float).reshape(-1, 2), False
