"""Sets apart openings that may be dark reflections in polished metal.

Notes
-----
A dark band between tooth and bright metal may be a crevice or the dark throat mirrored in the metal's rim. Pixel by pixel they
look the same, and both may taper. What tells them apart where the band is resolved: the far edge of a crevice is an edge of
metal, as sharp as the lens draws it, while what is mirrored changes gradually (`edge_softness`); a crevice is near black, while
metal gives some light back; and where it does, a reflection's width wavers with the curve of the rim. A run that is soft, not dark,
part of a pale band, or both lit and uneven is not assessed, nor one wider than any plausible opening, nor one that runs into metal
as dark as a slot over its whole breadth; where an opening suddenly doubles its width, or widens with a soft edge, the bulge is
not. What is left and wider
than the coarsest clinical limit bears a flag: the explorer decides.
"""

from __future__ import annotations

import numpy as np

from audit.measure.band_colour import BESIDE, COLOURED
from audit.measure.runs import runs

__all__ = ["DARK", "MAY_BE_OPEN", "PALE", "edge_softness", "reflections"]

DARK = "metal_dark_as_a_slot"
INTO_DARK = "runs_into_dark_metal"
WIDE = "as_wide_as_a_shadow"
SOFT = "soft_as_a_reflection"
SOFTEST = 2.0
"""Softest edge of a crevice, in units of the blur of the photo; common practice, no published source."""
BULGE = 1.25
"""A soft edge where a crevice is this much wider than where it is sharp is that of a reflection beside it."""
PALE = "paler_than_a_crevice"
PALEST = 0.30
"""Level of the palest crevice whose width is resolved, relative to the tooth beside it; common practice, no published source."""
UNEVEN = "lit_and_uneven_as_a_reflection"
LIT = 0.15
"""Level from which a dark band gives back more light than the depth of a crevice does; common practice, no published source."""
UNEVEN_SHARE, UNSHARP = 0.28, 1.5
"""From there on its width must be steady (standard deviation over mean) and its edges sharp, or it may be a reflection."""
_ENOUGH = 4
QUARTILES = 1.349
"""From a quarter to three quarters of a Gaussian edge, in units of its blur."""


MAY_BE_OPEN = frozenset({BESIDE, COLOURED, INTO_DARK, WIDE, SOFT, PALE, UNEVEN})
"""Reasons under which an opening may hide: the widest opening is then not known."""


def edge_softness(
    offset_px: np.ndarray, profiles: np.ndarray, centre_px: np.ndarray, width_px: np.ndarray, blur_px: np.ndarray
) -> np.ndarray:
    """Softness of the softer edge of each slot: 1 as sharp as the blur, more where the light rises gradually.

    Parameters
    ----------
    offset_px : ndarray, shape (m,)
        Across the margin.
    profiles : ndarray, shape (n, m)
        Linear light.
    centre_px, width_px, blur_px : ndarray, shape (n,)
        Of the slot; one narrower than two blurs is called sharp.
    """
    out = np.ones(len(profiles))
    for i, (profile, centre, width, blur) in enumerate(zip(profiles, centre_px, width_px, blur_px, strict=True)):
        if width < 2.0 * blur:
            continue
        floor = float(np.interp(centre, offset_px, profile))
        rises = [_rise(side * (offset_px - centre), profile, floor, 0.5 * width, blur) for side in (-1.0, 1.0)]
        out[i] = max(rises) / (QUARTILES * blur)
    return out


def _rise(u: np.ndarray, profile: np.ndarray, floor: float, half: float, blur: float) -> float:
    """Distance from a quarter to three quarters of the rise from the slot's floor to the side's level, pixels."""
    forth = slice(None, None, 1 if u[-1] > u[0] else -1)
    u, light = u[forth], profile[forth]
    beyond = (u > half + 2.5 * blur) & (u < half + 10.0 * blur)
    outward = u >= 0
    if not beyond.any() or not np.isfinite(light).all():
        return 0.0
    rise = np.maximum.accumulate((light[outward] - floor) / max(float(np.median(light[beyond])) - floor, 1e-6))
    return float(np.interp(0.75, rise, u[outward]) - np.interp(0.25, rise, u[outward]))


def reflections(
    is_open: np.ndarray, why: tuple[str, ...], opening_px: np.ndarray, softness: np.ndarray, level: np.ndarray, widest_px: float
) -> tuple[str, ...]:
    """Reasons why stations cannot be assessed, with those added of openings that are not told from reflections.

    Parameters
    ----------
    is_open : ndarray of bool, shape (n,)
    why : tuple of str, length n
        Reasons found before; empty where there is none.
    opening_px, softness, level : ndarray, shape (n,)
        Softness is 1 and level 0 where the width is not resolved.
    widest_px : float
        A dark band wider than this somewhere is not assessed anywhere along it.
    """
    told = list(why)
    for first, last, kind in runs(is_open.astype(int)):
        if not kind:
            continue
        beside = {why[at] for at in (first - 1, last) if 0 <= at < len(why)} | set(why[first:last])
        if (opening_px[first:last] > widest_px).any():
            told[first:last] = [WIDE] * (last - first)
        elif np.median(softness[first:last]) > SOFTEST:
            told[first:last] = [SOFT] * (last - first)
        elif np.median(level[first:last]) > PALEST or PALE in beside:
            told[first:last] = [PALE] * (last - first)
        elif _uneven(opening_px[first:last], softness[first:last], level[first:last]):
            told[first:last] = [UNEVEN] * (last - first)
        elif DARK in beside:
            told[first:last] = [INTO_DARK] * (last - first)
        else:
            told[first:last] = _bulges(opening_px[first:last], softness[first:last], told[first:last], widest_px)
    return tuple(told)


def _bulges(opening_px: np.ndarray, softness: np.ndarray, why: list[str], widest_px: float) -> list[str]:
    """Reasons with those of stations added where a crevice suddenly seems wider: a reflection beside it."""
    usual = float(np.median(opening_px))
    sharp = softness <= SOFTEST
    plain = float(np.median(opening_px[sharp])) if sharp.any() else usual
    wide = opening_px > max(2.0 * usual, 0.5 * widest_px)
    soft = ~sharp & (opening_px > BULGE * plain)
    return [WIDE if w else SOFT if s else word for w, s, word in zip(wide, soft, why, strict=True)]


def _uneven(opening_px: np.ndarray, softness: np.ndarray, level: np.ndarray) -> bool:
    """Whether a run gives light back and has not the steady width and the sharp edges of a crevice."""
    if len(opening_px) < _ENOUGH or np.median(level) < LIT:
        return False
    return bool(opening_px.std() > UNEVEN_SHARE * opening_px.mean() or np.median(softness) > UNSHARP)
