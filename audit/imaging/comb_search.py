"""Where on a photo something repeats like the graduations of a rule, at any place, size and angle.

The picture is reduced step by step. On each reduced copy, small cells whose gradients all point one way are looked
at along that way; where a profile repeats strongly, a candidate is proposed. What it is, others decide.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from audit.imaging.strip import Level, Pyramid

__all__ = ["CombSeed", "comb_candidates"]

_CELL = 8  # px of a reduced copy
_LINE = 128  # samples of a profile, px of a reduced copy
_LONGEST = 2600  # long side of the finest copy that is searched
_SHORTEST = 150
_CELLS = 160  # cells looked at on one copy for their strength alone
_TILE, _WAYS = 12, 4  # cells along a tile, of which the strongest of each of so many directions is looked at too
_SEEDS = 4  # candidates proposed from one copy


@dataclass(frozen=True)
class CombSeed:
    """A place where something repeats: ends of a line across it, pixels of the original, its period and its strength."""

    start: np.ndarray
    end: np.ndarray
    period_px: float
    strength: float

    def is_beside(self, other: CombSeed) -> bool:
        """Whether two candidates lie along one comb, at one period."""
        way = (self.end - self.start) / np.hypot(*(self.end - self.start))
        gap = (other.start + other.end - self.start - self.end) / 2
        off = abs(float(way[0] * gap[1] - way[1] * gap[0]))
        return off < 3 * self.period_px and 0.7 < self.period_px / other.period_px < 1.4


def comb_candidates(pyramid: Pyramid) -> list[CombSeed]:
    """Places where something repeats, from strong to weak.

    Parameters
    ----------
    pyramid : Pyramid
        Of the encoded image.
    """
    longest = max(pyramid.size)
    halvings = max(0, math.ceil(math.log2(longest / _LONGEST)))
    seeds: list[CombSeed] = []
    while longest >> halvings > _SHORTEST:
        seeds += _on_level(pyramid.at(halvings))
        halvings += 1
    return sorted(seeds, key=lambda seed: -seed.strength)


def _on_level(level: Level) -> list[CombSeed]:
    picture = level.image.astype(np.float32)
    if level.image.dtype == np.uint16:
        picture /= 257.0
    centre, angle = _cells(picture)
    if len(centre) == 0:
        return []
    along = np.arange(_LINE, dtype=np.float32) - np.float32((_LINE - 1) / 2)
    cos, sin = (np.asarray(part, dtype=np.float32)[:, None] for part in (np.cos(angle), np.sin(angle)))
    middle = centre.astype(np.float32)
    x, y = middle[:, :1] + along * cos, middle[:, 1:] + along * sin
    profile = np.zeros((len(centre), _LINE), dtype=np.float32)
    for t in (np.float32(-2.0), np.float32(0.0), np.float32(2.0)):
        profile += cv2.remap(picture, x - t * sin, y + t * cos, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    period, strength = _periods(profile)
    seeds: list[CombSeed] = []
    left = np.flatnonzero(strength >= 0.3)
    while len(left) and len(seeds) < _SEEDS:
        best = int(left[np.argmax(strength[left])])
        direction = np.array([np.cos(angle[best]), np.sin(angle[best])])
        half = min(5.0 * period[best], _LINE / 2) * direction
        seeds.append(_in_original(level, centre[best], half, float(period[best]), float(strength[best])))
        off = np.abs((centre[left] - centre[best]) @ np.array([-direction[1], direction[0]]))
        ratio = period[left] / period[best]
        left = left[(off >= 3 * period[best]) | (ratio <= 0.7) | (ratio >= 1.4)]
    return seeds


def _in_original(level: Level, centre: np.ndarray, half: np.ndarray, period: float, strength: float) -> CombSeed:
    ends = (np.stack([centre - half, centre + half]) + 0.5) * level.factor - 0.5
    return CombSeed(ends[0], ends[1], period * level.factor, strength)


def _cells(picture: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Cells whose gradients are strong and all point one way: centres (n, 2) and that way (n,), radians."""
    gx = cv2.Sobel(picture, cv2.CV_32F, 1, 0)
    gy = cv2.Sobel(picture, cv2.CV_32F, 0, 1)
    rows, columns = picture.shape[0] // _CELL, picture.shape[1] // _CELL
    size = (columns, rows)
    part = (slice(0, rows * _CELL), slice(0, columns * _CELL))
    xx, yy, xy = (cv2.resize(product[part], size, interpolation=cv2.INTER_AREA) for product in (gx * gx, gy * gy, gx * gy))
    xx, yy, xy = (cv2.boxFilter(mean, -1, (3, 3)) for mean in (xx, yy, xy))
    energy = xx + yy
    coherence = np.hypot(xx - yy, 2 * xy) / np.maximum(energy, 1e-6)
    score = np.where((coherence > 0.6) & (energy > 64.0), np.sqrt(energy) * coherence**2, 0.0)
    angle = 0.5 * np.arctan2(2 * xy, xx - yy)
    row, column = _looked_at(score, angle)
    return np.stack([(column + 0.5) * _CELL - 0.5, (row + 0.5) * _CELL - 0.5], axis=1), angle[row, column]


def _looked_at(score: np.ndarray, angle: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Rows and columns of the cells with the highest scores, and of the highest of each way in every tile: faint ticks by a bold edge."""
    order = np.argsort(-score, axis=None)[: _CELLS * 2 : 2]
    rows, columns = (side // _TILE for side in score.shape)
    way = np.floor(angle * (_WAYS / np.pi) + 0.5).astype(int) % _WAYS
    chosen = [order]
    for turn in range(_WAYS):
        part = np.where(way == turn, score, 0.0)[: rows * _TILE, : columns * _TILE]
        tiles = part.reshape(rows, _TILE, columns, _TILE).transpose(0, 2, 1, 3).reshape(rows, columns, _TILE**2)
        best = tiles.argmax(axis=-1)
        down, right = np.arange(rows)[:, None] * _TILE + best // _TILE, np.arange(columns) * _TILE + best % _TILE
        chosen.append((down * score.shape[1] + right).ravel())
    index = np.unique(np.concatenate(chosen))
    row, column = np.unravel_index(index[score.ravel()[index] > 0], score.shape)
    return np.asarray(row), np.asarray(column)


def _periods(profile: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Period and strength of repetition of each row, from the autocorrelation of its slope."""
    slope = np.gradient(profile, axis=1)
    slope -= slope.mean(axis=1, keepdims=True)
    spectrum = np.fft.rfft(slope, 2 * _LINE, axis=1)
    lags = np.arange(_LINE // 3)
    acf = np.fft.irfft(np.abs(spectrum) ** 2, axis=1)[:, lags] / (_LINE - lags)
    acf = acf / np.maximum(acf[:, :1], 1e-9)
    peak = np.zeros_like(acf, dtype=bool)
    peak[:, 3:-1] = (acf[:, 3:-1] >= acf[:, 2:-2]) & (acf[:, 3:-1] > acf[:, 4:])
    height = np.where(peak, acf, 0.0)
    best = height.max(axis=1)
    first = np.argmax(height >= 0.7 * np.maximum(best, 1e-6)[:, None], axis=1)
    row = np.arange(len(acf))
    left, centre, right = acf[row, np.maximum(first - 1, 0)], acf[row, first], acf[row, first + 1]
    shift = 0.5 * (left - right) / np.minimum(left - 2 * centre + right, -1e-9)
    return first + np.clip(shift, -0.5, 0.5), np.where(first > 0, best, 0.0)
