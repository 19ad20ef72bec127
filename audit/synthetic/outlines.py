"""The restoration margin on the facial surface as an exact line, by design, and distances to it."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from audit.synthetic.crown import Crown, Row
from audit.synthetic.gum import gum_line
from audit.synthetic.spec import Mouth

__all__ = ["Margin", "facial_margin", "lingual_margin", "rounded"]

FINE_MM = 0.01


class Margin:
    """A margin line with its metal on the left of the direction of travel, as seen with y down."""

    def __init__(self, xy: np.ndarray) -> None:
        length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
        along = np.arange(0.0, length[-1], FINE_MM)
        self.along = along
        self.xy = np.stack([np.interp(along, length, xy[:, k]) for k in (0, 1)], axis=1)
        tangent = np.gradient(self.xy, axis=0)
        tangent /= np.maximum(np.hypot(*tangent.T), 1e-12)[:, None]
        self._left = np.stack([tangent[:, 1], -tangent[:, 0]], axis=1)

    def distance(self, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Signed distance (positive on the metal) and running length at the nearest point, mm, shapes of `x`."""
        points = np.stack([x.ravel(), y.ravel()], axis=1)
        away, nearest = cKDTree(self.xy).query(points)
        side = np.einsum("ij,ij->i", points - self.xy[nearest], self._left[nearest])
        inner = (nearest > 0) & (nearest < len(self.xy) - 1)
        near = inner & (np.abs(side) > 0.7 * away) & (away < 0.5)
        signed = np.where(near, side, np.sign(side) * away)
        return signed.reshape(x.shape), self.along[nearest].reshape(x.shape)


def facial_margin(mouth: Mouth, row: Row) -> Margin | None:
    """Margin of the facial aspect from its mesial end, model frame mm; ``None`` where no metal reaches the facial."""
    tooth = row.tooth
    if mouth.design == "inlay":
        return None
    if mouth.design == "complete_crown":
        return Margin(rounded(_cervical(mouth, row, tooth.x_mm + 0.62 * tooth.width_mm, tooth.x_mm - 0.62 * tooth.width_mm)))
    mesial = tooth.x_mm + 0.62 * tooth.width_mm
    if mouth.design != "seven_eighths":
        return Margin(rounded(_bevel(mouth, tooth, mesial, tooth.x_mm - 0.62 * tooth.width_mm)))
    turn = tooth.groove_mm + 0.85 if tooth.molar else tooth.x_mm - 0.1 * tooth.width_mm
    bevel = _bevel(mouth, tooth, mesial, turn)
    cervical = _cervical(mouth, row, turn + 0.1, tooth.x_mm - 0.62 * tooth.width_mm)
    level = np.linspace(bevel[-1, 1], cervical[0, 1], 60)[1:-1]
    share = (level - level[0]) / (level[-1] - level[0])
    down = np.stack([turn + 0.1 * share + 0.10 * np.sin(np.pi * share), level], axis=1)
    return Margin(rounded(np.concatenate([bevel, down, cervical])))


def lingual_margin(mouth: Mouth, row: Row) -> Margin | None:
    """Margin of the lingual aspect: cervical where the design covers it, a bevel below the cusps on an onlay."""
    tooth = row.tooth
    ends = tooth.x_mm + 0.62 * tooth.width_mm, tooth.x_mm - 0.62 * tooth.width_mm
    if mouth.design == "inlay":
        return None
    if mouth.design == "onlay":
        return Margin(rounded(_bevel(mouth, tooth, *ends, band_mm=max(1.4, mouth.band_mm))))
    return Margin(rounded(_cervical(mouth, row, *ends)))


def _bevel(mouth: Mouth, tooth: Crown, start: float, end: float, band_mm: float | None = None) -> np.ndarray:
    x = np.linspace(start, end, 160)
    return np.stack([x, tooth.edge(x) - (mouth.band_mm if band_mm is None else band_mm)], axis=1)


def _cervical(mouth: Mouth, row: Row, start: float, end: float) -> np.ndarray:
    x = np.linspace(start, end, 160)
    return np.stack([x, gum_line(row, x, 0.0) + mouth.finish_line_mm], axis=1)


def rounded(xy: np.ndarray, radius_mm: float = 0.22) -> np.ndarray:
    """The line resampled finely and its corners eased over about `radius_mm`."""
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    at = np.arange(0.0, length[-1], FINE_MM)
    even = np.stack([np.interp(at, length, xy[:, k]) for k in (0, 1)], axis=1)
    half = round(1.5 * radius_mm / FINE_MM)
    kernel = np.hanning(2 * half + 1)
    kernel /= kernel.sum()
    reach = np.pad(even, ((half, half), (0, 0)), mode="reflect", reflect_type="odd")
    return np.stack([np.convolve(reach[:, k], kernel, mode="valid") for k in (0, 1)], axis=1)
