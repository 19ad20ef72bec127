"""Sampling pixels along transformed coordinates: the picture itself is never warped or resized.

Coordinates are x right, y down, integer = pixel centre; arrays are indexed [y, x] inside this room only.
"""

from __future__ import annotations

import cv2
import numpy as np

from audit.imaging.colour import to_linear

__all__ = ["arc_length_px", "band_coordinates", "crop", "look_up", "resample_polyline", "sample", "sample_linear"]


def arc_length_px(xy: np.ndarray) -> np.ndarray:
    """Running length along a polyline, shape (n,), pixels, starting at 0, for `xy` of shape (n, 2)."""
    return np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])


def resample_polyline(xy: np.ndarray, step_px: float) -> np.ndarray:
    """Points every `step_px` pixels along a polyline, both ends kept, shape (m, 2)."""
    length = arc_length_px(xy)
    count = max(2, round(length[-1] / step_px) + 1)
    at = np.linspace(0.0, length[-1], count)
    return np.stack([np.interp(at, length, xy[:, 0]), np.interp(at, length, xy[:, 1])], axis=1)


def band_coordinates(xy: np.ndarray, half_width_px: float, step_px: float, smooth_px: float = 0.0) -> np.ndarray:
    """Coordinates of a straightened band along a polyline.

    Parameters
    ----------
    xy : ndarray, shape (n, 2)
        Centre line, one row of the band per point; resample it first for equal steps.
    half_width_px, step_px : float
        The band runs from -half_width to +half_width at right angles to the line, in steps of `step_px`.
        Positive offsets lie to the right of the direction of travel as seen on the image (y down).
    smooth_px : float
        Length over which the direction of the line is averaged.

    Returns
    -------
    ndarray, shape (n, m, 2)
        Pixel coordinates; ``m = 2 * round(half_width_px / step_px) + 1``.
    """
    tangent = np.gradient(xy, axis=0)
    if smooth_px > 0:
        spacing = max(float(np.median(np.hypot(*np.diff(xy, axis=0).T))), 1e-9)
        width = max(1, round(smooth_px / spacing))
        kernel = np.ones(width) / width
        padded = np.pad(tangent, ((width, width), (0, 0)), mode="edge")
        tangent = np.stack([np.convolve(padded[:, k], kernel, mode="same")[width:-width] for k in (0, 1)], axis=1)
    tangent = tangent / np.maximum(np.hypot(tangent[:, 0], tangent[:, 1]), 1e-12)[:, None]
    normal = np.stack([-tangent[:, 1], tangent[:, 0]], axis=1)
    half = round(half_width_px / step_px)
    offset = np.arange(-half, half + 1) * step_px
    return np.asarray(xy[:, None, :] + offset[None, :, None] * normal[:, None, :])


def crop(pixels: np.ndarray, xy: np.ndarray, margin_px: float) -> tuple[np.ndarray, np.ndarray]:
    """Smallest rectangle of `pixels` that holds all points with a margin, as a view, and its origin (x, y)."""
    flat = xy.reshape(-1, 2)
    height, width = pixels.shape[:2]
    x0, y0 = (int(max(0, np.floor(flat[:, k].min() - margin_px))) for k in (0, 1))
    x1 = int(min(width, np.ceil(flat[:, 0].max() + margin_px) + 1))
    y1 = int(min(height, np.ceil(flat[:, 1].max() + margin_px) + 1))
    return pixels[y0 : max(y1, y0 + 1), x0 : max(x1, x0 + 1)], np.array([x0, y0], dtype=float)


def sample(pixels: np.ndarray, xy: np.ndarray, cubic: bool = False) -> np.ndarray:
    """Interpolated values at pixel coordinates.

    Parameters
    ----------
    pixels : ndarray, shape (height, width) or (height, width, channels)
        Any depth; converted to float32 over the crop that is needed only.
    xy : ndarray, shape (..., 2)
    cubic : bool
        Bicubic rather than bilinear.

    Returns
    -------
    ndarray of float32, shape (...) or (..., channels)
        NaN outside the image.
    """
    part, origin = crop(pixels, xy, 3.0)
    return _remap(part.astype(np.float32), xy - origin, cubic)


def sample_linear(pixels: np.ndarray, xy: np.ndarray, cubic: bool = False) -> np.ndarray:
    """As `sample`, in linear light (0 to 1): the crop is linearised before it is interpolated."""
    part, origin = crop(pixels, xy, 3.0)
    return _remap(to_linear(part), xy - origin, cubic)


def look_up(maps: np.ndarray, x: np.ndarray, y: np.ndarray, wrap: bool = False) -> np.ndarray:
    """Bilinear values of float maps at coordinates, for drawing, not for measuring.

    Parameters
    ----------
    maps : ndarray of float32, shape (height, width) or (height, width, up to 4)
    x, y : ndarray of float32, shape (m, n) or (n,), in map pixels
    wrap : bool
        Outside, the map is repeated as a tile; otherwise its border pixels are.

    Returns
    -------
    ndarray of float32, shape of `x` (and channels)
    """
    border = cv2.BORDER_WRAP if wrap else cv2.BORDER_REPLICATE
    if x.ndim == 2:
        return np.asarray(cv2.remap(maps, x, y, cv2.INTER_LINEAR, borderMode=border))
    if x.size == 0:
        return np.zeros(x.shape + maps.shape[2:], np.float32)
    rows = [np.pad(a, (0, -a.size % 1024)).reshape(-1, 1024) for a in (x, y)]
    values = np.asarray(cv2.remap(maps, rows[0], rows[1], cv2.INTER_LINEAR, borderMode=border))
    return values.reshape(-1, *maps.shape[2:])[: x.size]


def _remap(part: np.ndarray, xy: np.ndarray, cubic: bool) -> np.ndarray:
    flat = xy.reshape(-1, xy.shape[-2], 2) if xy.ndim > 2 else xy.reshape(1, -1, 2)
    x, y = (np.ascontiguousarray(flat[..., k], dtype=np.float32) for k in (0, 1))
    method = cv2.INTER_CUBIC if cubic else cv2.INTER_LINEAR
    # a border of NaN makes OpenCV 5's cubic return NaN well inside small pictures; so outside is marked here
    values = np.asarray(cv2.remap(part, x, y, method, borderMode=cv2.BORDER_REPLICATE)).reshape(xy.shape[:-1] + part.shape[2:])
    for k, last in ((0, part.shape[1] - 1), (1, part.shape[0] - 1)):
        axis = xy[..., k]
        if axis.size and not (axis.min() >= 0 and axis.max() <= last):
            values[(axis < 0) | (axis > last)] = np.nan
    return values
