"""The ticks of a comb seen from the side: which stretch they share, how long each is, which way their ends run."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d

__all__ = ["TickLengths", "contrast_of", "finer_ticks", "is_dark", "runs", "shear_of", "tick_lengths"]

_RAGGED = 0.35  # scatter of tick ends, in intervals, beyond which they tell no direction and that of the frame is kept
_FINER = (10, 5, 2)  # how many finer intervals one interval of a line may hold


@dataclass(frozen=True)
class TickLengths:
    """How the ticks of a comb lie across it.

    Parameters
    ----------
    core_px : tuple of float
        Range of `t` at ``s = 0`` that all ticks share.
    length_px : ndarray, shape (n,)
        NaN where a tick was not seen.
    seen : ndarray of bool, shape (n,)
    slope : float
        Direction of the scale against the frame: change of `t` per pixel of `s`.
    """

    core_px: tuple[float, float]
    length_px: np.ndarray
    seen: np.ndarray
    slope: float


def contrast_of(values: np.ndarray, dark: bool) -> np.ndarray:
    """How much of a tick stands in the middle of each interval: first Fourier coefficient, shape (m, n) for (m, n, parts)."""
    parts = values.shape[-1]
    wave = np.cos(2 * np.pi * (np.arange(parts) - parts // 2) / parts) * (2.0 / parts)
    return np.asarray(np.nan_to_num(values @ (-wave if dark else wave)))


def is_dark(values: np.ndarray) -> bool:
    """Whether ticks are darker than their ground: ink is the rarer of the two.

    Parameters
    ----------
    values : ndarray, shape (m, n, parts)

    Notes
    -----
    Third moment of what repeats every two and every ten intervals. Where fine ticks are blurred into a wave without
    a rarer side, rows that only the longer ticks reach still have one; what does not repeat averages out.
    """
    skew = 0.0
    for step in (2, 10):
        count = values.shape[1] // step
        if count < 2:
            continue
        series = np.nan_to_num(values[:, : count * step]).reshape(len(values), count, -1).mean(axis=1)
        centred = series - series.mean(axis=1, keepdims=True)
        skew += float(np.sum(centred**3))
    return skew < 0


def shear_of(values: np.ndarray, t: np.ndarray, period: float) -> float:
    """How far ticks lean, pixels of `s` per pixel of `t`."""
    fold = np.nan_to_num(values).mean(axis=1)
    fundamental = fold @ np.exp(-2j * np.pi * np.arange(fold.shape[1]) / fold.shape[1])
    strength = np.abs(fundamental)
    middle = int(np.argmax(np.where(np.abs(t) <= 2 * period, strength, 0.0)))
    low, high = _run_at(strength > 0.3 * strength[middle], middle)
    rows = np.zeros(len(t), dtype=bool)
    rows[low : high + 1] = True
    if high - low < 3:
        return 0.0
    slope = np.polyfit(t[rows], np.unwrap(np.angle(fundamental[rows])), 1, w=strength[rows])[0]
    return float(np.clip(-slope * period / (2 * np.pi), -0.3, 0.3))


def _run_at(mask: np.ndarray, at: int) -> tuple[int, int]:
    return next(((low, high) for low, high in runs(mask) if low <= at <= high), (at, at))


def runs(mask: np.ndarray) -> list[tuple[int, int]]:
    """First and last index of each run of true values."""
    edge = np.flatnonzero(np.diff(np.concatenate([[0], np.asarray(mask, dtype=np.int8), [0]])))
    return [(int(a), int(b) - 1) for a, b in zip(edge[::2], edge[1::2])]


def finer_ticks(values: np.ndarray, t: np.ndarray, period: float, dark: bool) -> int:
    """How many equal finer ticks are drawn within one interval, somewhere along the ticks.

    Parameters
    ----------
    values : ndarray, shape (m, n, parts)
        `parts` divisible by 2, 5 and 10; a tick in the middle of each interval.
    t : ndarray, shape (m,)
    period : float
        Interval, pixels.
    dark : bool

    Notes
    -----
    Where only ticks of one n-th of the interval stand, the mean interval holds multiples of the n-th
    harmonic alone. Each finer tick must also stand by itself in four of five places.
    """
    fold = _median_tick(values)
    power = np.abs(np.fft.rfft(fold - fold.mean(axis=1, keepdims=True), axis=1)) ** 2
    total = power[:, 1:].sum(axis=1)
    main = total[np.abs(t) <= 0.5 * period].max(initial=0.0)
    for finer in _FINER:
        multiples = power[:, finer::finer].sum(axis=1)
        pure = (multiples > 0.75 * total) & (multiples > 0.03 * main)
        for low, high in runs(pure):
            if t[high] - t[low] >= max(2.0, 0.5 * period / finer) and _each_stands(values[low : high + 1], finer, dark):
                return finer
    return 1


def _median_tick(values: np.ndarray) -> np.ndarray:
    """Median over the ticks, shape (m, parts) of (m, n, parts)."""
    ordered = np.sort(np.ascontiguousarray(np.nan_to_num(values).transpose(0, 2, 1)), axis=-1)
    count = ordered.shape[-1]
    return np.asarray((ordered[..., (count - 1) // 2] + ordered[..., count // 2]) / 2)


def _each_stands(values: np.ndarray, finer: int, dark: bool) -> bool:
    """Whether four in five of the finer ticks stand, counted between ticks of the line that are both seen."""
    mean = np.nan_to_num(values).mean(axis=0)
    parts = mean.shape[1] // finer
    series = np.roll(mean.reshape(-1), parts // 2 - mean.shape[1] // 2)
    single = contrast_of(series.reshape(1, -1, parts), dark)[0].reshape(-1, finer)
    seen = single[:, 0] > 0.4 * float(np.median(single[:, 0]))
    between = single[:-1][seen[:-1] & seen[1:], 1:]
    typical = float(np.median(between)) if len(between) >= 3 else 0.0
    return typical > 0 and bool(np.mean(between > 0.4 * typical) > 0.8)


def tick_lengths(contrast: np.ndarray, s: np.ndarray, t: np.ndarray, steepest_deg: float) -> TickLengths | None:
    """Core, lengths and direction of a comb; ``None`` where no stretch shows all its ticks.

    Parameters
    ----------
    contrast : ndarray, shape (m, n)
        Of each tick at each `t`.
    s : ndarray, shape (n,)
        Positions of the ticks, pixels.
    t : ndarray, shape (m,)
    steepest_deg : float
        Largest angle between frame and scale.
    """
    pitch = float(np.median(np.diff(s)))
    if pitch <= 0:
        return None
    step = float(t[1] - t[0])
    smooth = gaussian_filter1d(contrast, max(0.08 * pitch / step, 0.3), axis=0)
    slope = _coarse_slope(smooth, s, step, math.tan(math.radians(steepest_deg)))
    level = _levelled(smooth, slope * s / step)
    core = _core(level, t, pitch)
    if core is None:
        return None
    own = np.median(level[core[0] : core[1] + 1], axis=0)
    typical = float(np.median(own[own > 0])) if np.any(own > 0) else 0.0
    seen = own > 0.35 * typical
    if typical <= 0 or seen.sum() < 5:
        return None
    low, high = (_end(level, own, core, sign) for sign in (-1, 1))
    length = np.where(seen, (high - low) * step, np.nan)
    more = _fine_slope(s[seen], low[seen] * step, high[seen] * step, _RAGGED * pitch)
    return TickLengths((float(t[core[0]]), float(t[core[1]])), length, seen, 0.0 if more is None else slope + more)


def _levelled(contrast: np.ndarray, shift: np.ndarray) -> np.ndarray:
    height, width = contrast.shape
    rows = np.arange(height)[:, None] + np.round(shift).astype(int)[None, :]
    padded = np.vstack([contrast, np.zeros((1, width), contrast.dtype)])
    rows[(rows < 0) | (rows >= height)] = height
    return np.asarray(padded.ravel().take(rows * width + np.arange(width)))


def _coarse_slope(contrast: np.ndarray, s: np.ndarray, step: float, limit: float) -> float:
    """The slope along which the stretch shared by the ticks is clearest."""
    span = max(float(s[-1] - s[0]), 1.0)
    pitch = span / max(len(s) - 1, 1)
    slopes = np.arange(-limit, limit + 1e-9, max(0.6 * pitch / span, limit / 40))
    slopes = slopes[np.argsort(np.abs(slopes))]
    score = [float(np.sum(np.clip(_shared(_levelled(contrast, m * s / step)), 0, None) ** 2)) for m in slopes]
    return float(slopes[int(np.argmax(np.array(score) * (1 - 1e-3 * np.arange(len(score)) / len(score))))])


def _shared(contrast: np.ndarray) -> np.ndarray:
    """Contrast that seven in ten ticks reach, at each `t`."""
    rank = int(0.3 * (contrast.shape[1] - 1))
    return np.asarray(np.partition(contrast, rank, axis=1)[:, rank])


def _core(contrast: np.ndarray, t: np.ndarray, pitch: float) -> tuple[int, int] | None:
    shared = _shared(contrast)
    if shared.max() <= 0:
        return None
    near = [(low, high) for low, high in runs(shared > 0.5 * shared.max()) if t[high] - t[low] >= max(0.25 * pitch, 1.0)]
    if not near:
        return None
    return max(near, key=lambda run: float(shared[run[0] : run[1] + 1].sum()))


def _end(contrast: np.ndarray, own: np.ndarray, core: tuple[int, int], sign: int) -> np.ndarray:
    """Row, to a fraction, at which each tick falls to two thirds of its own contrast, as a digit may stand close to its end."""
    start = (core[0] + core[1]) // 2
    part = (contrast[start:] if sign > 0 else contrast[start::-1]) / np.maximum(own, 1e-9)
    below = part < 0.65
    below[-1] = True
    below[0] = False
    first = np.argmax(below, axis=0)
    column = np.arange(part.shape[1])
    before, after = part[first - 1, column], part[first, column]
    fraction = np.clip((before - 0.65) / np.maximum(before - after, 1e-9), 0, 1)
    return np.asarray(start + sign * (first - 1 + fraction))


def _fine_slope(s: np.ndarray, low: np.ndarray, high: np.ndarray, ragged: float) -> float | None:
    """Slope of the straighter row of tick ends: the base line from which ticks of all lengths start; ``None`` if neither is straight."""
    slope, scatter = min((_straight(s, ends) for ends in (low, high)), key=lambda fit: fit[1])
    return slope if scatter <= ragged else None


def _straight(s: np.ndarray, y: np.ndarray) -> tuple[float, float]:
    gap = np.subtract.outer(s, s)
    pairs = gap > 0.3 * (s.max() - s.min())
    slope = float(np.median(np.subtract.outer(y, y)[pairs] / gap[pairs])) if pairs.any() else 0.0
    for _ in range(3):
        residual = y - slope * s
        residual = residual - np.median(residual)
        spread = 1.4826 * float(np.median(np.abs(residual))) + 1e-6
        good = np.abs(residual) < 3 * spread + 0.1
        if good.sum() < 4:
            break
        away = s[good] - s[good].mean()
        slope = float(away @ y[good] / (away @ away))
    return slope, spread
