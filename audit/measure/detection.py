"""Says of every station of a margin whether it is continuous, open, a step, stained, or cannot be assessed.

Notes
-----
A slot is there where the neutral equivalent width, averaged over three stations (18 px), exceeds its
critical value of 3 standard uncertainties - noise and model error together; the model error
does not average down. It is an opening only if a slot explains the profile better than a one-sided
shadow does, and if its level is dark. Its width is resolved from 2.5 blur widths on.

What is not a slot and looks like one sets a floor under the critical value: `LOOKALIKE`.

Only an opening of at least the detection limit is sure to be seen: the limit is the critical value
plus 1.645 standard uncertainties of the noise, divided by the contrast of the lightest plausible slot.

References
----------
ISO 11843-1:1997 (critical value and minimum detectable value).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import uniform_filter1d

from audit.measure.reflections import DARK, reflections
from audit.measure.runs import runs
from audit.measure.stations import Stations

__all__ = ["CONTINUOUS", "OPEN", "STAINED", "STATE_NAMES", "STEP", "UNASSESSABLE", "Detection", "detect"]

CONTINUOUS, OPEN, STEP, STAINED, UNASSESSABLE = range(5)
STATE_NAMES = ("continuous", "open", "step", "stained", "unassessable")
CRITICAL = 3.0
LOOKALIKE = 0.40
"""Equivalent width of dark lines that are no slot (weak shadows, dirt, reflections of the metal), in units of the blur;
from closed margins drawn with them."""
STAIN_IN_LUMA = 0.80
"""Light a brown stain takes from luma, relative to blue."""
RESOLVED_BLURS = 2.5
LIGHTEST_SLOT = 0.35
"""Lightest plausible slot, relative to the tooth beside it, where the photo shows no resolved one; common
practice, no published source."""
_LIGHTEST_SEEN = 0.40
_SHADOW_BETTER = 0.9
_BLUR_LIMIT_PX = 5.0
_DARK_SIDE = 0.16
_FLAT = 0.2
_SHORTEST_RUN = 2


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
    opening_px, u_opening_px : ndarray, shape (n,)
        Signed estimate of the opening and its uncertainty by noise, blur and level; model error apart.
    limit_px : ndarray, shape (n,)
        Narrowest opening that is sure to be seen (95 %).
    usual, lightest : float
        Level of the usual and of the lightest plausible slot.
    """

    state: np.ndarray
    why: tuple[str, ...]
    resolved: np.ndarray
    opening_px: np.ndarray
    u_opening_px: np.ndarray
    limit_px: np.ndarray
    usual: float
    lightest: float

    @property
    def assessed(self) -> np.ndarray:
        """Stations that could be judged, bool, shape (n,)."""
        return np.asarray(self.state != UNASSESSABLE)


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
    mean, u_noise = _three(s.equivalent_px, s.u_equivalent_px)
    stain = np.maximum(s.stain_px - s.u_stain_px, 0.0) * STAIN_IN_LUMA
    neutral, _ = _three(s.equivalent_px - stain, s.u_equivalent_px)
    u_total = np.hypot(np.hypot(u_noise, s.u_systematic_px), LOOKALIKE * s.blur_px)
    dark = mean > CRITICAL * u_total
    there = neutral > CRITICAL * u_total
    wide = (s.width_px > RESOLVED_BLURS * s.blur_px) & there
    faint = mean > CRITICAL * np.hypot(u_noise, s.u_systematic_px)
    shadow = (there | faint) & (s.shadow_ratio < _SHADOW_BETTER)
    light = wide & (s.level > _LIGHTEST_SEEN)
    state = np.full(len(mean), CONTINUOUS)
    state[(s.stain_px > CRITICAL * s.u_stain_px) | (dark & ~there)] = STAINED
    state[light] = STAINED
    state[shadow] = STEP
    state[there & ~shadow & ~light] = OPEN
    state = _tidy(state, s.equivalent_px)
    limit_black = CRITICAL * u_total + 1.645 * u_noise
    why = _reasons(s, (limit_black / (1.0 - LIGHTEST_SLOT) > coarsest_px) & (state != OPEN))
    state[np.array([bool(word) for word in why])] = UNASSESSABLE
    resolved = wide & (state == OPEN)
    lightest, usual, u_usual = _levels(s, resolved)
    stained = state != OPEN
    black = np.where(stained & (s.equivalent_px > 0), np.maximum(s.equivalent_px - s.stain_px * STAIN_IN_LUMA, 0.0), s.equivalent_px)
    narrow = black / (1.0 - usual)
    u_narrow = np.hypot(s.u_equivalent_px / (1.0 - usual), narrow * u_usual / (1.0 - usual))
    opening = np.where(resolved, s.width_px, narrow)
    u_opening = np.where(resolved, s.u_width_px, u_narrow)
    limit = limit_black / (1.0 - lightest)
    softness, level = np.where(resolved, s.softness, 1.0), np.where(resolved, s.level, 0.0)
    why = reflections(state == OPEN, why, opening, softness, level, widest_px)
    state[np.array([bool(word) for word in why])] = UNASSESSABLE
    resolved &= state == OPEN
    return Detection(state, why, resolved, opening, u_opening, limit, usual, lightest)


def _three(values: np.ndarray, u: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Mean over three stations and its uncertainty, stations taken as independent."""
    size = min(3, len(values))
    return uniform_filter1d(values, size, mode="nearest"), np.sqrt(uniform_filter1d(u**2, size, mode="nearest") / size)


def _reasons(s: Stations, coarse: np.ndarray) -> tuple[str, ...]:
    """Why each station cannot be assessed; empty where it can."""
    checks = (
        ("outside", s.outside), ("off_interface", s.lost), ("clipped", s.clipped), ("out_of_focus", s.blur_px > _BLUR_LIMIT_PX),
        (DARK, s.dark_side < _DARK_SIDE), ("no_interface", s.contrast < _FLAT), ("too_coarse", coarse),
    )  # fmt: skip
    out = []
    for index in range(len(s.width_px)):
        out.append(next((word for word, mask in checks if mask[index]), ""))
    return tuple(out)


def _tidy(state: np.ndarray, equivalent_px: np.ndarray) -> np.ndarray:
    """Close gaps of one station inside an opening, cut its ends at half its height, drop what is then one station."""
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
        if last - first < _SHORTEST_RUN:
            state[first:last] = CONTINUOUS
    return state


def _levels(s: Stations, resolved: np.ndarray) -> tuple[float, float, float]:
    """Lightest plausible slot level, the usual one and its uncertainty: seen in this photo, else stated."""
    if not resolved.any():
        return LIGHTEST_SLOT, 0.12, 0.08
    widest = int(np.argmax(np.where(resolved, s.width_px, -np.inf)))
    usual = float(np.median(s.level[resolved]))
    lightest = float(np.clip(s.level[widest] + 1.645 * s.u_level[widest], usual, _LIGHTEST_SEEN))
    return lightest, usual, 0.05
