"""Teeth of one side as the height field of their facial surfaces, and the gingiva round their necks.

Notes
-----
Model frame: an upper right row seen from the cheek; mesial to +x, occlusal to +y, z to the camera,
mm. The facial surface is z(x, y) of each crown: a height of contour in the cervical third, cusp
ridges with the buccal groove between, line angles that turn away as a superellipse, and cusp tips
with a rounded edge behind which the surface falls away. What lies behind the cusp line is drawn as
a dark wall, and never counts as facial. Sizes of crowns are round figures of a textbook kind
(from memory, no source needed: any tooth will do, its truth is computed from its own geometry).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

__all__ = ["Crown", "Row", "build_row"]


@dataclass(frozen=True)
class Crown:
    """One crown of the row, mm: middle, width, height from neck to cusp tip, level of its tip, set-back, slope sideways,
    whether a molar, shade, and how straight its edge is (0 a cusp, 1 an incisor)."""

    x_mm: float
    width_mm: float
    height_mm: float
    tip_mm: float
    back_mm: float
    turn: float
    molar: bool
    tint: float
    blunt: float = 0.0

    @property
    def neck_mm(self) -> float:
        """y of the neck at the middle of the crown."""
        return self.tip_mm - self.height_mm

    @property
    def cusps(self) -> tuple[tuple[float, float], ...]:
        """x and drop (mm) of each facial cusp tip, mesial first."""
        if not self.molar:
            return ((self.x_mm + 0.02 * self.width_mm, 0.0),)
        return (self.x_mm + 0.235 * self.width_mm, 0.0), (self.x_mm - 0.225 * self.width_mm, 0.25)

    @property
    def groove_mm(self) -> float:
        """x of the buccal groove."""
        return self.x_mm - 0.01 * self.width_mm

    def edge(self, x: np.ndarray) -> np.ndarray:
        """y of the occlusal outline over x."""
        steep = 0.16 if self.molar else 0.17 * (1.0 - self.blunt) + 0.012
        cusps = np.stack([self.tip_mm - drop - steep * (x - at) ** 2 for at, drop in self.cusps])
        joined = np.logaddexp.reduce(cusps / 0.16, axis=0) * 0.16
        out = np.clip((np.abs(x - self.x_mm) / (0.5 * self.width_mm)) - 0.80, 0.0, 1.2)
        return np.asarray(joined - (16.0 - 8.0 * self.blunt) * out**2)

    def half_width(self, y: np.ndarray) -> np.ndarray:
        """Half the mesiodistal width at level y."""
        level = np.clip((y - self.neck_mm) / self.height_mm, -0.6, 1.0)
        return np.asarray(0.5 * self.width_mm * (1.0 - 0.26 * np.clip((0.66 - level) / 0.66, 0.0, 2.0) ** 1.7))

    def inside(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Rough inside distance of the facial outline, mm."""
        side = self.half_width(y) - np.abs(x - self.x_mm)
        below = (self.edge(x) - y) * 0.9
        lowest = np.minimum(side, below)
        return np.asarray(lowest - 0.12 * np.exp(-np.abs(side - below) / 0.3))

    def surface(self, x: np.ndarray, y: np.ndarray, floor_mm: float = -9.0) -> np.ndarray:
        """z of the crown where it is, falling to `floor_mm` elsewhere."""
        level = (y - self.neck_mm) / self.height_mm
        z = np.where(level > 0.32, -2.0 * (level - 0.32) ** 2, -4.2 * (level - 0.32) ** 2)
        z = z + self._ridges(x, level)
        s = np.abs(x - self.x_mm) / self.half_width(y)
        z = z - 3.0 * (1.0 - np.clip(1.0 - np.minimum(s, 1.0) ** 2.7, 0.0, 1.0) ** (1 / 2.1))
        gone = self.edge(x) - y
        z = z - 0.30 * np.exp(-np.maximum(gone, 0.0) / 0.16) + 9.0 * np.minimum(gone, 0.0)
        z = z - 6.0 * np.maximum(s - 1.0, 0.0) * 0.5 * self.width_mm
        lean = self.turn * np.clip(x - self.x_mm, -0.6 * self.width_mm, 0.6 * self.width_mm)
        return np.asarray(np.maximum(z + lean - self.back_mm, floor_mm))

    def _ridges(self, x: np.ndarray, level: np.ndarray) -> np.ndarray:
        if not self.molar:
            return np.asarray(0.22 * np.exp(-(((x - self.cusps[0][0]) / 1.6) ** 2)) * np.clip(level, 0.0, 1.0))
        ramp = np.clip((level - 0.30) / 0.35, 0.0, 1.0)
        ramp = ramp * ramp * (3 - 2 * ramp)
        groove = np.abs(x - self.groove_mm - 0.12 * np.sin(5 * level))
        cut = 0.42 * np.exp(-((groove / 0.75) ** 2)) + 0.20 * np.exp(-groove / 0.14)
        bulge = sum(0.16 * np.exp(-(((x - at) / 1.7) ** 2)) for at, _ in self.cusps)
        return np.asarray((bulge - cut) * ramp)


@dataclass(frozen=True)
class Row:
    """The crowns of one side, mesial first, and which of them is audited."""

    crowns: tuple[Crown, ...]
    audited: int

    @property
    def tooth(self) -> Crown:
        """The audited crown."""
        return self.crowns[self.audited]


def build_row(seed: int, molar: bool) -> Row:
    """A row of a canine, two premolars and three molars, shaped by `seed`, the audited crown at x = 0."""
    rng = np.random.default_rng([seed, 1])
    widths = np.array([7.8, 7.1, 6.8, 10.3, 9.6, 8.8]) * rng.normal(1.0, 0.02, 6)
    heights = np.array([9.6, 8.4, 7.7, 7.3, 6.9, 6.2]) * rng.normal(1.0, 0.03, 6)
    audited = 3 if molar else 2
    middles = -np.concatenate([[0.0], np.cumsum((widths[1:] + widths[:-1]) / 2 + 0.03)])
    middles -= middles[audited]
    tips = heights[audited] / 2 + rng.normal(0.0, 0.15, 6) + np.array([0.7, 0.3, 0.1, 0.0, -0.25, -0.6])
    tips[audited] = heights[audited] / 2
    backs = np.array([2.6, 1.0, 0.35, 0.0, 0.25, 1.1]) + rng.normal(0.0, 0.12, 6)
    turns = np.array([-0.42, -0.2, -0.1, 0.0, 0.03, 0.08]) + rng.normal(0.0, 0.02, 6)
    backs, turns = backs - backs[audited], turns - turns[audited]
    tints = rng.normal(0.0, 0.25, 6)
    crowns = tuple(
        Crown(
            float(middles[i]),
            float(widths[i]),
            float(heights[i]),
            float(tips[i]),
            float(backs[i]),
            float(turns[i]),
            i >= 3,
            float(tints[i]),
        )
        for i in range(6)
    )
    return Row(crowns, audited)
