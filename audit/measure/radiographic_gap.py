"""Gap between casting and tooth along one site of a radiograph: its mean and its widest quarter millimetre."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from audit.core.quantity import Quantity, combine, source
from audit.core.records import Photo, Reading
from audit.errors import Refused
from audit.imaging.sample import sample
from audit.measure.edge_response import Response, autocorrelation_sum
from audit.measure.proximal_outline import OuterEnd
from audit.measure.slot_radiograph import Slot, fit_slot

__all__ = ["PATH_MM", "Band", "closing_angle_deg", "fit_band", "gap_readings", "straighten"]

METHOD = "radiographic_slot@1"
PATH_MM = 4.0
"""Path of the beam through the gap that the closing angle is stated for."""
WINDOW_MM = 0.25
SHORTEST_MM = 0.3
GAP_MODEL_UM, GAP_MODEL_BLUR = 3.0, 0.22
"""Standard uncertainty of the profile model: uneven levels and finish line (um); shape of blur and grey curve (blur sigmas)."""
ALWAYS = ("lower_bound", "tilt_unknown")


@dataclass(frozen=True)
class Band:
    """Columns across the interface: `rows` (n, m) grey values at `offset_px` (m,) from the metal's edge into the tooth."""

    offset_px: np.ndarray
    rows: np.ndarray
    line_xy: list[list[float]]


def closing_angle_deg(gap_um: float, path_mm: float = PATH_MM) -> float:
    """Inclination of the beam that closes a straight gap, degrees: ``atan(g / L)``."""
    return math.degrees(math.atan2(gap_um / 1000.0, path_mm))


def straighten(grey: np.ndarray, end: OuterEnd, line_xy: np.ndarray, response: Response, outline_px: float, mm_per_px: float) -> Band:
    """Columns along the site, straightened on the metal's lower edge (a parabola through the edges of all columns).

    Parameters
    ----------
    grey : ndarray, shape (height, width)
    end : OuterEnd
        On the interface.
    line_xy : ndarray, shape (n, 2)
        Trace moved onto the interface, one point a pixel.
    response : Response
    outline_px : float
        Where the casting's outline meets the finish line, outwards from the outer end.
    mm_per_px : float

    Raises
    ------
    Refused
        ``site_too_short``, ``outside_crop`` or ``interface_not_found``.
    """
    length = float(np.max((end.origin - line_xy) @ end.outwards))
    first = max(0.0, -outline_px) + 3.0 * response.blur_px + 2.0
    along = np.arange(first, length - 2.0)
    if len(along) * mm_per_px < SHORTEST_MM:
        raise _too_short(len(along), mm_per_px)
    wide = np.arange(-24.0, 25.0)
    columns = sample(grey, _frame(end, along, wide, np.zeros(len(along)))).astype(float)
    if np.isnan(columns).any():
        raise Refused("outside_crop", "the site lies at the border of the picture.", "Take a crop with 1 mm around every site.")
    edges = np.array([_edge(wide, column) for column in columns])
    keep = np.isfinite(edges)
    if keep.sum() < 0.6 * len(edges):
        raise Refused("interface_not_found", "the metal's edge is not seen along the trace.", "Trace along the edge of the casting.")
    curve = np.polyfit(along[keep], edges[keep], 2 if keep.sum() > 12 else 1)
    keep &= np.abs(edges - np.polyval(curve, along)) < 3.0
    curve = np.polyfit(along[keep], edges[keep], 2 if keep.sum() > 12 else 1)
    offset = np.arange(-10.0, 31.0)
    rows = sample(grey, _frame(end, along, offset, np.polyval(curve, along)), cubic=True).astype(float)
    good = ~np.isnan(rows).any(axis=0)
    inside = _inside_tooth(response.scaled(rows[:, (offset > 17) & (offset < 25)]), response.blur_px)
    if (len(along) - inside) * mm_per_px < SHORTEST_MM:
        raise _too_short(len(along) - inside, mm_per_px)
    along, rows = along[inside:], rows[inside:]
    shown = _frame(end, along[:: max(1, len(along) // 12)], np.zeros(1), np.polyval(curve, along[:: max(1, len(along) // 12)]))[:, 0]
    return Band(offset[good], rows[:, good], shown.tolist())


def _inside_tooth(below: np.ndarray, blur_px: float) -> int:
    """Columns at the outer end below which gum, not tooth, is seen (an overhang), and two blur sigmas more."""
    level = np.nanmean(below, axis=1)
    gum = np.flatnonzero(level < 0.8 * np.nanmedian(level))
    return int(gum[gum < len(level) / 2].max(initial=-1)) + 1 + (round(2.0 * blur_px) if gum.size else 0)


def _too_short(columns: int, mm_per_px: float) -> Refused:
    return Refused("site_too_short", f"{columns * mm_per_px:.2f} mm of interface lies inside the outline; {SHORTEST_MM} is needed.",
                   "Trace the interface farther inwards.")  # fmt: skip


def fit_band(band: Band, response: Response) -> Slot:
    """The slot in the mean profile of a band."""
    mean = band.rows.mean(axis=0)
    at = np.linspace(-1.0, 1.0, len(band.rows))
    order = min(3, len(at) - 3)
    residual = band.rows - np.polynomial.polynomial.polyval(at, np.polynomial.polynomial.polyfit(at, band.rows, order)).T
    residual = residual * np.sqrt(len(at) / (len(at) - order - 1))
    spread = np.sqrt(np.mean(residual**2, axis=0))
    sigma = np.sqrt(np.mean(spread**2)) * np.sqrt(autocorrelation_sum(residual, 0) / len(band.rows) * autocorrelation_sum(residual, 1))
    return fit_slot(band.offset_px, mean, np.full(len(mean), sigma), response)


def gap_readings(
    band: Band, whole: Slot, response: Response, scale: Quantity, photo: Photo, surface: str, flags: tuple[str, ...]
) -> list[Reading]:
    """Mean and widest gap at one enamel-bounded site.

    Parameters
    ----------
    band : Band
    whole : Slot
        Of the whole band (`fit_band`).
    response : Response
    scale : Quantity
        Across the interface, mm/px.
    photo : Photo
    surface : str
    flags : tuple of str
    """
    identity = f"{photo.identity}:{surface}"
    count = max(1, round(len(band.rows) * scale.value / WINDOW_MM))
    pieces = (
        [fit_band(Band(band.offset_px, rows, band.line_xy), response) for rows in np.array_split(band.rows, count)]
        if count > 1
        else [whole]
    )
    widest = max(pieces, key=lambda slot: (slot.status == "measured", slot.width_px if slot.status == "measured" else slot.interval_px[1]))
    details = {"surface": surface, "path_mm": PATH_MM, "line": band.line_xy, "positions": len(pieces),
               "site_mm": len(band.rows) * scale.value}  # fmt: skip
    return [
        _reading("radiographic_gap_width", whole, 0.0, scale, identity, flags, details),
        _reading("widest_radiographic_gap", widest, _maximum_bias(pieces), scale, identity, flags, details),
    ]


def _frame(end: OuterEnd, along: np.ndarray, offset: np.ndarray, shift: np.ndarray) -> np.ndarray:
    """Pixel coordinates, shape (n, m, 2): `along` inwards from the outer end, `offset` from the edge into the tooth."""
    depth = offset[None, :] + shift[:, None]
    return np.asarray(end.origin - along[:, None, None] * end.outwards - depth[..., None] * end.to_metal)


def _edge(offset: np.ndarray, column: np.ndarray) -> float:
    """Where a column falls half-way from metal to its darkest value within 8 px beyond; NaN if it does not."""
    fall = -np.diff(np.convolve(np.pad(column, 1, mode="edge"), np.ones(3) / 3, mode="valid"))
    k = int(np.argmax(fall[8:-8])) + 8
    metal, low = float(np.median(column[max(0, k - 10) : k - 3])), float(np.min(column[k : k + 9]))
    half = (metal + low) / 2
    below = np.flatnonzero(column[k - 4 : k + 8] < half)
    if not below.size or below[0] == 0:
        return math.nan
    i = k - 4 + int(below[0])
    return float(offset[i - 1] + (column[i - 1] - half) / (column[i - 1] - column[i]))


def _maximum_bias(pieces: list[Slot]) -> float:
    """How much the largest of several noisy widths overstates, pixels: simulated from the fits with a fixed seed."""
    if len(pieces) < 2:
        return 0.0
    width = np.array([p.width_px for p in pieces])
    noise = np.array([p.parts_px["noise"] for p in pieces])
    drawn = width + np.random.default_rng(0).normal(size=(4000, len(pieces))) * noise
    return max(0.0, float(drawn.max(axis=1).mean() - width.max()))


def _reading(
    name: str, slot: Slot, bias_px: float, scale: Quantity, identity: str, flags: tuple[str, ...], details: dict[str, Any]
) -> Reading:
    micro = 1000.0 * scale.value
    model = {source("model", identity): math.hypot(GAP_MODEL_UM / micro, GAP_MODEL_BLUR * slot.blur_px)}
    parts = {source(kind, identity): part for kind, part in slot.parts_px.items()} | model
    measured = slot.status == "measured"
    signed_px = slot.width_px - bias_px if measured else slot.signed_px
    own = parts if measured else {source("noise", identity): slot.signed_u_px} | model
    signed = combine(lambda s, w: 1000.0 * s * w, scale, Quantity(signed_px, "px", own), unit="um")
    low, high = (micro * edge for edge in slot.interval_px)
    shown = signed.value if measured else high
    more = {**details, "slot_level": slot.level, "closing_angle_deg": closing_angle_deg(max(shown, 0.0)) if math.isfinite(shown) else None}
    every = (*flags, *ALWAYS)
    if measured:
        return Reading.measured(name, signed, METHOD, flags=every, details=more)
    if slot.status == "detected":
        return Reading(name, "um", "detected", None, (low, high), METHOD, signed, every, more)
    return Reading(name, "um", "below_detection", None, (0.0, high), METHOD, signed, (*every, "none_seen"), more)
