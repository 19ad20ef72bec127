"""Says of every station of a margin whether it is continuous, open, a step, stained, or cannot be assessed.

Notes
-----
A slot is there where the neutral equivalent width, averaged over three stations (18 px), exceeds its
critical value of 3 standard uncertainties - noise and model error together; the model error
does not average down. It is an opening only if a slot explains the profile better than a one-sided
shadow does, and if its level is dark. Its width is resolved from 2.5 blur widths on.

What is not a slot and looks like one sets a floor under the critical value: `LOOKALIKE`.

A resolved band lighter than any crevice, or a pale band with two sharp walls that lies against the interface, is neither open nor
continuous: cement, plaque, a reflection or a filled crevice look the same, so it is not assessed. Every station has, beside its
estimate, the least and the greatest opening that may hide there: a line that is called a stain or a step may be
a filled slot as wide as it was fitted; a slot of a pigment's hue may be a stain alone.

Only an opening of at least the detection limit is sure to be seen: the limit is the critical value
plus 1.645 standard uncertainties of the noise, divided by the contrast of the lightest plausible slot.

References
----------
ISO 11843-1:1997 (critical value and minimum detectable value).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from audit.measure.band_colour import coloured_or_beside
from audit.measure.lookalikes import CRITICAL, U_STAIN, darker, of_three
from audit.measure.reflections import DARK, PALE, reflections
from audit.measure.runs import runs
from audit.measure.stations import Stations

__all__ = ["CONTINUOUS", "OPEN", "STAINED", "STATE_NAMES", "STEP", "UNASSESSABLE", "Detection", "detect"]

CONTINUOUS, OPEN, STEP, STAINED, UNASSESSABLE = range(5)
STATE_NAMES = ("continuous", "open", "step", "stained", "unassessable")
LOOKALIKE = 0.40
"""Equivalent width of dark lines that are no slot (weak shadows, dirt, reflections of the metal), in units of the blur;
from closed margins drawn with them."""
STAIN_IN_LUMA = 0.80
"""Light a brown stain takes from luma, relative to blue."""
RESOLVED_BLURS = 2.5
LIGHTEST_SLOT = 0.35
"""Lightest plausible slot, relative to the tooth beside it, where the photo shows no resolved one; common
practice, no published source."""
LIGHTEST_FILLED = 0.60
"""Lightest slot that something dark on the margin may be, filled with plaque or cement; common practice, no published source."""
_LIGHTEST_SEEN = 0.40
_PIGMENT = 1.5
_PART_OF_A_STAIN = 0.35
"""Of the brown that a stain as dark as the line has: a paler or greyer one has less; common practice, no published source."""
_SHADOW_BETTER = 0.9
_BLUR_LIMIT_PX = 5.0
_DARK_SIDE = 0.16
_FLAT = 0.2
_SHORTEST_RUN = 2
_SHORTEST_BAND = 5
_LONGEST_END = 2


@dataclass(frozen=True)
class Detection:
    """States of n stations, and what could be seen there; lengths in pixels.

    Parameters
    ----------
    state : ndarray of int, shape (n,)
        Index into `STATE_NAMES`.
    why : tuple of str, length n
        Reason where a station cannot be assessed, else empty.
    resolved : ndarray of bool, shape (n,)
        Open, and wide enough for its width to be told from its level.
    pigment : ndarray of bool, shape (n,)
        Open, with the hue of a stain: it may be a stain alone.
    opening_px, u_opening_px : ndarray, shape (n,)
        Signed estimate of the opening and its uncertainty by noise, blur and level; model error apart.
    least_px, greatest_px : ndarray, shape (n,)
        Openings that the same light may be, noise apart.
    limit_px : ndarray, shape (n,)
        Narrowest opening that is sure to be seen (95 %).
    usual, lightest : float
        Level of the usual and of the lightest plausible slot.
    """

    state: np.ndarray
    why: tuple[str, ...]
    resolved: np.ndarray
    pigment: np.ndarray
    opening_px: np.ndarray
    u_opening_px: np.ndarray
    least_px: np.ndarray
    greatest_px: np.ndarray
    limit_px: np.ndarray
    usual: float
    lightest: float

    @property
    def assessed(self) -> np.ndarray:
        """Stations that could be judged, bool, shape (n,)."""
        return np.asarray(self.state != UNASSESSABLE)


@dataclass(frozen=True)
class _Signs:
    """What stands out from the noise at n stations, bool; and the critical value's uncertainties, pixels."""

    faint: np.ndarray
    dark: np.ndarray
    there: np.ndarray
    wide: np.ndarray
    shadow: np.ndarray
    brown: np.ndarray
    u_noise: np.ndarray
    u_total: np.ndarray


def detect(s: Stations, coarsest_px: float = np.inf, widest_px: float = np.inf) -> Detection:
    """States, openings and limits of the stations of one trace.

    Parameters
    ----------
    s : Stations
    coarsest_px : float
        A station whose detection limit is coarser than this tells nothing and is not assessed.
    widest_px : float
        A dark band wider than this somewhere is not told from a shadow or a dark reflection anywhere along it.
    """
    signs = _signs(s)
    state = _tidy(_states(s, signs), s.equivalent_px)
    limit_black = CRITICAL * signs.u_total + 1.645 * signs.u_noise
    why = _reasons(s, (limit_black / (1.0 - LIGHTEST_SLOT) > coarsest_px) & (state != OPEN), _pale(s, signs, state, widest_px))
    state[_named(why)] = UNASSESSABLE
    resolved = signs.wide & (state == OPEN)
    lightest, usual, u_usual = _levels(s, resolved)
    narrow = _black(s, state) / (1.0 - usual)
    u_narrow = np.hypot(s.u_equivalent_px / (1.0 - usual), narrow * u_usual / (1.0 - usual))
    opening = np.where(resolved, s.width_px, narrow)
    u_opening = np.where(resolved, s.u_width_px, u_narrow)
    softness, level = np.where(resolved, s.softness, 1.0), np.where(resolved, s.level, 0.0)
    why = coloured_or_beside(state == OPEN, resolved, why, s.level, s.cold_light, s.same_beyond)
    why = reflections(state == OPEN, why, opening, softness, level, widest_px)
    state[_named(why)] = UNASSESSABLE
    resolved &= state == OPEN
    pigment = _pigment(s, state == OPEN, resolved, signs.faint | signs.dark)
    least, greatest = _reach(s, signs, state, resolved & ~pigment, opening, lightest if resolved.any() else LIGHTEST_FILLED, widest_px)
    return Detection(state, why, resolved & ~pigment, pigment, opening, u_opening, np.where(pigment, 0.0, least), greatest,
                     limit_black / (1.0 - lightest), usual, lightest)  # fmt: skip


def _named(why: tuple[str, ...]) -> np.ndarray:
    return np.array([bool(word) for word in why], dtype=bool)


def _signs(s: Stations) -> _Signs:
    """What is significantly darker by noise alone, darker than lookalikes, neutral, wide, fading to one side, or brown."""
    mean, u_noise = of_three(s.equivalent_px, s.u_equivalent_px)
    stain = np.maximum(s.stain_px - s.u_stain_px, 0.0) * STAIN_IN_LUMA
    neutral, _ = of_three(s.equivalent_px - stain, s.u_equivalent_px)
    u_total = np.hypot(np.hypot(u_noise, s.u_systematic_px), LOOKALIKE * s.blur_px)
    dark = mean > CRITICAL * u_total
    there = neutral > CRITICAL * u_total
    wide = (s.width_px > RESOLVED_BLURS * s.blur_px) & there
    faint = darker(s.equivalent_px, s.u_equivalent_px, s.u_systematic_px)
    shadow = (there | faint) & (s.shadow_ratio < _SHADOW_BETTER)
    return _Signs(faint, dark, there, wide, shadow, s.stain_px > CRITICAL * s.u_stain_px, u_noise, u_total)


def _states(s: Stations, signs: _Signs) -> np.ndarray:
    """State of each station by itself."""
    light = signs.wide & (s.level > _LIGHTEST_SEEN)
    state = np.full(len(light), CONTINUOUS)
    state[signs.brown | (signs.dark & ~signs.there) | light] = STAINED
    state[signs.shadow] = STEP
    state[signs.there & ~signs.shadow & ~light] = OPEN
    return state


def _pale(s: Stations, signs: _Signs, state: np.ndarray, widest_px: float) -> np.ndarray:
    """Stations, several together, on a neutral band that is resolved and lighter than a crevice, beside the slot fit or in it."""
    light = np.asarray(signs.wide & (s.level > _LIGHTEST_SEEN) & ~signs.brown & (state == STAINED))
    band = np.asarray((s.pale_px > 0) & (s.pale_px <= widest_px) & (state != OPEN) & (state != STEP) & ~signs.brown)
    return np.asarray(_long(light, _SHORTEST_RUN) | _long(band, _SHORTEST_BAND))


def _long(found: np.ndarray, shortest: int) -> np.ndarray:
    """Without runs of fewer than `shortest` stations."""
    out = found.copy()
    for first, last, kind in runs(found.astype(int)):
        if kind and last - first < shortest:
            out[first:last] = False
    return out


def _black(s: Stations, state: np.ndarray) -> np.ndarray:
    """Width of the black slot that the missing light makes, pixels; where none is seen, without what is brown."""
    brown = np.maximum(s.equivalent_px - s.stain_px * STAIN_IN_LUMA, 0.0)
    return np.asarray(np.where((state != OPEN) & (s.equivalent_px > 0), brown, s.equivalent_px))


def _pigment(s: Stations, is_open: np.ndarray, resolved: np.ndarray, dark: np.ndarray) -> np.ndarray:
    """Open runs whose missing light has the hue of a stain, or may have it where neither width nor level is resolved.

    An unresolved opening in a dark line that has that hue over its whole length may be as much of a stain as the rest of the line.
    """
    out = np.zeros(len(is_open), dtype=bool)
    for first, last, kind in runs((is_open | dark).astype(int)):
        of_line = slice(first, last)
        if kind and resolved[of_line].sum() <= 0.5 * is_open[of_line].sum():
            out[of_line] = is_open[of_line] & (s.pigment_px[of_line].mean() > _PIGMENT * _u_pigment(s, first, last))
    for first, last, kind in runs(is_open.astype(int)):
        if not kind:
            continue
        found, u = s.pigment_px[first:last], _u_pigment(s, first, last)
        of_a_stain = np.maximum(s.equivalent_px[first:last], 0.0).mean() / STAIN_IN_LUMA
        not_excluded = resolved[first:last].mean() <= 0.5 and found.mean() + 1.645 * u > _PART_OF_A_STAIN * of_a_stain
        if np.isfinite(u) and (found.mean() > _PIGMENT * u or not_excluded):
            out[first:last] = True
    return out


def _u_pigment(s: Stations, first: int, last: int) -> float:
    """Standard uncertainty of the mean pigment of a run."""
    spread = float(s.pigment_px[first:last].std()) * (2.0 / (last - first)) ** 0.5
    return float(np.hypot(U_STAIN * s.blur_px[first:last].mean(), min(spread, float(s.u_stain_px[first:last].mean()))))


def _reach(
    s: Stations, signs: _Signs, state: np.ndarray, resolved: np.ndarray, opening: np.ndarray, lightest: float, widest_px: float,
) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
    """Least and greatest opening that each station's light may be."""
    black = np.maximum(s.equivalent_px, 0.0)
    hidden = (state != OPEN) & (state != UNASSESSABLE) & (signs.faint | signs.dark | signs.shadow | signs.brown)
    least = np.where(state == OPEN, np.where(resolved, opening, black), 0.0)
    band = np.where(_long((s.pale_px > 0) & (s.pale_px <= widest_px), _SHORTEST_BAND), s.pale_px, 0.0)
    told = s.width_px > RESOLVED_BLURS * s.blur_px
    fitted = np.where(told, s.width_px + 1.645 * s.u_width_px, np.maximum(s.width_px, black / (1.0 - LIGHTEST_FILLED)))
    filled = np.maximum(fitted, band)
    greatest = np.where(state == OPEN, np.where(resolved, opening, np.maximum(opening, black / (1.0 - lightest))), np.maximum(opening, 0.0))
    return least, _no_wider_than_beside(np.where(hidden, np.maximum(filled, greatest), greatest), greatest, state, hidden)


def _no_wider_than_beside(greatest: np.ndarray, plain: np.ndarray, state: np.ndarray, hidden: np.ndarray) -> np.ndarray:
    """At the ends of an opening, a line is as light as the opening and no wider."""
    out = greatest.copy()
    for first, last, kind in runs(np.where(state == OPEN, 2, hidden)):
        beside = [at for at in (first - 1, last) if 0 <= at < len(state) and state[at] == OPEN]
        if kind == 1 and beside and last - first <= 2 * _LONGEST_END:
            out[first:last] = np.minimum(out[first:last], np.maximum(plain[first:last], plain[beside].max()))
    return out


def _reasons(s: Stations, coarse: np.ndarray, pale: np.ndarray) -> tuple[str, ...]:
    """Why each station cannot be assessed; empty where it can."""
    checks = (
        ("outside", s.outside), ("off_interface", s.lost), ("clipped", s.clipped), ("out_of_focus", s.blur_px > _BLUR_LIMIT_PX),
        (DARK, s.dark_side < _DARK_SIDE), ("no_interface", s.contrast < _FLAT), (PALE, pale), ("too_coarse", coarse),
    )  # fmt: skip
    out = []
    for index in range(len(s.width_px)):
        out.append(next((word for word, mask in checks if mask[index]), ""))
    return tuple(out)


def _tidy(state: np.ndarray, equivalent_px: np.ndarray) -> np.ndarray:
    """Close gaps of one station inside an opening, end it at half its height (to both sides), drop what is then one station."""
    state = state.copy()
    for a, b, _kind in runs(state):
        if b - a == 1 and a > 0 and b < len(state) and state[a - 1] == state[b] == OPEN:
            state[a] = OPEN
    for a, b, kind in runs(state):
        if kind != OPEN:
            continue
        height = 0.5 * float(np.median(equivalent_px[a:b]))
        inside = np.flatnonzero(equivalent_px[a:b] >= height)
        if not inside.size:  # lighter than its surroundings: nothing dark is open here
            state[a:b] = CONTINUOUS
            continue
        first, last = a + int(inside[0]), a + int(inside[-1]) + 1
        state[a:first] = CONTINUOUS
        state[last:b] = CONTINUOUS
        if first == a:
            state[_led_on(state, equivalent_px, height, a - 1, -1)] = OPEN
        if last == b:
            state[_led_on(state, equivalent_px, height, b, 1)] = OPEN
        if last - first < _SHORTEST_RUN:
            state[first:last] = CONTINUOUS
    return state


def _led_on(state: np.ndarray, equivalent_px: np.ndarray, height: float, at: int, step: int) -> list[int]:
    """Stations beside the end of an opening that look like a step or a stain only because the opening ends in them."""
    out: list[int] = []
    while 0 <= at < len(state) and len(out) < _LONGEST_END and state[at] in (STEP, STAINED) and equivalent_px[at] >= height:
        out.append(at)
        at += step
    return out


def _levels(s: Stations, resolved: np.ndarray) -> tuple[float, float, float]:
    """Lightest plausible slot level, the usual one and its uncertainty: seen in this photo, else stated."""
    if not resolved.any():
        return LIGHTEST_SLOT, 0.12, 0.08
    widest = int(np.argmax(np.where(resolved, s.width_px, -np.inf)))
    usual = float(np.median(s.level[resolved]))
    lightest = float(np.clip(s.level[widest] + 1.645 * s.u_level[widest], usual, _LIGHTEST_SEEN))
    return lightest, usual, 0.05
