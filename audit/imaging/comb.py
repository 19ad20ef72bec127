"""A graduated comb read whole: its direction, every tick to sub-pixel, and the length of each tick."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.polynomial import Polynomial

from audit.errors import Refused
from audit.imaging.colour import luminance
from audit.imaging.edges import TickBlur, tick_blur
from audit.imaging.marks import CombFit, comb_fit, comb_period, comb_phase, on_lattice, tick_centres
from audit.imaging.sample import sample_linear
from audit.imaging.strip import Level, Pyramid, Strip
from audit.imaging.ticks import TickLengths, contrast_of, finer_ticks, is_dark, shear_of, tick_lengths

__all__ = ["Comb", "comb_blur", "read_comb"]

_PARTS = 20  # samples per interval while the structure is read: divisible by 2, 5 and 10
_REACH = 12.0  # how far from the line ticks are followed, in intervals
_GAP = 10  # ticks that may be hidden in a row

Position = Callable[[np.ndarray], np.ndarray]


@dataclass(frozen=True)
class Comb:
    """A comb found on an image.

    Parameters
    ----------
    strip : Strip
        Along the graduations, origin on the core of the ticks, ticks along `t`.
    fit : CombFit
        Of the finest ticks.
    ticks : ndarray of int, shape (n,)
    length_px : ndarray, shape (n,)
        How long each tick is; NaN where it was not seen.
    core_px : tuple of float
        Range of `t` that all ticks share.
    dark : bool
        Whether the ticks are darker than their ground.
    turn : float
        What is left between the direction of the frame and of the scale, radians.
    """

    strip: Strip
    fit: CombFit
    ticks: np.ndarray
    length_px: np.ndarray
    core_px: tuple[float, float]
    dark: bool
    turn: float = 0.0

    @property
    def along(self) -> float:
        """Length on the image of one frame pixel of `s`, followed from tick to tick along the scale."""
        lean = self.strip.shear + self.fit.skew
        return 1.0 / (math.cos(self.turn) - lean * math.sin(self.turn))

    @property
    def pitch_px(self) -> float:
        """Spacing of the finest ticks along the scale at the middle, pixels."""
        return self.fit.pitch * self.along

    @property
    def tick_xy(self) -> np.ndarray:
        """Image positions of the ticks that were used, shape (n, 2)."""
        s = self.fit.position(self.ticks[self.fit.used])
        t = s * math.tan(self.turn)
        return self.strip.image(s + self.fit.skew * t, t)


@dataclass(frozen=True)
class _State:
    """What is known between two rounds: frame, range along it, half height of the profile, interval."""

    strip: Strip
    low: float
    high: float
    half: float
    period: float


@dataclass(frozen=True)
class _Found:
    """What one round found, in the frame it started from."""

    strip: Strip
    position: Position
    ticks: np.ndarray
    across: TickLengths
    dark: bool

    @property
    def pitch(self) -> float:
        middle = float(self.ticks.mean())
        return float(np.diff(self.position(np.array([middle - 0.5, middle + 0.5])))[0])

    def tick_at(self, s: float) -> float:
        """Number of the tick, to a fraction, at a place along the comb, kept within the ticks."""
        ticks = self.ticks.astype(float)
        return float(np.interp(s, self.position(ticks), ticks))


def read_comb(pyramid: Pyramid, start: np.ndarray, end: np.ndarray, *, period_px: float | None = None, grow: bool = False) -> Comb:
    """The comb of graduations along a line.

    Parameters
    ----------
    pyramid : Pyramid
        Of the encoded image.
    start, end : ndarray, shape (2,)
        Ends of a line across the graduations, pixels; it need not be exactly along the scale.
    period_px : float, optional
        Approximate interval along the line.
    grow : bool
        Follow the comb beyond the ends of the line.

    Raises
    ------
    Refused
        ``no_rule_found`` where nothing repeats along the line, ``too_few_marks`` under six ticks.
    """
    length = float(np.hypot(*(end - start)))
    strip = Strip(float(start[0] + end[0]) / 2, float(start[1] + end[1]) / 2, math.atan2(end[1] - start[1], end[0] - start[0]))
    state = _State(strip, -length / 2, length / 2, 1.5, period_px or 0.0)
    if period_px is None:
        period, strength = comb_period(_profile(pyramid.at(0), state, 1.0))
        if strength < 0.2:
            raise Refused("no_rule_found", "Graduations must repeat along the line; got nothing that does.",
                          "Draw the line along the ticks of the scale, across at least ten of them.")  # fmt: skip
        state = replace(state, period=period, half=max(1.5, 0.1 * period))
    found = _found(pyramid, state, None if grow else np.stack([start, end]))
    comb = None if found is None else _refined(pyramid.at(0), found, None if grow else (start + end) / 2)
    if comb is None or comb.fit.used.sum() < 6:
        count = 0 if comb is None else int(comb.fit.used.sum())
        raise Refused("too_few_marks", f"A scale must show at least six ticks in a row; got {count} that can be told apart.",
                      "Photograph more of the scale, sharper or larger, or draw the line across more ticks.")  # fmt: skip
    return comb


def _found(pyramid: Pyramid, state: _State, line: np.ndarray | None) -> _Found | None:
    """Rounds until the frame lies along the scale: within a drawn line, or growing along the comb without one."""
    found = None
    grow = line is None
    for turn in range(9 if grow else 5):
        level = pyramid.at(max(0, int(math.log2(max(state.period, 1.0) / 14.0))))
        found = _round(level, state, 8.0 if turn == 0 else 3.0)
        if found is None:
            return None
        new = _next(pyramid.size, found, line)
        settled = abs(found.across.slope) < 2e-3 and (not grow or new.high - new.low < 1.05 * (state.high - state.low))
        if turn > 0 and settled and abs(new.period / state.period - 1) < 0.1:
            break
        state = new
    return found


def _next(size: tuple[int, int], found: _Found, line: np.ndarray | None) -> _State:
    turn = math.atan(found.across.slope)
    cos, sin, lean = math.cos(turn), math.sin(turn), found.strip.shear
    s = found.position(np.array([found.ticks[0] - 0.6, found.ticks.mean(), found.ticks[-1] + 0.6]))
    low, high = found.across.core_px
    centre = found.strip.moved(float(s[1]), (low + high) / 2 + float(s[1]) * found.across.slope)
    strip = Strip(centre.x, centre.y, found.strip.angle + turn, (lean * cos + sin) / (cos - lean * sin))
    along = 1.0 / (cos - lean * sin)
    if line is None:
        extra = s[2] - s[0]
        reach = (s[0] - s[1] - extra) * along, (s[2] - s[1] + extra) * along
    else:
        reach = strip.place(line[0]), strip.place(line[1])
    reach = _inside(size, strip, *reach)
    return _State(strip, *reach, max(0.4 * (high - low), 1.0), found.pitch * along)


def _inside(size: tuple[int, int], strip: Strip, low: float, high: float) -> tuple[float, float]:
    s = np.arange(low, high + 1.0)
    xy = strip.image(s, np.float64(0.0))
    inside = ((xy >= 0) & (xy <= np.array(size) - 1)).all(axis=1)
    return (float(s[inside][0]), float(s[inside][-1])) if inside.any() else (low, high)


def _profile(level: Level, state: _State, step: float) -> np.ndarray:
    s = np.arange(state.low, state.high + step / 2, step)
    t = np.linspace(-state.half, state.half, 9)
    values = level.values(state.strip, s[None, :], t[:, None])
    with_some = np.isfinite(values).any(axis=0)
    mean = np.full(len(s), np.nan)
    mean[with_some] = np.nanmean(values[:, with_some], axis=0)
    return np.where(with_some, mean, float(np.nanmean(mean)) if with_some.any() else 0.0)


def _round(level: Level, state: _State, steepest_deg: float) -> _Found | None:
    lattice = _lattice(level, state)
    if lattice is None:
        return None
    bright, ticks = lattice
    t = np.arange(-_REACH * state.period, _REACH * state.period, max(state.period / 6.0, 0.8))
    strip = state.strip
    for _ in range(3):
        values = on_lattice(level, strip, bright, ticks, t, _PARTS)
        lean = shear_of(values, t, state.period)
        if abs(lean) < 3e-3:
            break
        strip = replace(strip, shear=strip.shear + lean)
    dark = is_dark(values[np.abs(t) <= 6 * state.period])
    offset = 0.5 if dark else 0.0
    if dark:
        ticks, values = ticks[:-1], _half_on(values)
    finer = finer_ticks(values, t, state.period, dark)

    def position(k: np.ndarray) -> np.ndarray:
        return np.asarray(bright(np.asarray(k, dtype=float) / finer + offset))

    if finer > 1:
        ticks = np.arange(ticks[0] * finer, ticks[-1] * finer + 1)
        values = on_lattice(level, strip, position, ticks, t, _PARTS // 2)
    across = tick_lengths(contrast_of(values, dark), position(ticks.astype(float)), t, steepest_deg)
    return _structured(strip, position, ticks, across, dark)


def _half_on(values: np.ndarray) -> np.ndarray:
    """Lattice values half an interval further on, one interval fewer."""
    parts = values.shape[-1]
    series = values.reshape(len(values), -1)[:, parts // 2 : -(parts - parts // 2)]
    return np.asarray(series.reshape(len(values), -1, parts))


def _lattice(level: Level, state: _State) -> tuple[Polynomial, np.ndarray] | None:
    """Brightest places of the comb along the line, as a smooth function of their number."""
    step = min(level.factor if level.factor > 1 else 0.5, state.period / 8.0)
    profile = _profile(level, state, step)
    if len(profile) < 4 * state.period / step:
        return None
    count, strength = comb_phase(profile, state.period / step)
    middle = slice(len(strength) // 4, 3 * len(strength) // 4 + 1)
    present = strength > 0.35 * np.median(strength[middle])
    if present.sum() < 3 * state.period / step:
        return None
    s = state.low + np.arange(len(profile)) * step
    fit = Polynomial.fit(count[present], s[present], 2, w=strength[present])
    k = np.arange(math.ceil(count[present].min() - 0.2), math.floor(count[present].max() + 0.2) + 1)
    return (fit, k) if len(k) >= 4 else None


def _structured(strip: Strip, position: Position, ticks: np.ndarray, across: TickLengths | None, dark: bool) -> _Found | None:
    """The longest stretch of ticks that belong together, with their lengths."""
    keep = None if across is None else _stretch(across.seen)
    if across is None or keep is None:
        return None
    kept = replace(across, length_px=across.length_px[keep], seen=across.seen[keep])
    return _Found(strip, position, ticks[keep], kept, dark)


def _stretch(seen: np.ndarray) -> slice | None:
    """The longest stretch of ticks in which never more than a few are hidden in a row."""
    at = np.flatnonzero(seen)
    parts = np.split(at, np.flatnonzero(np.diff(at) > _GAP) + 1)
    longest = max(parts, key=len)
    return slice(int(longest[0]), int(longest[-1]) + 1) if len(longest) >= 5 else None


def _refined(level: Level, found: _Found, middle_xy: np.ndarray | None) -> Comb | None:
    """Every tick to sub-pixel on the pixels of the original, and the whole-comb fit, stated at the middle of the line."""
    low, high = found.across.core_px
    inner = 0.1 * (high - low)
    t = np.linspace(low + inner, high - inner, int(np.clip(high - low, 6, 48)) // 6 * 6)
    position, fit = found.position, None
    middle_t = t.reshape(6, -1).mean(axis=1)
    parts = int(np.clip(round(found.pitch), 12, 160))
    slope = found.across.slope
    middle = None if middle_xy is None else found.tick_at(found.strip.place(middle_xy))
    for _ in range(2):
        values = on_lattice(level, found.strip, position, found.ticks, t, parts)
        inside = np.isfinite(values).all(axis=(0, 2))
        if inside.sum() < 6:
            return None
        bands = values.reshape(6, -1, *values.shape[1:]).mean(axis=1)
        shift, contrast = tick_centres(bands, np.median(bands[:, inside].reshape(-1, parts), axis=0))
        at = position(found.ticks.astype(float))
        pitch = np.gradient(at)
        s = at[None, :] + shift * pitch[None, :]
        if np.isfinite(s).sum() < 6:
            return None
        weight = np.where((found.across.seen & inside)[None, :], np.clip(contrast, 0, 1.5) ** 2, 0.0)
        fit = comb_fit(found.ticks, s, middle_t, weight, middle)
        position = fit.position
    if fit is None:
        return None
    return Comb(found.strip, fit, found.ticks, found.across.length_px, (low, high), found.dark, math.atan(slope))


def comb_blur(pixels: np.ndarray, comb: Comb) -> TickBlur | None:
    """Gaussian-equivalent blur at a comb, from its mean tick in linear light.

    Parameters
    ----------
    pixels : ndarray, shape (height, width) or (height, width, 3)
    comb : Comb
    """
    low, high = comb.core_px
    t = np.linspace(0.8 * low, 0.8 * high, 12)
    used = comb.ticks[comb.fit.used]
    used = used[np.argsort(np.abs(used - comb.fit.middle))[:24]]
    parts = int(np.clip(round(2 * comb.fit.pitch), 12, 96))
    within = (np.arange(parts) - parts // 2) / parts
    s = comb.fit.position(used[:, None] + within[None, :])
    near = np.abs(within * comb.fit.pitch) <= max(8.0, 0.45 * comb.fit.pitch)
    xy = comb.strip.image(s[None, :, near] + comb.fit.skew * t[:, None, None], t[:, None, None])
    light = luminance(sample_linear(pixels, xy, cubic=True))
    return tick_blur(within[near] * comb.fit.pitch, np.nanmedian(light, axis=(0, 1)))
