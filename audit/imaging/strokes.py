"""A proposal solved again from what a reader marked with a few strokes; pure, and quick enough to follow the hand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from shapely.geometry import Polygon
from skimage.graph import MCP_Geometric

from audit.imaging.enamel import log_colour
from audit.imaging.segment import Look, Proposal, settle

__all__ = ["Stroke", "correct_metal"]

_HALF = 2
"""Working pixels to one on which the reach of a stroke is found."""
_CALM, _REACH = 0.02, 0.5
"""What a step costs where nothing changes, and how far a stroke reaches: about as far as to the next clear edge."""
_TOLD = 9.0
"""Log odds that a stroke adds where it lies; the most that colour says is 6."""


@dataclass(frozen=True)
class Stroke:
    """A line that a reader drew over what is metal, or is not.

    Parameters
    ----------
    xy : ndarray, shape (n, 2)
        Photo pixels, at least one point.
    is_metal : bool
    radius_px : float
        Half the width of the pen.
    """

    xy: np.ndarray
    is_metal: bool
    radius_px: float = 3.0


def correct_metal(pixels: np.ndarray, outline: Polygon, proposal: Proposal, strokes: Sequence[Stroke]) -> Proposal:
    """The region as the strokes correct it.

    Parameters
    ----------
    pixels : ndarray, shape (height, width, 3)
        The photo as read.
    outline : Polygon
    proposal : Proposal
        Of this photo and outline; its look at the photo is used again.
    strokes : sequence of Stroke
        All of them, in any order; a later one does not undo an earlier one unless it lies over it.

    Notes
    -----
    A stroke is certain where it lies and fades along the cheapest way over the picture, where every change of light or colour
    costs: it fills the reflection that it was drawn in and stops at its edge. Without strokes the proposal is returned as it is.
    """
    if not strokes:
        return proposal
    look = proposal.look
    effort = _effort(look)
    told = np.zeros(look.grid.inside.shape, dtype=np.float32)
    for is_metal in (True, False):
        drawn = _drawn(look, [s for s in strokes if s.is_metal == is_metal])
        if drawn.any():
            told += np.float32(_TOLD if is_metal else -_TOLD) * _influence(drawn, effort)
    for stroke in strokes:
        told[_drawn(look, [stroke])] = 2.0 * _TOLD if stroke.is_metal else -2.0 * _TOLD
    return settle(pixels, outline, look, told)


def _effort(look: Look) -> np.ndarray:
    """What a step costs at every place, at half the working resolution."""
    logs = np.stack(log_colour(cv2.GaussianBlur(look.linear, (0, 0), 1.0)), axis=-1)
    small = cv2.resize(logs, None, fx=1.0 / _HALF, fy=1.0 / _HALF, interpolation=cv2.INTER_AREA)
    across, down = cv2.Scharr(small, cv2.CV_32F, 1, 0), cv2.Scharr(small, cv2.CV_32F, 0, 1)
    return np.asarray(_CALM + np.sqrt((across**2 + down**2).sum(axis=-1)) / 32.0)


def _drawn(look: Look, strokes: Sequence[Stroke]) -> np.ndarray:
    """Working pixels under strokes, inside the outline."""
    out = np.zeros(look.grid.inside.shape, dtype=np.uint8)
    for stroke in strokes:
        xy = np.asarray(stroke.xy, dtype=float).reshape(-1, 2)
        at = np.round((np.vstack([xy, xy[-1:]]) - look.grid.origin_px) / look.grid.step_px * 16.0).astype(np.int32)
        width = max(1, round(2.0 * stroke.radius_px / float(look.grid.step_px.mean())))
        cv2.polylines(out, [at.reshape(-1, 1, 2)], False, 1, width, shift=4)
    return np.asarray(out.astype(bool) & look.grid.inside)


def _influence(drawn: np.ndarray, effort: np.ndarray) -> np.ndarray:
    """1 where strokes lie, fading with the effort of getting there, on the working grid."""
    small = cv2.resize(drawn.astype(np.float32), effort.shape[::-1], interpolation=cv2.INTER_AREA) > 0
    cost, _ = MCP_Geometric(effort).find_costs(np.argwhere(small))
    near = np.exp(-((np.minimum(cost, 9.0) / _REACH) ** 2)).astype(np.float32)
    return np.asarray(cv2.resize(near, drawn.shape[::-1], interpolation=cv2.INTER_LINEAR))
