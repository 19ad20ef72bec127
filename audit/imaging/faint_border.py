"""Whether a faint line runs across a tooth, beyond which a white casting could mirror the teeth evenly.

Notes
-----
Polished white alloy in front of teeth can have their colour, so that no pixel tells it from enamel; its border still does, as a
line along which light or chroma changes within a few pixels and on from which it stays changed. Enamel changes smoothly, and a
highlight or a crack changes back. Along the best line from side to side, moved by dynamic programming, most of it must
stand out from the slopes on both of its sides. White alloy takes chroma away: what is yellower beyond the line is stain or dentine.

On drawn teeth 1 even band in 62 showed no such line (as light and as yellow as its enamel, it has no border to see), and 7 sound teeth
in 112 showed one, as did 2 of 18 photographed ones: there the reader is asked.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from audit.imaging.enamel import brightest, log_colour

__all__ = ["FAINT_REACH", "beyond_faint_border"]

_STEP = 2
"""Working pixels to either side of a line between which it is a step."""
_LEAST = 0.02
"""Step that counts, of ln Y and a share of what chroma falls; nine in ten of drawn sound teeth show less than 0.016."""
_OF_CHROMA = 0.4
_LONG, _MOST_GAPS = 0.5, 0.3
"""How long a line must be, share of the outline's side, and the share of it that may not stand out."""
_CLIPPED, _MOST = 0.9, 0.2
FAINT_REACH = 3.0 * _STEP + 2.0
"""Working pixels from the outline within which no such line is told from the shade at a tooth's edge."""
_TOLL = 0.002
_REACH = 2


def beyond_faint_border(linear: np.ndarray, inside: np.ndarray, border_px: np.ndarray, edge_below: bool, nearest: float) -> np.ndarray:
    """What lies between such a line and the occlusal edge, bool (h, w); nothing where there is no line.

    Parameters
    ----------
    linear : ndarray of float32, shape (h, w, 3)
        Linear light of the working grid, balanced.
    inside : ndarray of bool, shape (h, w)
    border_px : ndarray, shape (h, w)
        Distance to the outline.
    edge_below : bool
        Whether the occlusal edge is at the bottom of the image.
    nearest : float
        How far from that edge the line may lie, share of the height.
    """
    flip = slice(None) if edge_below else slice(None, None, -1)
    rows, columns = (np.flatnonzero(inside.any(axis=axis)) for axis in (1, 0))
    part = np.s_[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    light, within, rim = (a[part][flip] for a in (linear, inside, border_px))
    size = float(np.sqrt(np.count_nonzero(within)))
    usable = cv2.dilate((brightest(light) > _CLIPPED).astype(np.uint8), np.ones((9, 9), np.uint8)) == 0
    usable &= rim > FAINT_REACH
    usable[: round((1.0 - nearest) * len(usable))] = False
    steps = _steps(np.stack(log_colour(np.asarray(cv2.GaussianBlur(np.ascontiguousarray(light), (0, 0), 0.8))))) * usable
    path, strength = _lines(steps, max(3, round(_LONG * size)))
    out = np.zeros_like(inside)
    if strength.max() > _LEAST:
        best = path[int(np.argmax(strength))]
        out[part][flip] = within & (np.arange(len(within))[:, None] > best)
    return out


def _steps(logs: np.ndarray) -> np.ndarray:
    """How much each pixel stands out as a step downwards, darker and lighter, from the slopes above and below it, shape (2, h, w)."""
    near, far = _STEP, 3 * _STEP
    step, above, below = (np.zeros_like(logs) for _ in range(3))
    step[:, near:-near] = logs[:, 2 * near :] - logs[:, : -2 * near]
    below[:, far:-far] = logs[:, 2 * far :] - logs[:, 2 * far - 2 * near : -2 * near]
    above[:, far:-far] = logs[:, 2 * near : -2 * far + 2 * near] - logs[:, : -2 * far]

    def standing(channel: int, sign: float) -> np.ndarray:
        slope = np.maximum(sign * above[channel], sign * below[channel])
        return np.asarray(np.clip(sign * step[channel] - np.maximum(slope, 0.0), -_MOST, _MOST))

    paler = _OF_CHROMA * (standing(1, -1.0) + standing(2, -1.0))
    return np.stack([standing(0, -1.0) + paler, standing(0, 1.0) + paler])


def _lines(steps: np.ndarray, long: int) -> tuple[np.ndarray, np.ndarray]:
    """Best line from side to side of each picture of steps, rows (k, w), and what most of its best stretch reaches (k,)."""
    count, height, width = steps.shape
    padded = np.full((count, height + 2 * _REACH), -np.inf, dtype=np.float32)
    reachable = sliding_window_view(padded, 2 * _REACH + 1, axis=1)
    toll = (_TOLL * np.abs(np.arange(-_REACH, _REACH + 1))).astype(np.float32)
    total = padded[:, _REACH : _REACH + height]
    came = np.empty((width, count, height), dtype=np.intp)
    total[:] = steps[:, :, 0]
    for x in range(1, width):
        options = reachable - toll
        came[x] = options.argmax(axis=2)
        total[:] = options.max(axis=2) + steps[:, :, x]
    path = np.empty((count, width), dtype=np.intp)
    path[:, -1] = total.argmax(axis=1)
    for x in range(width - 1, 0, -1):
        path[:, x - 1] = path[:, x] + came[x, np.arange(count), path[:, x]] - _REACH
    along = np.take_along_axis(steps, path[:, None, :], axis=1)[:, 0]
    stretches = sliding_window_view(along, min(long, width), axis=1)
    return path, np.quantile(stretches, _MOST_GAPS, axis=2).max(axis=1)
