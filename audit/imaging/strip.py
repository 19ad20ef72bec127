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


@dataclass(frozen=True)
class Level:
    """A grey image, possibly a reduced copy, addressed in the pixels of the original."""

    image: np.ndarray
    factor: int = 1

    @classmethod
    def reduced(cls, image: np.ndarray, factor: int) -> Level:
        """A copy of `image` smaller by a whole `factor`, each pixel the mean of those it replaces."""
        if factor <= 1:
            return cls(image)
        height, width = (side // factor * factor for side in image.shape)
        size = (width // factor, height // factor)
        return cls(np.asarray(cv2.resize(image[:height, :width], size, interpolation=cv2.INTER_AREA)), factor)

    def values(self, strip: Strip, s: np.ndarray, t: np.ndarray) -> np.ndarray:
        """Values at broadcastable strip coordinates, NaN outside; cubic interpolation on the original, linear on a copy."""
        x, y = ((axis + 0.5) / self.factor - 0.5 for axis in strip.axes(s, t))
        height, width = self.image.shape
        method = cv2.INTER_CUBIC if self.factor == 1 else cv2.INTER_LINEAR
        flat_x, flat_y = (np.ascontiguousarray(axis.reshape(x.shape[0], -1), dtype=np.float32) for axis in (x, y))
        values = np.asarray(cv2.remap(self.image, flat_x, flat_y, method, borderMode=cv2.BORDER_REPLICATE), dtype=np.float32).reshape(
            x.shape
        )
        if x.min() < -0.5 or y.min() < -0.5 or x.max() > width - 0.5 or y.max() > height - 0.5:
            values[(x < -0.5) | (y < -0.5) | (x > width - 0.5) | (y > height - 0.5)] = np.nan
        return values


class Pyramid:
    """A grey image and its reduced copies, each made when first asked for and kept."""

    def __init__(self, image: np.ndarray) -> None:
        self._levels = [Level(image)]

    def at(self, halvings: int) -> Level:
        """The copy that was halved so many times, each pixel the mean of those it replaces."""
        while len(self._levels) <= halvings:
            last = self._levels[-1]
            self._levels.append(Level(Level.reduced(last.image, 2).image, last.factor * 2))
        return self._levels[halvings]

    @property
    def image(self) -> np.ndarray:
        """The original."""
        return self._levels[0].image


def grey(pixels: np.ndarray) -> np.ndarray:
    """Encoded luma of an image, shape (height, width), same depth."""
    return pixels if pixels.ndim == 2 else np.asarray(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY))
