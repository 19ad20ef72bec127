"""Parts of a photo as pictures for the screen: the whole of it reduced, or a window at the resolution asked for.

What is shown is never measured: measuring reads the file again.
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np

from audit.imaging.codec import read_image
from audit.imaging.draw import grey_to_display, jpeg_bytes

__all__ = ["Shown", "overview_jpeg", "region_jpeg", "shown"]

OVERVIEW_PX = 1600
LARGEST_WINDOW_PX = 4096
_QUALITY = 92
_KEPT = 3  # decoded photos held at a time; one of 24 megapixels is 72 MB


class Shown:
    """A decoded photo as it is shown: upright 8-bit RGB, read-only, and the hash of its file."""

    def __init__(self, path: Path) -> None:
        file = read_image(path)
        self.sha256 = file.sha256
        self.pixels = grey_to_display(file.pixels)
        self.pixels.setflags(write=False)
        self.height_px, self.width_px = self.pixels.shape[:2]


def shown(path: Path) -> Shown:
    """A photo ready to be shown; the last few are kept, a file that was written anew is read anew.

    Raises
    ------
    ImageError
        It cannot be read.
    """
    try:
        stat = path.stat()
        stamp = (stat.st_mtime_ns, stat.st_size)
    except OSError:
        stamp = (0, 0)
    return _decoded(path, stamp)


@lru_cache(maxsize=_KEPT)
def _decoded(path: Path, stamp: tuple[int, int]) -> Shown:
    return Shown(path)


def overview_jpeg(photo: Shown, longest_px: int = OVERVIEW_PX) -> bytes:
    """The whole photo, at most `longest_px` on the longer side."""
    factor = max(1.0, max(photo.width_px, photo.height_px) / max(1, min(longest_px, OVERVIEW_PX)))
    return _jpeg(photo.pixels, round(photo.width_px / factor), round(photo.height_px / factor))


def region_jpeg(photo: Shown, x: int, y: int, width: int, height: int, factor: int) -> bytes:
    """A window of the photo reduced `factor` times; what lies outside of the photo is cut off.

    Raises
    ------
    ValueError
        Nothing of the window lies inside, or it is too large to be sent.
    """
    left, top = max(0, x), max(0, y)
    right, bottom = min(photo.width_px, x + width), min(photo.height_px, y + height)
    if right <= left or bottom <= top or factor < 1 or max(right - left, bottom - top) > LARGEST_WINDOW_PX * factor:
        raise ValueError(f"window must lie in the photo of {photo.width_px} x {photo.height_px} px; got {x}, {y}, {width} x {height}")
    window = photo.pixels[top:bottom, left:right]
    return _jpeg(window, max(1, (right - left) // factor), max(1, (bottom - top) // factor))


def _jpeg(rgb: np.ndarray, width: int, height: int) -> bytes:
    if (height, width) != rgb.shape[:2]:
        rgb = cv2.resize(rgb, (width, height), interpolation=cv2.INTER_AREA)
    return jpeg_bytes(rgb, _QUALITY)
