"""Judging a picture from few of its pixels: how blurred its sharpest edges are, how much is clipped.

Crops are taken at full resolution where a coarse look finds the strongest gradients, so a 24-megapixel
photo costs no more than a small one.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

__all__ = ["PictureFacts", "edge_blur_sigma_px", "judge_picture"]

_FINE_PX, _COARSE_PX = 1.2, 2.4  # sigma of the two Gaussian gradients whose ratio gives the blur
_DIFFERENCE_VARIANCE = 1.0 / 3.0
_CROPS, _CROP_PX, _LOOK_PX = 12, 80, 400
_CLIPPED = 250.0  # clipping cuts an edge short, so it looks steeper than it is
_ROUND_CLIPPED = np.ones((9, 9), np.uint8)
_ROUND_CLIPPED.setflags(write=False)
_MOST_BLUR_PX = 12.0
_LEAST_GRADIENT = 1.0  # levels per px at the coarse scale; weaker edges drown in noise


@dataclass(frozen=True)
class PictureFacts:
    """What few pixels say of a picture.

    Parameters
    ----------
    edge_blur_px : float or None
        Gaussian-equivalent blur of its sharpest edges, pixels; ``None`` where it has no edges.
    clipped_fraction : float
        Share of pixels with a channel at the top of its range.
    median_level : float
        Median of the green (or grey) channel, 0 to 1, encoded.
    is_grey : bool
        Whether no pixel has colour.
    """

    edge_blur_px: float | None
    clipped_fraction: float
    median_level: float
    is_grey: bool


def judge_picture(pixels: np.ndarray) -> PictureFacts:
    """Facts of `pixels`, shape (height, width, 3) or (height, width), uint8 or uint16."""
    step = max(1, max(pixels.shape[:2]) // _LOOK_PX)
    look = pixels[step // 2 :: step, step // 2 :: step]
    planes = [look[:, :, k].astype(np.int32) for k in range(3)] if look.ndim == 3 else [look.astype(np.int32)]
    brightest, darkest = np.maximum.reduce(planes), np.minimum.reduce(planes)
    top = int(np.iinfo(pixels.dtype).max)
    return PictureFacts(
        edge_blur_px=edge_blur_sigma_px(pixels),
        clipped_fraction=float(np.mean(brightest >= top - (top >> 8))),
        median_level=float(np.median(planes[len(planes) // 2])) / top,
        is_grey=bool((brightest - darkest <= (top >> 6)).all()),
    )


def edge_blur_sigma_px(pixels: np.ndarray) -> float | None:
    """Gaussian-equivalent blur of the sharpest fifth of the strong edges, pixels; ``None`` without edges.

    Notes
    -----
    An edge blurred by s has a peak gradient that goes with 1/sqrt(s^2 + a^2) under a Gaussian derivative of
    scale a; from the ratio R of the peaks at scales a < b, s^2 = (b^2 - R^2 a^2) / (R^2 - 1). The central
    difference over two pixels adds 1/3 px^2 to a^2 and b^2 (the variance of a box two wide). Holds for edges
    that stand alone over 3 b; judged on encoded values, which is good enough to sort photos and not used in
    any budget. At most about 12 px is told apart from more.

    References
    ----------
    Zhuo, Sim, Pattern Recognition 2011;44:1852-1858, https://doi.org/10.1016/j.patcog.2011.03.009.
    """
    plane = pixels[:, :, 1] if pixels.ndim == 3 else pixels
    found = [s for y, x in _busiest(plane) if (s := _crop_blur(_crop8(plane, y, x))) is not None]
    return float(np.percentile(found, 20)) if found else None


def _busiest(plane: np.ndarray) -> list[tuple[int, int]]:
    """Places (y, x) of the strongest gradients of a coarse look, one from each cell of a grid, strongest first."""
    step = max(1, max(plane.shape) // _LOOK_PX)
    look = plane[step // 2 :: step, step // 2 :: step].astype(np.float32)
    strength = cv2.magnitude(cv2.Sobel(look, cv2.CV_32F, 1, 0), cv2.Sobel(look, cv2.CV_32F, 0, 1))
    peaks = []
    for rows in np.array_split(np.arange(look.shape[0]), min(8, look.shape[0])):
        for columns in np.array_split(np.arange(look.shape[1]), min(8, look.shape[1])):
            cell = strength[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
            y, x = np.unravel_index(int(cell.argmax()), cell.shape)
            peaks.append((float(cell[y, x]), int(rows[0] + y) * step + step // 2, int(columns[0] + x) * step + step // 2))
    peaks.sort(reverse=True)
    return [(y, x) for strength_here, y, x in peaks[:_CROPS] if strength_here > 0]


def _crop8(plane: np.ndarray, y: int, x: int) -> np.ndarray:
    half = _CROP_PX // 2
    part = plane[max(0, y - half) : y + half, max(0, x - half) : x + half]
    return np.asarray(part.astype(np.float32) * np.float32(255.0 / np.iinfo(plane.dtype).max))


def _crop_blur(part: np.ndarray) -> float | None:
    fine, coarse = _gradient(part, _FINE_PX), _gradient(part, _COARSE_PX)
    rank = coarse.size - max(1, coarse.size // 100)
    coarse[cv2.dilate(np.asarray(part >= _CLIPPED, np.uint8), _ROUND_CLIPPED) > 0] = 0.0
    strong = coarse >= max(_LEAST_GRADIENT, float(np.partition(coarse, rank, axis=None)[rank]))
    if not strong.any():
        return None
    ratio2 = float(np.median(fine[strong] / coarse[strong])) ** 2
    if ratio2 <= 1.0 + 1e-3:
        return _MOST_BLUR_PX
    fine2, coarse2 = _FINE_PX**2 + _DIFFERENCE_VARIANCE, _COARSE_PX**2 + _DIFFERENCE_VARIANCE
    return float(np.sqrt(max(0.0, (coarse2 - ratio2 * fine2) / (ratio2 - 1.0))))


def _gradient(part: np.ndarray, sigma: float) -> np.ndarray:
    smooth = cv2.GaussianBlur(part, (0, 0), sigma)
    return cv2.magnitude(cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=1, scale=0.5), cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=1, scale=0.5))
