"""Finds bands with two sharp walls, darker than both sides and paler than a crevice, that lie against the interface.

Notes
-----
Cement, plaque, a groove of the tooth, a reflection in polished metal or a filled crevice all look like that: colour alone does
not tell. The slot fit looks for crevices near the interface and takes one wall of such a band for the interface; here the second wall
is looked for. A band counts where two edges as sharp as the photo explain the profile far better than one edge, over several
stations and with a steady width.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import median_filter, uniform_filter1d
from scipy.special import ndtr

__all__ = ["pale_bands"]

WIDTHS_PX = np.arange(6.5, 29.0, 1.5)
SHIFTS_PX = np.array([-3.0, -1.5, 0.0, 1.5, 3.0])
BETTER = 0.35
"""Share of the misfit of a single edge that two edges must leave at most."""
DARKER = 0.85
LEVELS = (0.25, 0.70)
"""Levels of such a band relative to the tooth: below it is a crevice and judged as one, above it is no filled crevice."""
STEADY_PX = 2.0
_BLURS = 4.5
"""Narrower bands are the slot fit's: their level cannot be told from their width."""
_STATIONS = 5


def pale_bands(offset_px: np.ndarray, profiles: np.ndarray, blur_px: np.ndarray) -> np.ndarray:
    """Width of the pale band at each station, pixels, shape (n,); 0 where there is none.

    Parameters
    ----------
    offset_px : ndarray, shape (m,)
        Across the interface, which lies at 0.
    profiles : ndarray, shape (n, m)
        Linear light relative to the tooth.
    blur_px : ndarray, shape (n,)
    """
    blur = float(np.median(blur_px))
    smooth = uniform_filter1d(profiles, min(3, len(profiles)), axis=0, mode="nearest")
    energy = (smooth**2).sum(axis=1)
    single = np.min([energy - _explained(_one_edge(offset_px - c, blur), smooth) for c in SHIFTS_PX], axis=0)
    best, width = np.full(len(smooth), np.inf), np.zeros(len(smooth))
    for one in WIDTHS_PX[_BLURS * blur < WIDTHS_PX]:
        centres = np.concatenate([SHIFTS_PX - one / 2, SHIFTS_PX + one / 2])
        q, r = np.linalg.qr(_two_edges(offset_px - centres[:, None], one, blur))
        on = smooth @ q
        misfit = energy - (on**2).sum(axis=2)
        left, level, right = np.linalg.solve(r, on.transpose(0, 2, 1))[:, :3].transpose(1, 0, 2)
        lies = (level < DARKER * np.minimum(left, right)) & (level > LEVELS[0]) & (level < LEVELS[1])
        least = np.where(lies, misfit, np.inf).min(axis=0)
        better = least < best
        best[better], width[better] = least[better], one
    found = best < BETTER * single
    size = min(_STATIONS, len(width))
    middle = median_filter(width, size=size, mode="nearest")
    steady = found & (np.abs(width - middle) <= STEADY_PX)
    mostly = uniform_filter1d(steady.astype(float), size, mode="nearest") > 0.5
    return np.asarray(np.where(mostly, middle, 0.0))


def _one_edge(u: np.ndarray, blur: float) -> np.ndarray:
    right = ndtr(u / blur)
    return np.stack([1.0 - right, right, u * (1.0 - right), u * right], axis=1)


def _two_edges(u: np.ndarray, width: float, blur: float) -> np.ndarray:
    """Left side, band, right side, slopes of the sides; shape (..., m, 5) for offsets (..., m)."""
    left, right = ndtr((u + width / 2) / blur), ndtr((u - width / 2) / blur)
    return np.stack([1.0 - left, left - right, right, (u + width / 2) * (1.0 - left), (u - width / 2) * right], axis=-1)


def _explained(basis: np.ndarray, profiles: np.ndarray) -> np.ndarray:
    return np.asarray(((profiles @ np.linalg.qr(basis)[0]) ** 2).sum(axis=1))
