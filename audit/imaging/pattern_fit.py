"""Laying the printed pattern over a photograph: a homography from every edge of the print, with its covariance."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from audit.core.reference_strip import GREYS_MM, HEAD_MM
from audit.imaging.colour import luminance, to_linear
from audit.imaging.fiducials import Fiducials
from audit.imaging.homography import apply, homography, through
from audit.imaging.strip_pattern import PatternRaster, pattern_raster

__all__ = ["PatternFit", "fit_pattern"]

_REGION_MM = (0.3, 0.7, HEAD_MM - 0.3, 7.6)
_BLOCK_MM = 2.0
_MOST_PIXELS = 50_000
_LEAST_MATCH = 0.9  # correlation of a block with the pattern below which it counts as hidden
_ROUNDS = 14
_SPREAD, _LOG_BLUR = 8, 9  # places of the two nuisances behind the eight control coordinates


@dataclass(frozen=True)
class PatternFit:
    """Where the strip lies, told by four control points of the image.

    Parameters
    ----------
    control_px, control_mm : ndarray, shape (4, 2)
        Fixed points of the image and what of the strip they show.
    covariance : ndarray, shape (8, 8)
        Of `control_mm`, mm^2, order x0, y0, x1, y1, ...; from the scatter between blocks of the print.
    seen : ndarray of bool, shape (rows, columns)
        Blocks of 2 mm of the head in which the print was recognised.
    spread_mm : float
        By how much the ink is wider than drawn, each edge; tone curves look the same.
    blur_px : float
        Gaussian-equivalent blur, pixels of the image.
    residual : float
        Scatter of the light about the pattern, relative to the contrast of the print.
    mirrored : bool
        Strip coordinates are those of the print all the same; the map turns them over.
    """

    control_px: np.ndarray
    control_mm: np.ndarray
    covariance: np.ndarray
    seen: np.ndarray
    spread_mm: float
    blur_px: float
    residual: float
    mirrored: bool

    def to_mm(self, xy_px: np.ndarray) -> np.ndarray:
        """Strip coordinates of image points, shape (..., 2)."""
        return apply(through(self.control_px, self.control_mm), xy_px)

    def to_px(self, xy_mm: np.ndarray) -> np.ndarray:
        """Image points of strip coordinates, shape (..., 2)."""
        return apply(np.linalg.inv(through(self.control_px, self.control_mm)), xy_mm)


@dataclass(frozen=True)
class _Pixels:
    """Image pixels that may show the print: places, light, and the step between them."""

    xy: np.ndarray
    light: np.ndarray
    step: int


def fit_pattern(pixels: np.ndarray, fiducials: Fiducials) -> PatternFit | None:
    """The homography between strip and image that explains the light of all print that is seen.

    Parameters
    ----------
    pixels : ndarray, shape (height, width) or (height, width, 3)
    fiducials : Fiducials
        At least two of them.

    Notes
    -----
    Light is linearised; the pattern is drawn through the map, widened by an unknown spread of ink and blurred by an
    unknown Gaussian; each block of 2 mm has its own black and white. Gauss-Newton with Tukey weights; blocks that do not
    correlate with the pattern are hidden and left out. The covariance is the sandwich over blocks (each block's scores
    are one draw), so correlated noise and what a block has of its own are in it.

    References
    ----------
    Liang, Zeger, Biometrika 1986;73:13-22, https://doi.org/10.1093/biomet/73.1.13 (covariance from clusters).
    """
    image, strip = fiducials.pairs()
    start = homography(image, strip)
    if start is None:
        return None
    x0, y0, x1, y1 = _region(start, pixels.shape)
    if x1 - x0 < 4.0:
        return None
    control_mm = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])
    control_px = apply(np.linalg.inv(start), control_mm)
    found = _pixels(pixels, control_px)
    mm_per_px = math.sqrt((x1 - x0) * (y1 - y0) / _area(control_px))
    sharp = pattern_raster(float(np.clip(mm_per_px / 2, 0.015, 0.06)))
    first = PatternFit(control_px, control_mm, np.eye(8), np.zeros((0, 0), bool), 0.0, 2.0, 1.0, fiducials.mirrored)
    return _iterated(found, sharp, first, mm_per_px)


def _region(to_mm: np.ndarray, shape: tuple[int, ...]) -> tuple[float, float, float, float]:
    """The part of the head that lies within the picture along the strip, mm."""
    x0, y0, x1, y1 = _REGION_MM
    s = np.arange(x0, x1, 0.1)
    edges = apply(np.linalg.inv(to_mm), np.stack(np.broadcast_arrays(s[:, None], np.array([y0, y1])), axis=-1))
    inside = ((edges > 1) & (edges < np.array([shape[1], shape[0]]) - 2)).all(axis=(1, 2))
    return (float(s[inside].min()), y0, float(s[inside].max()), y1) if inside.any() else (0.0, y0, 0.0, y1)


def _area(polygon: np.ndarray) -> float:
    x, y = polygon.T
    return abs(float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))) / 2


def _pixels(pixels: np.ndarray, control_px: np.ndarray) -> _Pixels:
    step = max(1, math.ceil(math.sqrt(_area(control_px) / _MOST_PIXELS)))
    height, width = pixels.shape[:2]
    low = np.maximum(np.floor(control_px.min(axis=0)), 0).astype(int)
    high = np.minimum(np.ceil(control_px.max(axis=0)) + 1, (width, height)).astype(int)
    y, x = np.mgrid[low[1] : high[1] : step, low[0] : high[0] : step]
    part = to_linear(pixels[low[1] : high[1] : step, low[0] : high[0] : step])
    light = (luminance(part) if part.ndim == 3 else part).ravel()
    return _Pixels(np.stack([x.ravel(), y.ravel()], axis=1).astype(float), light.astype(float), step)


def _iterated(found: _Pixels, sharp: PatternRaster, fit: PatternFit, mm_per_px: float) -> PatternFit | None:
    system: _System | None = None
    for number in range(_ROUNDS):
        system = _System.of(found, sharp, fit, mm_per_px)
        if system is None:
            return None
        step = system.solve()
        spread = float(np.clip(fit.spread_mm + step[_SPREAD], -0.15, 0.15))
        blur = fit.blur_px * math.exp(float(np.clip(step[_LOG_BLUR], -0.4, 0.4)))
        fit = replace(fit, control_mm=fit.control_mm + step[:8].reshape(4, 2), spread_mm=spread, blur_px=float(np.clip(blur, 0.3, 12.0)))
        if number > 3 and np.abs(step[:8]).max() < 2e-3 * mm_per_px:
            break
    covariance = None if system is None else system.covariance()
    if system is None or covariance is None:
        return None
    return replace(fit, covariance=covariance, seen=system.seen, residual=system.residual)


@dataclass(frozen=True)
class _System:
    """Weighted residuals and derivatives of one round, blocks already freed of their own black and white."""

    residuals: np.ndarray
    jacobian: np.ndarray
    block: np.ndarray
    seen: np.ndarray
    residual: float

    @classmethod
    def of(cls, found: _Pixels, sharp: PatternRaster, fit: PatternFit, mm_per_px: float) -> _System | None:
        mm = fit.to_mm(found.xy)
        used = _may_show(mm, found.light)
        xy, mm, light = found.xy[used], mm[used], found.light[used]
        blurred = sharp.blurred(fit.blur_px * mm_per_px)
        spread = blurred.at(blurred.spread, mm)
        pattern = blurred.at(blurred.light, mm) - fit.spread_mm * spread
        gx, gy = blurred.gradient()
        slope = np.stack([blurred.at(gx, mm), blurred.at(gy, mm)], axis=1)
        columns = [np.sum(slope * move, axis=1) for move in _moves(fit, xy)]
        columns += [-spread, (fit.blur_px * mm_per_px) ** 2 * blurred.at(blurred.bend(), mm)]  # heat equation
        return cls._freed(light, pattern, np.stack(columns, axis=1), _block(mm))

    @classmethod
    def _freed(cls, light: np.ndarray, pattern: np.ndarray, columns: np.ndarray, block: np.ndarray) -> _System | None:
        rows, across = math.ceil(8.0 / _BLOCK_MM), math.ceil(HEAD_MM / _BLOCK_MM)
        seen = np.zeros(rows * across, dtype=bool)
        parts = []
        for number in np.unique(block):
            here = np.flatnonzero(block == number)
            ground = np.stack([np.ones(len(here)), pattern[here]], axis=1)
            if len(here) < 12 or np.std(pattern[here]) < 0.05:
                continue
            basis = np.linalg.qr(ground)[0]
            level = np.linalg.lstsq(ground, light[here], rcond=None)[0]
            residual = light[here] - basis @ (basis.T @ light[here])
            if level[1] <= 0 or 1 - np.sum(residual**2) / max(np.sum((light[here] - light[here].mean()) ** 2), 1e-12) < _LEAST_MATCH**2:
                continue
            seen[number] = True
            derivative = columns[here] * level[1]
            parts.append((residual / level[1], (derivative - basis @ (basis.T @ derivative)) / level[1], here))
        if seen.sum() < 6:
            return None
        residuals, jacobian = np.concatenate([p[0] for p in parts]), np.concatenate([p[1] for p in parts])
        weight = np.sqrt(_tukey(residuals))
        used = np.concatenate([block[p[2]] for p in parts])
        rms = float(np.sqrt(np.mean((weight * residuals) ** 2)))
        return cls(weight * residuals, weight[:, None] * jacobian, used, seen.reshape(rows, across), rms)

    def solve(self) -> np.ndarray:
        return np.asarray(np.linalg.lstsq(self.jacobian, self.residuals, rcond=None)[0])

    def covariance(self) -> np.ndarray | None:
        """Sandwich over blocks for the eight control coordinates."""
        bread = np.linalg.pinv(self.jacobian.T @ self.jacobian)
        numbers = np.unique(self.block)
        left = self.residuals - self.jacobian @ self.solve()
        scores = np.array([self.jacobian[self.block == n].T @ left[self.block == n] for n in numbers])
        free = len(numbers) - self.jacobian.shape[1] - 1
        if free < 3:
            return None
        meat = scores.T @ scores * len(numbers) / free
        return np.asarray((bread @ meat @ bread)[:8, :8])


def _may_show(mm: np.ndarray, light: np.ndarray) -> np.ndarray:
    x0, y0, x1, y1 = _REGION_MM
    inside = (mm[:, 0] > x0) & (mm[:, 0] < x1) & (mm[:, 1] > y0) & (mm[:, 1] < y1)
    greys = (mm[:, 0] > GREYS_MM[0] - 0.3) & (mm[:, 0] < GREYS_MM[1] + 0.3) & (mm[:, 1] > 3.1)
    return np.asarray(inside & ~greys & (light < 0.985))


def _block(mm: np.ndarray) -> np.ndarray:
    across = math.ceil(HEAD_MM / _BLOCK_MM)
    return np.asarray((mm[:, 1] // _BLOCK_MM).astype(int) * across + (mm[:, 0] // _BLOCK_MM).astype(int))


def _moves(fit: PatternFit, xy: np.ndarray) -> list[np.ndarray]:
    """By how much strip coordinates of image points change with each control coordinate, eight of shape (n, 2)."""
    here, step = fit.to_mm(xy), 1e-4
    moves = []
    for k in range(8):
        changed = fit.control_mm.copy().ravel()
        changed[k] += step
        moves.append((apply(through(fit.control_px, changed.reshape(4, 2)), xy) - here) / step)
    return moves


def _tukey(residuals: np.ndarray) -> np.ndarray:
    spread = max(1.4826 * float(np.median(np.abs(residuals))), 1e-4)
    return np.asarray(np.clip(1 - (residuals / (6.0 * spread)) ** 2, 0, None) ** 2)
