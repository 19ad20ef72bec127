"""Tells by colour alone a dark band that is no crevice between metal and tooth.

Notes
-----
A crevice is dark, and beyond one of its walls lies the tooth. What light leaves it has become redder on the way, between gold and
tooth and through blood: a band that gives back more green or blue than its luma tells is painted or filled (one that gives back more
red may be stained: `lookalikes`). A band beyond whose wall on the tooth's side there is still metal lies in the metal: a reflection, a
scratch, a groove; one with tooth on both sides is a stain or a crack. Both signs need a band whose width is resolved and a photo with
colour; the second also a metal whose hue differs from the tooth's, and tooth on both sides a gold: white metal mirrors the tooth.
What is dark and flush with the tooth has the colour of a crevice, whatever it is.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import median_filter

from audit.measure.runs import runs
from audit.measure.slot_fit import CENTRE, SlotFit

__all__ = ["BESIDE", "COLOURED", "coloured_or_beside", "same_beyond"]

COLOURED = "coloured_as_no_crevice"
BESIDE = "one_material_on_both_sides"
COLD, COLDER = 0.25, 1.4
"""Level of green or blue, relative to the tooth's, from which on a band that is so much darker in luma is coloured; common practice, no
published source."""
MOSTLY = 0.55
FAR_PX = (14.0, 26.0)
"""Where metal and tooth are taken to be themselves."""
BEYOND_BLURS = 0.5
ALIKE = 0.995
"""Cosine between the lights of metal and tooth from which on their hues are not told apart."""
MIRRORS = 0.965
"""And from which on metal that mirrors the tooth may look like it; gold stays below."""
_ALONG = 5


def same_beyond(x: np.ndarray, y: np.ndarray, fit: SlotFit, tooth_side: int) -> np.ndarray:
    """Share of one side's hue just beyond each band's wall on the other side, shape (n,); 0 where hues are not told apart.

    Parameters
    ----------
    x : ndarray, shape (m,)
        Offsets, pixels.
    y : ndarray, shape (n, m, channels)
        Linear light relative to the tooth; red, green, blue first.
    fit : SlotFit
    tooth_side : int
        Sign of the offsets at which the tooth lies.
    """
    if y.shape[2] < 3:
        return np.zeros(len(y))
    far = (np.abs(x) >= FAR_PX[0]) & (np.abs(x) <= FAR_PX[1])
    tooth, metal = (np.median(y[:, far & (side * x > 0), :3], axis=(0, 1)) for side in (tooth_side, -tooth_side))
    lengths = float(np.linalg.norm(tooth) * np.linalg.norm(metal))
    alike = float(tooth @ metal) / max(lengths, 1e-9)
    if lengths <= 0 or alike > ALIKE:
        return np.zeros(len(y))
    lights = np.stack([metal, tooth], axis=1)
    metal_there = np.asarray(_shares(_beyond(x, y, fit, tooth_side), lights)[0])
    return metal_there if alike > MIRRORS else np.asarray(np.maximum(metal_there, _shares(_beyond(x, y, fit, -tooth_side), lights)[1]))


def _beyond(x: np.ndarray, y: np.ndarray, fit: SlotFit, side: int) -> np.ndarray:
    """Red, green and blue just beyond each band's wall on one side, shape (n, 3), smoothed along the margin."""
    at = fit.theta[:, CENTRE] + side * (np.maximum(fit.width_px, 0.0) / 2 + BEYOND_BLURS * fit.blur_px)
    place = np.clip((at - x[0]) / (x[1] - x[0]), 0.0, len(x) - 1.001)
    left, row = place.astype(int), np.arange(len(y))
    share = (place - left)[:, None]
    light = (1.0 - share) * y[row, left, :3] + share * y[row, left + 1, :3]
    return np.asarray(median_filter(light, size=(min(_ALONG, len(light)), 1), mode="nearest"))


def _shares(light: np.ndarray, lights: np.ndarray) -> np.ndarray:
    """Shares of metal's and tooth's light, shape (2, n)."""
    parts = np.maximum(np.linalg.lstsq(lights, light.T, rcond=None)[0], 0.0)
    return np.asarray(parts / np.maximum(parts.sum(axis=0), 1e-6))


def coloured_or_beside(
    is_open: np.ndarray, resolved: np.ndarray, why: tuple[str, ...], level: np.ndarray, cold: np.ndarray, beyond: np.ndarray
) -> tuple[str, ...]:  # fmt: skip
    """Reasons why stations cannot be assessed, with those added of openings, resolved for the most part, that colour tells from crevices.

    Parameters
    ----------
    is_open, resolved : ndarray of bool, shape (n,)
    why : tuple of str, length n
    level, cold, beyond : ndarray, shape (n,)
        Level of each band in luma, and in green or blue, the brighter, relative to the tooth's; `same_beyond`.
    """
    told = list(why)
    for first, last, kind in runs(is_open.astype(int)):
        sure = resolved[first:last]
        if not kind or sure.mean() <= 0.5:
            continue
        if np.median(beyond[first:last][sure]) > MOSTLY:
            told[first:last] = [BESIDE] * (last - first)
        elif (green_or_blue := np.median(cold[first:last][sure])) > COLD and green_or_blue > COLDER * np.median(level[first:last][sure]):
            told[first:last] = [COLOURED] * (last - first)
    return tuple(told)
