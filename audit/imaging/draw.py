"""Drawing on copies: dashed and doubled lines, points, text and scale bars on a transparent layer.

A layer holds colour premultiplied by its opacity, so that lines laid over one another blend rightly.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import cycle

import cv2
import numpy as np

from audit.core.picture import Pen
from audit.imaging.encode import encode_png
from audit.imaging.sample import arc_length_px

__all__ = ["Layer", "grey_to_display", "jpeg_bytes"]

_SUBPIXEL_BITS = 4
_EDGE = (0, 0, 0)
_EDGE_OPACITY = 150


class Layer:
    """A transparent picture to draw on, laid over a copy at the end.

    Parameters
    ----------
    width_px, height_px : int
    line_scale : float
        Factor on every pen's width and dash and on text, for pictures larger than a report tile.
    """

    def __init__(self, width_px: int, height_px: int, line_scale: float = 1.0) -> None:
        self._rgba = np.zeros((height_px, width_px, 4), np.uint8)
        self._scale = line_scale
        self.is_empty = True

    def line(self, xy: np.ndarray, pen: Pen, closed: bool = False) -> None:
        """Draw a polyline, shape (n, 2), picture pixels."""
        if closed:
            xy = np.vstack([xy, xy[:1]])
        if len(xy) < 2:
            return
        paths = [_shifted(xy, side * 2.2 * pen.width * self._scale) for side in (-0.5, 0.5)] if pen.double else [xy]
        pieces = [piece for path in paths for piece in _dashes(path, tuple(d * self._scale for d in pen.dash))]
        for colour, opacity, extra in ((_EDGE, _EDGE_OPACITY, 2.5), (pen.colour, 255, 0.0)):
            self._stroke(pieces, colour, opacity, (pen.width + extra) * self._scale)

    def cross(self, x: float, y: float, pen: Pen, arm_px: float = 9.0) -> None:
        """Draw an upright cross at one point."""
        arm = arm_px * self._scale
        for dx, dy in ((arm, 0.0), (0.0, arm)):
            self.line(np.array([[x - dx, y - dy], [x + dx, y + dy]]), pen)

    def text(self, words: str, x: float, y: float, size_px: float = 20.0) -> None:
        """Write white words with a dark edge; (x, y) is the left end of the base line."""
        size = max(8, round(size_px * self._scale))
        top = max(0, round(y) - 2 * size)
        rows = max(0, min(self._rgba.shape[0], round(y) + size) - top)
        mask = np.zeros((rows, self._rgba.shape[1], 3), np.uint8)
        cv2.putText(mask, words, (round(x), round(y) - top), (255, 255, 255), cv2.FontFace("sans"), size, 500)
        glyphs = mask[..., 0]
        reach = max(1, round(1.5 * self._scale))
        edge = cv2.dilate(glyphs, np.ones((2 * reach + 1,) * 2, np.uint8))
        self._lay(edge, _EDGE, 0.7, top)
        self._lay(glyphs, (255, 255, 255), 1.0, top)

    def scale_bar(self, px_per_mm: float, length_mm: float) -> None:
        """Draw a bar of `length_mm`, with its length beside it, in the lower left corner."""
        height = self._rgba.shape[0]
        length, thick, pad = px_per_mm * length_mm, 6.0 * self._scale, 16.0 * self._scale
        y = height - pad
        for colour, opacity, extra in ((_EDGE, 190, 4.0 * self._scale), ((255, 255, 255), 255, 0.0)):
            half = (thick + extra) / 2
            box = np.array([[pad - extra / 2, y - half], [pad + length + extra / 2, y - half],
                            [pad + length + extra / 2, y + half], [pad - extra / 2, y + half]])  # fmt: skip
            cv2.fillPoly(self._rgba, [_fixed(box - 0.5)], (*_scaled(colour, opacity), opacity), cv2.LINE_AA, _SUBPIXEL_BITS)
        self.text(f"{length_mm:g} mm", pad + length + 10 * self._scale, y + 7 * self._scale)
        self.is_empty = False

    def no_scale(self) -> None:
        """Write ``no scale`` where the bar would stand."""
        pad = 16.0 * self._scale
        self.text("no scale", pad, self._rgba.shape[0] - pad + 7 * self._scale)
        self.is_empty = False

    def over(self, pixels: np.ndarray) -> np.ndarray:
        """A copy of 8-bit RGB `pixels` of the same size with the layer laid over it."""
        opacity = self._rgba[..., 3:].astype(np.uint16)
        under = pixels.astype(np.uint16) * (255 - opacity) // 255
        return np.asarray(np.minimum(under + self._rgba[..., :3], 255), dtype=np.uint8)

    def png(self) -> bytes:
        """The layer as a transparent PNG."""
        opacity = np.maximum(self._rgba[..., 3:].astype(np.uint16), 1)
        colour = np.minimum(self._rgba[..., :3].astype(np.uint16) * 255 // opacity, 255).astype(np.uint8)
        return encode_png(np.concatenate([colour, self._rgba[..., 3:]], axis=2))

    def _stroke(self, pieces: Sequence[np.ndarray], colour: tuple[int, int, int], opacity: int, width: float) -> None:
        """Lay all dashes of a line at once."""
        thickness = max(1, round(width))
        height, width_px = self._rgba.shape[:2]
        ends = np.vstack(pieces)
        left, top = np.maximum(np.floor(ends.min(axis=0) - thickness - 2), 0).astype(int)
        right, bottom = np.minimum(np.ceil(ends.max(axis=0) + thickness + 3), (width_px, height)).astype(int)
        if right <= left or bottom <= top:
            return
        window = np.zeros((bottom - top, right - left), np.uint8)
        cv2.polylines(window, [_fixed(xy - (left, top)) for xy in pieces], False, 255, thickness, cv2.LINE_AA, _SUBPIXEL_BITS)
        self._lay(window, colour, opacity / 255, top, left)

    def _lay(self, mask: np.ndarray, colour: tuple[int, int, int], opacity: float, top: int = 0, left: int = 0) -> None:
        part = self._rgba[top : top + mask.shape[0], left : left + mask.shape[1]]
        cover = (mask.astype(np.float32) / 255 * opacity)[..., None]
        paint = np.array([*colour, 255], np.float32)
        part[...] = np.round(part * (1 - cover) + paint * cover).astype(np.uint8)
        self.is_empty = False


def grey_to_display(pixels: np.ndarray) -> np.ndarray:
    """8-bit RGB copy for showing: photos as they are, grey pictures stretched between their 0.5 and 99.5 percentiles."""
    if pixels.dtype == np.uint8 and pixels.ndim == 3:
        return pixels
    data = pixels.astype(np.float32)
    low, high = np.percentile(data[::4, ::4], [0.5, 99.5])
    grey = np.clip((data - low) * (255 / max(high - low, 1.0)), 0, 255).astype(np.uint8)
    return grey if grey.ndim == 3 else np.repeat(grey[..., None], 3, axis=2)


def jpeg_bytes(rgb: np.ndarray, quality: int = 80) -> bytes:
    """8-bit RGB pixels as a JPEG without any metadata."""
    done, buffer = cv2.imencode(".jpg", np.ascontiguousarray(rgb[..., ::-1]), [cv2.IMWRITE_JPEG_QUALITY, quality])
    if not done:
        raise ValueError(f"picture must be 8-bit RGB; got shape {rgb.shape} of {rgb.dtype}")
    return buffer.tobytes()


def _fixed(xy: np.ndarray) -> np.ndarray:
    return np.round(xy * (1 << _SUBPIXEL_BITS)).astype(np.int32).reshape(-1, 1, 2)


def _scaled(colour: tuple[int, int, int], opacity: int) -> tuple[int, int, int]:
    red, green, blue = (round(c * opacity / 255) for c in colour)
    return red, green, blue


def _shifted(xy: np.ndarray, by_px: float) -> np.ndarray:
    tangent = np.gradient(xy, axis=0)
    tangent = tangent / np.maximum(np.hypot(tangent[:, 0], tangent[:, 1]), 1e-9)[:, None]
    return np.asarray(xy + by_px * np.stack([-tangent[:, 1], tangent[:, 0]], axis=1))


def _dashes(xy: np.ndarray, dash: tuple[float, ...]) -> Iterator[np.ndarray]:
    if not dash:
        yield xy
        return
    length = arc_length_px(xy)
    at = 0.0
    for number, step in enumerate(cycle(dash)):
        if at >= length[-1]:
            return
        if number % 2 == 0:
            end = min(at + step, length[-1])
            between = length[(length > at) & (length < end)]
            stops = np.concatenate([[at], between, [end]])
            yield np.stack([np.interp(stops, length, xy[:, k]) for k in (0, 1)], axis=1)
        at += step
