"""Turns judged stations into readings and segments: assessed length, widest and mean opening.

Notes
-----
The widest opening is the largest mean over 0.25 mm. The maximum of noisy values is too large: the
excess is simulated from the covariance of the fit and taken off.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from audit.core.annotations import Feature
from audit.core.quantity import Quantity, source
from audit.core.records import Calibration, Photo, Reading, Segment
from audit.measure.detection import OPEN, STATE_NAMES, STEP, UNASSESSABLE, Detection
from audit.measure.largest import excess_of_largest, windows_of
from audit.measure.lookalikes import CRITICAL
from audit.measure.reflections import MAY_BE_OPEN
from audit.measure.runs import runs
from audit.measure.stations import Stations

__all__ = ["DRAWS", "MARGIN_MEASURANDS", "METHOD", "SEED", "Margin", "Trace"]

MARGIN_MEASURANDS = ("assessed_margin_length", "continuous_margin_fraction", "widest_marginal_opening", "mean_marginal_opening")
METHOD = "margin_slot@2"
WIDEST_OVER_MM = 0.25
U_TRACE_END_PX = 2.0
U_POSE = 0.03
"""Relative change of a projected opening by the direction of view where the slope of the surface is not known: 20
degrees of slope, 5 degrees of camera; common practice, no published source."""
MAY_BE_REFLECTION = "may_be_reflection"
"""On every opening: the dark mouth mirrored in the metal's rim can look the same, pixel for pixel; the explorer decides."""
LOOKALIKE_MEAN = 0.08
"""Mean equivalent width of what looks like a slot along a closed margin (faint stain, shadow, glint), in units of the blur."""
LOCAL_MODEL = 0.5
"""Share of the model error that changes along the margin with textures and reflections; from slots drawn with them."""
DRAWS = 400
_EVEN_RUN = 4
SEED = 20240229


@dataclass(frozen=True)
class Trace:
    """One traced margin: stations, what was detected, and mm per px along and across at each (1 without a reference)."""

    feature: Feature
    stations: Stations
    found: Detection
    along: np.ndarray
    across: np.ndarray

    @property
    def length_px(self) -> np.ndarray:
        """Length of margin that each station stands for, pixels."""
        return np.asarray(np.abs(np.gradient(self.stations.position_px)))


class Margin:
    """All traced margins of one photo; lengths in mm and openings in um, or all in px without a reference."""

    def __init__(self, traces: tuple[Trace, ...], photo: Photo, calibration: Calibration | None, reader: str) -> None:
        self.traces, self.photo, self.calibration, self.reader = traces, photo, calibration, reader
        self.state = self._join(lambda t: t.found.state)
        self.length = self._join(lambda t: t.length_px * t.along)
        self.assessed = self.state != UNASSESSABLE
        unit = 1000.0 if calibration is not None else 1.0
        self.across = self._join(lambda t: t.across) * unit
        self.opening = self._join(lambda t: t.found.opening_px) * self.across
        self.limit = self._join(lambda t: t.found.limit_px) * self.across
        self.resolved = self._join(lambda t: t.found.resolved)
        self.pigment = self._join(lambda t: t.found.pigment)
        self.least = self._join(lambda t: t.found.least_px) * self.across
        self.greatest = self._join(lambda t: t.found.greatest_px) * self.across
        self.lightest = max(t.found.lightest for t in traces)

    def _join(self, part: Any) -> np.ndarray:
        return np.concatenate([np.asarray(part(trace)) for trace in self.traces])

    @cached_property
    def draws(self) -> np.ndarray:
        """Openings that the noise alone could have made of the estimated ones, shape (draws, n), unit of `opening`."""
        rng = np.random.default_rng(SEED)
        noise = [_noise(rng, trace) for trace in self.traces]
        return np.concatenate(noise, axis=1) * self.across

    @cached_property
    def systematic(self) -> np.ndarray:
        """Model and tone error at each station, unit of `opening`."""
        return self._join(lambda t: t.stations.u_systematic_px) * self.across

    def segments(self) -> list[Segment]:
        """Stretches of one state in mm; none without a reference."""
        if self.calibration is None:
            return []
        out, start, first = [], 0.0, 0
        for trace in self.traces:
            for a, b, kind in runs(trace.found.state):
                end = start + float(self.length[first + a : first + b].sum())
                gap = self._mean_opening(np.arange(first + a, first + b)) if kind == OPEN else None
                out.append(Segment(start, end, STATE_NAMES[kind], gap))  # type: ignore[arg-type]
                start = end
            first += len(trace.found.state)
        return out

    def _mean_opening(self, index: np.ndarray) -> Quantity | None:
        """Mean opening of some stations; None where its width is not resolved."""
        if not self.resolved[index].mean() > 0.5:
            return None
        return self._opening(float(self.opening[index].mean()), index)

    def _opening(self, value: float, index: np.ndarray) -> Quantity:
        """An opening averaged over stations `index`, with its parts by source, um."""
        photo = self.photo.identity
        weight = self.across[index]
        blur = self._join(lambda t: t.stations.u_blur_px)[index] * weight
        total = float(self.draws[:, index].mean(axis=1).std())
        parts = {
            source("noise", photo): float(np.sqrt(max(total**2 - blur.mean() ** 2, 0.04 * total**2))),
            source("blur", photo): float(blur.mean()),
            source("model", photo): float((self._join(lambda t: t.stations.u_model_px)[index] * weight).mean()),
            source("tone", photo): float((self._join(lambda t: t.stations.u_tone_px)[index] * weight).mean()),
            source("pose", photo): U_POSE * value,
        }
        if self.calibration is not None:
            scale = self.calibration.scale(self._direction(index))
            for name, part in scale.relative_parts.items():
                parts[name] = parts.get(name, 0.0) + part * value
        return Quantity(value, "um", parts)

    def _direction(self, index: np.ndarray) -> float:
        """Direction across the margin, degrees, of the mean of stations `index`."""
        normal = self._join(lambda t: t.stations.normal)[index]
        double = np.exp(2j * np.arctan2(normal[:, 1], normal[:, 0])).mean()
        return float(np.degrees(np.angle(double) / 2) % 180.0)

    @property
    def flags(self) -> tuple[str, ...]:
        """Remarks on every reading."""
        return () if self.assessed.all() else ("part_of_margin_unassessable",)

    @property
    def may_hide_an_opening(self) -> bool:
        """Whether a stretch is not assessed because it may be an opening or a reflection."""
        return any(word in MAY_BE_OPEN for trace in self.traces for word in trace.found.why)

    def readings(self) -> list[Reading]:
        """Length and openings; none without a reference. The continuous share is `continuous_share`'s."""
        if self.calibration is None:
            return []
        return [self._length(), self._widest(), self._mean()]

    def _length(self) -> Reading:
        value = float(self.length[self.assessed].sum())
        index = np.flatnonzero(self.assessed)
        calibration = self.calibration
        if calibration is None:
            raise ValueError("length needs a calibration")
        scale = calibration.scale(self._direction(index) + 90.0)
        parts = {name: part * value for name, part in scale.relative_parts.items()}
        ends = 2 * sum(len(runs(trace.found.state == UNASSESSABLE)) for trace in self.traces)
        parts[source("trace", f"{self.reader}/{self.photo.identity}")] = U_TRACE_END_PX * scale.value * ends**0.5
        surfaces = sorted({str(t.feature.properties.get("surface", "not stated")) for t in self.traces})
        details = {"surfaces": surfaces, "traced_mm": float(self.length.sum()), "unassessable": self._reasons(), "line": self._line()}
        return Reading.measured("assessed_margin_length", Quantity(value, "mm", parts), METHOD, flags=self.flags, details=details)

    def _widest(self) -> Reading:
        index, size = np.flatnonzero(self.assessed), self._window_size()
        windows = every = windows_of(index, size)
        mostly_open = (self.state[every] == OPEN).mean(axis=1) > 0.5
        if is_open := bool(mostly_open.any()):
            windows = every[mostly_open]
        means = self.opening[windows].mean(axis=1)
        noisy = (self.opening + self.draws)[:, windows].mean(axis=2)
        wander = np.hypot(self.draws.std(axis=0), LOCAL_MODEL * self.systematic)
        excess = excess_of_largest(self.opening, wander, windows)
        best = windows[int(means.argmax())]
        signed = self._wavering(self._opening(float(means.max()) - excess, best), best)
        details = {"site_px": self._line_of(best), "over_mm": WIDEST_OVER_MM, "excess_um": excess}
        u_window = np.hypot(noisy.std(axis=0), self.systematic[windows].mean(axis=1))
        limit = float((np.maximum(means, 0.0) + 1.645 * u_window).max()) / (1.0 - self.lightest) * (1.0 - self._usual_level())
        between = float(self.least[best].mean()), float(self.greatest[every].mean(axis=1).max())
        return self._judged("widest_marginal_opening", signed, best, is_open, limit, between, details)

    def _wavering(self, signed: Quantity, best: np.ndarray) -> Quantity:
        """With what the width wavers beyond its claims along the open run as uncertainty: a crevice is even, reflections are not."""
        around = next(((a, b) for a, b, kind in runs(self.state) if kind == OPEN and a <= best[0] < b), None)
        if around is None or around[1] - around[0] < _EVEN_RUN:
            return signed
        inside = slice(around[0] + 1, around[1] - 1)
        alike = source("boundary", f"{self.photo.identity}:margin")
        claimed = float((self.draws[:, inside].var(axis=0) + (LOCAL_MODEL * self.systematic[inside]) ** 2).mean())
        wavering = math.sqrt(max(0.0, float(self.opening[inside].var()) - claimed))
        return Quantity(signed.value, signed.unit, {**signed.parts, alike: math.hypot(signed.parts.get(alike, 0.0), wavering)})

    def _mean(self) -> Reading:
        usable = self.assessed & (self.state != STEP)
        index = np.flatnonzero(usable if usable.any() else self.assessed)
        weight = self.length[index] / self.length[index].sum()
        signed = self._opening(float((weight * self.opening[index]).sum()), index)
        blur = self._join(lambda t: t.stations.blur_px)[index] * self.across[index]
        closed = float((weight * blur * (self.state[index] != OPEN)).sum())
        alike = source("boundary", f"{self.photo.identity}:margin")
        parts = {**signed.parts, alike: math.hypot(signed.parts.get(alike, 0.0), LOOKALIKE_MEAN * closed)}
        signed = Quantity(signed.value, signed.unit, parts)
        seen = self.opening[index] * (self.state[index] == OPEN)
        is_open = signed.value > CRITICAL / 1.5 * signed.u and bool((self.state[index] == OPEN).any())
        limit = (max(signed.value, 0.0) + 1.645 * signed.u) / (1.0 - self.lightest) * (1.0 - self._usual_level())
        mostly = seen[self.resolved[index]].sum() > 0.5 * max(seen.sum(), 1e-9)
        sites = index[self.resolved[index]] if mostly else index
        share = self.length[self.assessed] / self.length[self.assessed].sum()
        between = float((share * self.least[self.assessed]).sum()), float((share * self.greatest[self.assessed]).sum())
        return self._judged("mean_marginal_opening", signed, sites, is_open, limit, between, {"length_mm": float(self.length[index].sum())})

    def _judged(
        self, name: str, signed: Quantity, sites: np.ndarray, is_open: bool, limit: float, between: tuple[float, float],
        details: Mapping[str, Any],
    ) -> Reading:  # fmt: skip
        """Measured where resolved, detected where a slot is there, else below detection; `between` is the least and the most it may be."""
        flags = (*self.flags, "projected")
        if is_open:
            flags = (*flags, MAY_BE_REFLECTION)
        if is_open and self.pigment[sites].any():
            flags = (*flags, "may_be_stain")
        if not is_open:
            limit = max(limit, between[1] + 1.645 * signed.u)
            return Reading(name, "um", "below_detection", None, (0.0, limit), METHOD, signed, flags, details)
        low, high = max(0.0, between[0] - 1.96 * signed.u), max(between[1], signed.value) + 1.96 * signed.u
        if self.resolved[sites].mean() > 0.5:
            if between[1] <= signed.value + signed.u:
                return Reading.measured(name, signed, METHOD, flags=flags, details=details)
            if name == "widest_marginal_opening":
                at_least = max(0.0, signed.interval()[0])
                return Reading(
                    name, "um", "measured", signed, (at_least, high), METHOD, signed, (*flags, "may_be_wider_elsewhere"), details
                )
        return Reading(name, "um", "detected", None, (low, high), METHOD, signed, flags, details)

    def _usual_level(self) -> float:
        return float(np.median([trace.found.usual for trace in self.traces]))

    def _window_size(self) -> int:
        return max(1, min(int(self.assessed.sum()), round(WIDEST_OVER_MM / float(np.median(self.length)))))

    def _reasons(self) -> dict[str, float]:
        out: dict[str, float] = {}
        words = [word for trace in self.traces for word in trace.found.why]
        for word, length in zip(words, self.length, strict=True):
            if word:
                out[word] = out.get(word, 0.0) + float(length)
        return out

    def _line(self) -> list[list[list[float]]]:
        return [[[round(float(x), 1), round(float(y), 1)] for x, y in trace.stations.xy] for trace in self.traces]

    def _line_of(self, index: np.ndarray) -> list[list[float]]:
        return [[round(float(x), 1), round(float(y), 1)] for x, y in self._join(lambda t: t.stations.xy)[index]]

    def table(self) -> list[dict[str, Any]]:
        """Every station, for display and for another threshold."""
        names = [STATE_NAMES[kind] for kind in self.state]
        rows = zip(self.length, names, self.opening, self.draws.std(axis=0), self.limit, strict=True)
        return [
            {"length": float(a), "state": b, "opening": round(float(c), 2), "u": round(float(d), 2), "limit": round(float(e), 2)}
            for a, b, c, d, e in rows
        ]  # fmt: skip


def _noise(rng: np.random.Generator, trace: Trace) -> np.ndarray:
    """Draws of the noise of the openings of one trace, shape (draws, n), pixels."""
    s, found = trace.stations, trace.found
    n = len(s.width_px)
    sd = np.sqrt(np.diag(s.width_covariance))
    correlation = s.width_covariance / np.outer(sd, sd)
    values, vectors = np.linalg.eigh(correlation)
    joint = rng.normal(size=(DRAWS, n)) @ (vectors * np.sqrt(np.maximum(values, 0.0))).T
    alone = rng.normal(size=(DRAWS, n))
    return np.asarray(np.where(found.resolved, joint, alone) * found.u_opening_px)
