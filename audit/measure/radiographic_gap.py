"""Gap between casting and tooth along one site of a radiograph: its mean and its widest quarter millimetre."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from audit.core.quantity import Quantity, combine, source
from audit.core.records import Photo, Reading, Refusal
from audit.errors import Refused
from audit.imaging.sample import sample
from audit.measure.edge_response import Response, autocorrelation_sum
from audit.measure.proximal_outline import OuterEnd
from audit.measure.slot_radiograph import Layer, Slot, find_layer, fit_slot

__all__ = ["GAP_NAMES", "PATH_MM", "Band", "closing_angle_deg", "fit_band", "gap_readings", "hold_known_curve", "layer_in", "straighten"]

METHOD = "radiographic_slot@2"
GAP_NAMES = ("radiographic_gap_width", "widest_radiographic_gap")
PATH_MM = 4.0
"""Path of the beam through the gap that the closing angle is stated for."""
WINDOW_MM = 0.25
BAND_MM = 0.45, 0.6
"""How far above the metal's edge, where a radiopaque layer may hide, and how far into the tooth profiles reach."""
SHORTEST_MM = 0.3
GAP_MODEL_UM, GAP_MODEL_BLUR, GAP_MODEL_SHARE = 3.0, 0.10, 0.04
"""Standard uncertainty of the profile model: uneven levels and finish line (um); shape of the blur (blur sigmas); shape of the grey
curve, which moves the level at which a slot's borders are met (share of the width). From drawn scenes."""
WORST_CURVE = 1.2
"""Root mean square of misfit over noise beside the casting's outline from which its grey curve is not trusted: drawn film with a strong
toe and shoulder read 120 um as 175 with u 16."""
USABLE_SHARE = 0.6
"""Least share of windows that can be fitted for the widest of them to be named."""
DOUBTS = {
    "no_contrast": ("no_contrast", "what lies between metal and tooth is as grey as the tooth, or the tooth as the gum: no width is told.",
                    "Judge the site by eye and explorer; a luting agent as grey as the tooth hides a gap."),
    "unexplained": ("unexplained_profile", "the grey values across the interface are not those of metal, gap and tooth.",
                    "Trace along the edge of the casting where tooth alone lies beyond it; judge the site by eye and explorer."),
    "unknown_curve": ("unknown_curve", "how grey follows exposure on this radiograph cannot be told from the casting's outline.",
                      "Export the radiograph without enhancement, as DICOM or 16-bit; judge the site by eye and explorer."),
}  # fmt: skip
"""Code, reason and hint where a slot can neither be seen nor excluded."""
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
    offset = np.arange(-round(max(10.0, BAND_MM[0] / mm_per_px)), round(max(18.0, BAND_MM[1] / mm_per_px)) + 1.0)
    rows = sample(grey, _frame(end, along, offset, np.polyval(curve, along)), cubic=True).astype(float)
    good = ~np.isnan(rows).any(axis=0)
    inside = _inside_tooth(response.scaled(rows[:, (offset > 0.55 * offset[-1]) & (offset < 0.85 * offset[-1])]), response.blur_px)
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


@dataclass(frozen=True)
class Noise:
    """Of a band: standard deviation of one sample, and how many neighbours along and across carry one independent sample."""

    spread: float
    along: float
    across: float

    def of_mean(self, columns: int) -> float:
        """Standard uncertainty of the mean of so many columns, weighed for a fit that takes neighbours across as independent."""
        return self.spread * math.sqrt(self.along / columns * self.across)


def band_noise(band: Band) -> Noise:
    """Noise of a band, from what is left of its rows beside a slow change along the site."""
    at = np.linspace(-1.0, 1.0, len(band.rows))
    order = min(3, len(at) - 3)
    residual = band.rows - np.polynomial.polynomial.polyval(at, np.polynomial.polynomial.polyfit(at, band.rows, order)).T
    residual = residual * np.sqrt(len(at) / (len(at) - order - 1))
    return Noise(float(np.sqrt(np.mean(residual**2))), autocorrelation_sum(residual, 0), autocorrelation_sum(residual, 1))


def layer_in(band: Band, response: Response) -> Layer | None:
    """A radiopaque layer in the mean profile of a band, if one is seen."""
    return find_layer(band.offset_px, band.rows.mean(axis=0), band_noise(band).of_mean(len(band.rows)), response)


def hold_known_curve(response: Response) -> None:
    """Refuse a radiograph whose grey curve the casting's outline does not tell: neither a gap nor a step can be read on it.

    Raises
    ------
    Refused
        ``unknown_curve``.
    """
    if response.misfit > WORST_CURVE:
        raise Refused(*DOUBTS["unknown_curve"])


def fit_band(band: Band, response: Response) -> Slot:
    """The slot in the mean profile of a band.

    Raises
    ------
    Refused
        ``no_contrast`` or ``unexplained_profile``: nothing can be said of a lucent gap.
    """
    mean, sigma = band.rows.mean(axis=0), band_noise(band).of_mean(len(band.rows))
    slot = fit_slot(band.offset_px, mean, sigma, response)
    if slot.status in DOUBTS:
        raise Refused(*DOUBTS[slot.status])
    return slot


def gap_readings(
    band: Band,
    whole: Slot,
    response: Response,
    scale: Quantity,
    photo: Photo,
    surface: str,
    flags: tuple[str, ...],
    curve_doubt_px: float,
) -> tuple[list[Reading], list[Refusal]]:
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
    curve_doubt_px : float
        Standard uncertainty of either gap by the shape of the grey curve.
    """
    identity = f"{photo.identity}:{surface}"
    count, noise = max(1, round(len(band.rows) * scale.value / WINDOW_MM)), band_noise(band)
    pieces = [
        fit_slot(band.offset_px, rows.mean(axis=0), noise.of_mean(len(rows)), response, count) for rows in np.array_split(band.rows, count)
    ]
    details = {"surface": surface, "path_mm": PATH_MM, "line": band.line_xy, "positions": len(pieces),
               "profiles": len(band.rows), "site_mm": len(band.rows) * scale.value}  # fmt: skip
    readings, refusals = [], []
    for name in GAP_NAMES:
        try:
            slot, overstated = (whole, 0.0) if name == GAP_NAMES[0] else _widest(pieces, whole)
            readings.append(_reading(name, slot, overstated, scale, identity, flags, details, curve_doubt_px))
        except Refused as refused:
            refusals.append(Refusal(name, refused.code, f"{surface}: {refused.message}", refused.hint))
    return readings, refusals


def _widest(pieces: list[Slot], whole: Slot) -> tuple[Slot, float]:
    """The widest of several windows, and how much it overstates, pixels.

    A window counts as open where the whole site is open, or where a window beside it is open as well.
    """
    usable = [p.status not in DOUBTS for p in pieces]
    if sum(usable) < USABLE_SHARE * len(pieces):
        raise Refused(*DOUBTS[next(p.status for p in pieces if p.status in DOUBTS)])
    seen = [p.status in ("measured", "detected") for p in pieces]
    beside = [any(seen[max(0, k - 1) : k] + seen[k + 1 : k + 2]) for k in range(len(pieces))]
    counted = [p for p, own, next_to in zip(pieces, seen, beside, strict=True) if own and (next_to or whole.status != "below_detection")]
    measured = [p for p in counted if p.status == "measured"]
    if measured:
        widest = max(measured, key=lambda p: p.width_px)
        overstated = _maximum_bias(measured)
        if whole.status == "measured":
            overstated = min(overstated, max(0.0, widest.width_px - whole.width_px))
        return widest, overstated
    if counted:
        return max(counted, key=lambda p: p.signed_px), 0.0
    if whole.status != "below_detection":
        return whole, 0.0
    closed = max((p for p, fit in zip(pieces, usable, strict=True) if fit), key=lambda p: p.interval_px[1])
    return replace(closed, status="below_detection", interval_px=(0.0, closed.interval_px[1])), 0.0


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


def _maximum_bias(measured: list[Slot]) -> float:
    """How much the largest of several noisy widths overstates, pixels: simulated from the fits with a fixed seed.

    Never more than the largest noise times ``sqrt(2 ln n)``, the bound of the expected maximum of n Gaussian errors.
    """
    width, noise = np.array([p.width_px for p in measured]), np.array([p.parts_px["noise"] for p in measured])
    drawn = width + np.random.default_rng(0).normal(size=(4000, len(measured))) * noise
    bound = float(noise.max()) * math.sqrt(2.0 * math.log(len(measured)))
    return min(bound, max(0.0, float(drawn.max(axis=1).mean() - width.max())))


def _reading(
    name: str, slot: Slot, bias_px: float, scale: Quantity, identity: str, flags: tuple[str, ...], details: dict[str, Any],
    curve_doubt_px: float,
) -> Reading:  # fmt: skip
    micro = 1000.0 * scale.value
    model = math.hypot(GAP_MODEL_UM / micro, GAP_MODEL_BLUR * slot.blur_px, GAP_MODEL_SHARE * slot.width_px)
    if slot.status == "measured":
        parts = {source(kind, identity): part for kind, part in slot.parts_px.items()} | {source("model", identity): model}
    elif slot.status == "detected":
        parts = {source("model", identity): slot.signed_u_px}
    else:
        parts = {source("noise", identity): slot.signed_u_px, source("model", identity): model}
    if curve_doubt_px > 0.0:
        parts[source("tone", identity)] = curve_doubt_px
    signed = combine(lambda s, w: 1000.0 * s * w, scale, Quantity(slot.signed_px - bias_px, "px", parts), unit="um")
    model += curve_doubt_px
    low, high = max(0.0, micro * (slot.interval_px[0] - model)), micro * (slot.interval_px[1] + model)
    shown = signed.value if slot.status == "measured" else high
    more = {**details, "slot_level": slot.level, "closing_angle_deg": closing_angle_deg(max(shown, 0.0)) if math.isfinite(shown) else None}
    every = (*flags, *ALWAYS)
    if slot.status == "measured":
        return Reading.measured(name, signed, METHOD, flags=every, details=more)
    if not math.isfinite(high):
        raise Refused(*DOUBTS["no_contrast"])
    if slot.status == "detected":
        return Reading.detected(name, signed, (low, high), METHOD, flags=every, details=more)
    return Reading(name, "um", "below_detection", None, (0.0, high), METHOD, signed, (*every, "none_seen"), more)
