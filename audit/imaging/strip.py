"""A straight frame laid on an image, and the image at whatever size is fine enough to be looked at through it.

A *strip* is the frame: `s` runs along it, `t` at right angles, and `shear` is how far `s` moves along a tick per unit
of `t`. The picture is never warped; it is sampled at the places where the strip lies.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np

__all__ = ["Level", "Pyramid", "Strip", "grey"]

Box = tuple[int, int, int, int]
_ROOM = 32  # pixels of a copy
_BAND = 128  # rows of the original turned grey at once, which a processor keeps at hand


@dataclass(frozen=True)
class Strip:
    """A straight frame on the image.

    Parameters
    ----------
    x, y : float
        Image position of ``s = t = 0``, pixels.
    angle : float
        Direction of `s` in the image, radians, x right, y down.
    shear : float
        Change of `s` along a tick per pixel of `t`.
    """

    x: float
    y: float
    angle: float
    shear: float = 0.0

    def axes(self, s: np.ndarray | float, t: np.ndarray | float) -> tuple[np.ndarray, np.ndarray]:
        """Image x and y of broadcastable strip coordinates in pixels."""
        along = s + self.shear * np.asarray(t)
        cos, sin = math.cos(self.angle), math.sin(self.angle)
        return np.asarray(self.x + along * cos - t * sin), np.asarray(self.y + along * sin + t * cos)

    def image(self, s: np.ndarray | float, t: np.ndarray | float) -> np.ndarray:
        """Image coordinates, shape (..., 2), of broadcastable strip coordinates in pixels."""
        return np.stack(self.axes(s, t), axis=-1)

    def place(self, xy: np.ndarray) -> float:
        """Coordinate `s` of an image point."""
        dx, dy = xy[0] - self.x, xy[1] - self.y
        cos, sin = math.cos(self.angle), math.sin(self.angle)
        return float(dx * cos + dy * sin - self.shear * (dy * cos - dx * sin))

    def moved(self, s: float, t: float) -> Strip:
        """The same frame with its origin at (s, t)."""
        x, y = self.axes(s, t)
        return replace(self, x=float(x), y=float(y))


class Pyramid:
    """An image in grey and its reduced copies, each made only where it is looked at, and kept.

    Parameters
    ----------
    pixels : ndarray, shape (height, width) or (height, width, 3)
    """

    def __init__(self, pixels: np.ndarray) -> None:
        self._pixels = pixels
        self._kept: dict[int, tuple[np.ndarray, Box]] = {}

    def at(self, halvings: int) -> Level:
        """The copy that was halved so many times, each pixel the mean of those it replaces."""
        return Level(self, halvings)

    @property
    def size(self) -> tuple[int, int]:
        """Width and height of the image."""
        return self._pixels.shape[1], self._pixels.shape[0]

    def part(self, halvings: int, box: Box, room: int = 0) -> tuple[np.ndarray, Box]:
        """At least the pixels of a copy within ``(left, top, right, bottom)``, and which they are.

        Where they must be made, so are `room` more pixels on every side, as the next look is a little beside.
        """
        image, kept = self._kept.get(halvings, (None, box))
        left, top, right, bottom = min(kept[0], box[0]), min(kept[1], box[1]), max(kept[2], box[2]), max(kept[3], box[3])
        if image is None or (left, top, right, bottom) != kept:
            width, height = (side >> halvings for side in self.size)
            kept = max(left - room, 0), max(top - room, 0), min(right + room, width), min(bottom + room, height)
            image = self._made(halvings, kept)
            self._kept[halvings] = image, kept
        return image, kept

    def _made(self, halvings: int, box: Box) -> np.ndarray:
        """The copy within `box`, from the next finer one where that is at hand, else band by band from the original."""
        left, top, right, bottom = box
        finer, (x, y, x1, y1) = self._kept.get(halvings - 1, (None, (0, 0, 0, 0)))
        if finer is not None and x <= 2 * left and y <= 2 * top and x1 >= 2 * right and y1 >= 2 * bottom:
            return _halved(finer[2 * top - y : 2 * bottom - y, 2 * left - x : 2 * right - x])
        copy = np.empty((bottom - top, right - left), self._pixels.dtype)
        rows = max(_BAND >> halvings, 1)
        for first in range(0, bottom - top, rows):
            start, end = top + first, min(top + first + rows, bottom)
            band = grey(self._pixels[start << halvings : end << halvings, left << halvings : right << halvings])
            for _ in range(halvings):
                band = _halved(band)
            copy[first : first + rows] = band
        return copy


def _halved(image: np.ndarray) -> np.ndarray:
    height, width = image.shape
    return np.asarray(cv2.resize(image, (width // 2, height // 2), interpolation=cv2.INTER_AREA))


@dataclass(frozen=True)
class Level:
    """One copy of a pyramid, addressed in the pixels of the original."""

    pyramid: Pyramid
    halvings: int = 0

    @property
    def factor(self) -> int:
        """How many pixels of the original lie along one of the copy."""
        return int(2**self.halvings)

    @property
    def size(self) -> tuple[int, int]:
        """Width and height of the copy."""
        width, height = self.pyramid.size
        return width >> self.halvings, height >> self.halvings

    @property
    def image(self) -> np.ndarray:
        """The whole copy."""
        return self.pyramid.part(self.halvings, (0, 0, *self.size))[0]

    def values(self, strip: Strip, s: np.ndarray, t: np.ndarray) -> np.ndarray:
        """Values at broadcastable strip coordinates, NaN outside; cubic interpolation on the original, linear on a copy."""
        along, beside = self._axes(strip, np.asarray(s, dtype=float), np.asarray(t, dtype=float))
        low = [float(a.min() + b.min()) for a, b in zip(along, beside)]
        high = [float(a.max() + b.max()) for a, b in zip(along, beside)]
        left, top = (min(max(math.floor(a) - 3, 0), side - 1) for a, side in zip(low, self.size))
        right, bottom = (max(min(math.ceil(a) + 4, side), 1) for a, side in zip(high, self.size))
        room = _ROOM if self.halvings else 0
        part, origin = self.pyramid.part(self.halvings, (left, top, max(right, left + 1), max(bottom, top + 1)), room)
        method = cv2.INTER_CUBIC if self.halvings == 0 else cv2.INTER_LINEAR
        x, y = (np.add((a - start).astype(np.float32), b.astype(np.float32)) for a, b, start in zip(along, beside, origin))
        flat_x, flat_y = x.reshape(len(x), -1), y.reshape(len(y), -1)
        values = np.asarray(cv2.remap(part, flat_x, flat_y, method, borderMode=cv2.BORDER_REPLICATE), dtype=np.float32).reshape(x.shape)
        for axis, start, side, least, most in zip((x, y), origin, self.size, low, high):
            if least < -0.5 or most > side - 0.5:
                values[(axis < -0.5 - start) | (axis > side - 0.5 - start)] = np.nan
        return values

    def _axes(self, strip: Strip, s: np.ndarray, t: np.ndarray) -> tuple[list[np.ndarray], list[np.ndarray]]:
        """Pixels of the copy, x and y, as sums of a part that goes with `s` and one that goes with `t`."""
        cos, sin = math.cos(strip.angle), math.sin(strip.angle)
        along = [(start + s * turn + 0.5) / self.factor - 0.5 for start, turn in ((strip.x, cos), (strip.y, sin))]
        beside = [t * ((strip.shear * turn + lean) / self.factor) for turn, lean in ((cos, -sin), (sin, cos))]
        return along, beside


def grey(pixels: np.ndarray) -> np.ndarray:
    """Encoded luma of an image, shape (height, width), same depth."""
    return pixels if pixels.ndim == 2 else np.asarray(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY))
