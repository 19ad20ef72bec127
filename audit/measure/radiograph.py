"""Fit of a casting on a bitewing: gap, step, and distance of the margin from the bone crest.

What a bitewing can say: a gap is a lower bound, because a beam inclined by ``atan(g / L)`` closes a gap g
of depth L; a radiopaque luting agent hides it; at dentine or cementum cervical burn-out fakes one, so
there no gap is given that could be graded. Grey values are used as they are: not linearised as sRGB, but
through a grey curve fitted on the casting's own outline (`edge_response`).

References
----------
Dtsch Zahnaerztl Z 1995;(7), densitometric imaging of marginal fit: at enamel-bounded margins a gap can be
verified from 100 um up; near the cervix one is always seen (abstract).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from audit.core.annotations import Annotations, Feature
from audit.core.quantity import Quantity, combine, source
from audit.core.records import Calibration, Photo, Reading, Refusal
from audit.errors import Refused
from audit.imaging.sample import resample_polyline
from audit.measure.curve_doubt import curve_doubt_px
from audit.measure.edge_response import Response
from audit.measure.proximal_outline import OuterEnd, Step, centre_on_interface, find_outer_end, fit_step, read_response
from audit.measure.radiographic_gap import GAP_NAMES, fit_band, gap_readings, hold_known_curve, layer_in, straighten
from audit.measure.slot_radiograph import Slot

__all__ = ["measure_radiograph"]

STEP_METHOD, CREST_METHOD = "radiographic_step@2", "margin_to_crest@1"
ROWS_FROM_MM, ROWS_LONG_MM, CLEAR_BLUR = 0.15, 0.35, 3.0
"""Outlines are read from this distance of the finish line on, but from so many blur sigmas at least, and over this length."""
USUAL_BLUR_PX = 2.0
COARSEST_MM_PER_PX = 0.05
"""Coarser pixels leave fewer than seven rows of each outline, and errors of several claimed uncertainties (drawn film scans)."""
SKIPS_MM = (0.0, 0.15, 0.3)
HAND_REACH_MM = 0.3
STEP_MODEL_UM, NECK_MODEL_UM = 4.0, 8.0
"""Standard uncertainty of the outline model (parabolas, even gum), and at the neck, where outlines bend; from drawn scenes."""
LANDMARK_MM = 0.15
"""Standard uncertainty of the distance between two landmarks set by hand; common practice, no published source."""
Found = TypeVar("Found")


@dataclass(frozen=True)
class _Place:
    grey: np.ndarray
    clip: float
    photo: Photo
    calibration: Calibration
    reader: str


def measure_radiograph(
    pixels: np.ndarray, photo: Photo, calibration: Calibration | None, annotations: Annotations
) -> tuple[list[Reading], list[Refusal]]:
    """Gap, step and margin to crest at every marked site of a radiograph.

    Parameters
    ----------
    pixels : ndarray, shape (height, width) or (height, width, 3)
        Radiopaque = bright.
    photo : Photo
    calibration : Calibration or None
        Without one everything is refused (``no_reference``).
    annotations : Annotations
        ``fit_site`` lines along the interface, ``alveolar_crest`` and ``restoration_margin`` points of equal ``surface``.

    Returns
    -------
    readings : list of Reading
        One a surface; the surface is in ``details["surface"]`` and among the flags (``surface:mesial``).
    refusals : list of Refusal
    """
    sites = list(annotations.all("fit_site"))
    asked = ([*GAP_NAMES, "radiographic_step"] if sites else []) + (["margin_to_crest"] if annotations.first("alveolar_crest") else [])
    if calibration is None:
        return [], [_no_reference(name) for name in asked]
    grey = pixels if pixels.ndim == 2 else pixels.mean(axis=2)
    clip = float(np.iinfo(pixels.dtype).max) if pixels.dtype.kind == "u" else float(np.max(pixels))
    place = _Place(grey.astype(np.float32), min(clip, float(np.max(grey))), photo, calibration, annotations.reader or photo.identity)
    readings: list[Reading] = []
    refusals: list[Refusal] = []
    for number, site in enumerate(sites, 1):
        found, refused = _measure_site(place, site, str(site.properties.get("surface") or f"site_{number}"))
        readings += found
        refusals += refused
    found, refused = _crests(place, annotations)
    return readings + found, refusals + refused


def _no_reference(measurand: str) -> Refusal:
    return Refusal(measurand, "no_reference", "without a length of known size in this image no distance can be given.",
                   "Mark a known length of the casting, or a steel sphere, on this radiograph.")  # fmt: skip


def _measure_site(place: _Place, site: Feature, surface: str) -> tuple[list[Reading], list[Refusal]]:
    scale = place.calibration.mm_per_px.value
    rows = _rows(USUAL_BLUR_PX, scale)
    if scale > COARSEST_MM_PER_PX:
        return [], [_refusal(name, surface, _too_coarse(scale)) for name in (*GAP_NAMES, "radiographic_step")]
    try:
        line = resample_polyline(site.xy, 1.0)
        line, end = centre_on_interface(place.grey, line, find_outer_end(place.grey, line, scale), HAND_REACH_MM / scale)
        (response, outline, covariance), skipped = _casting(place, end, rows)
        if CLEAR_BLUR * response.blur_px > rows[0] + 1.0:
            rows = _rows(response.blur_px, scale)
            (response, outline, covariance), skipped = _casting(place, end, rows)
        hold_known_curve(response)
    except Refused as refused:
        return [], [_refusal(name, surface, refused) for name in (*GAP_NAMES, "radiographic_step")]
    flags = (f"surface:{surface}", *(("sharpened",) if response.sharpening > 0 else ()))
    slot_px, slot, band, doubt = 0.0, None, None, 0.0
    try:
        band = straighten(place.grey, end, line, response, outline[0], scale)
        if (layer := layer_in(band, response)) is not None:
            slot_px, end = layer.width_px, replace(end, origin=end.origin - layer.edge_px * end.to_metal)
            (response, outline, covariance), skipped = _casting(place, end, rows)
            raise _opaque(layer.width_px * scale)
        slot = fit_band(band, response)
        slot_px = slot.width_px if slot.status != "below_detection" else 0.0
        refused_gap = _no_gap(site)
        doubt = 0.0 if refused_gap else _curve_doubt(place, end, line, rows, slot)
    except Refused as refused:
        refused_gap = refused
    readings: list[Reading] = []
    refusals: list[Refusal] = []
    try:
        step, below = _farther(lambda skip: fit_step(place.grey, end, rows, slot_px, response, outline, covariance, skip), scale)
        far = ("outline_read_farther",) if skipped + below > 0.0 else ()
        readings.append(_step_reading(place, end, step, surface, (*flags, *far), site.properties.get("bound") == "enamel"))
    except Refused as refused:
        refusals.append(_refusal("radiographic_step", surface, refused))
    if refused_gap is not None or slot is None or band is None:
        return readings, refusals + [_refusal(name, surface, refused_gap or _opaque(0.0)) for name in GAP_NAMES]
    gaps, refused_gaps = gap_readings(band, slot, response, _scale(place, end.to_metal), place.photo, surface, flags, doubt)
    return readings + gaps, refusals + refused_gaps


def _curve_doubt(place: _Place, end: OuterEnd, line: np.ndarray, rows: tuple[float, float], slot: Slot) -> float:
    """Uncertainty of the gap by the shape of the grey curve, pixels."""
    scale = place.calibration.mm_per_px.value

    def read_again(grey: np.ndarray) -> tuple[Response, Callable[[], Slot]]:
        (response, outline, _), _ = _casting(replace(place, grey=grey), end, rows)
        return response, lambda: fit_band(straighten(grey, end, line, response, outline[0], scale), response)

    return curve_doubt_px(place.grey, place.clip, slot, read_again)


def _casting(place: _Place, end: OuterEnd, rows: tuple[float, float]) -> tuple[tuple[Response, np.ndarray, np.ndarray], float]:
    scale = place.calibration.mm_per_px.value
    return _farther(lambda skip: read_response(place.grey, end, (rows[0] + skip, rows[1] + skip), place.clip), scale)


def _farther(fit: Callable[[float], Found], mm_per_px: float) -> tuple[Found, float]:
    """A fit of an outline read near the finish line, or as near as it is smooth, and how much farther that is, mm.

    An inclined beam shows the finish line at several heights; excess of luting agent bulges beside it.
    """
    for skip_mm in SKIPS_MM[:-1]:
        try:
            return fit(skip_mm / mm_per_px), skip_mm
        except Refused as refused:
            if refused.code != "outline_uneven":
                raise
    return fit(SKIPS_MM[-1] / mm_per_px), SKIPS_MM[-1]


def _too_coarse(mm_per_px: float) -> Refused:
    return Refused("too_coarse", f"fit must be read at {1 / COARSEST_MM_PER_PX:.0f} px/mm or more; got {1 / mm_per_px:.0f}.",
                   "Scan the film at 600 dpi or more, or export the sensor's own pixels.")  # fmt: skip


def _rows(blur_px: float, mm_per_px: float) -> tuple[float, float]:
    """Nearest and farthest distance from the finish line at which outlines are read, pixels."""
    first = max(ROWS_FROM_MM / mm_per_px, CLEAR_BLUR * blur_px)
    return first, first + max(ROWS_LONG_MM / mm_per_px, 8.0)


def _opaque(width_mm: float) -> Refused:
    return Refused("radiopaque_layer", f"no lucent gap is seen, but a layer more radiopaque than the tooth, some {width_mm:.2f} mm thick, "
                   "lies under the metal: a luting agent fills, and hides, whatever gap there is.",
                   "Judge the site with the explorer; this is no sign that the margin is closed.")  # fmt: skip


def _refusal(measurand: str, surface: str, refused: Refused) -> Refusal:
    return Refusal(measurand, refused.code, f"{surface}: {refused.message}", refused.hint)


def _no_gap(site: Feature) -> Refused | None:
    bound = site.properties.get("bound")
    if bound == "enamel":
        return None
    if bound == "dentine":
        return Refused("burn_out", "the margin is bounded by dentine or cementum, where burn-out fakes a gap.",
                       "Judge this margin with the explorer.")  # fmt: skip
    return Refused("bound_unknown", "whether the margin is bounded by enamel or dentine was not said.", "Set bound of the fit_site.")


def _step_reading(place: _Place, end: OuterEnd, step: Step, surface: str, flags: tuple[str, ...], in_enamel: bool) -> Reading:
    identity = f"{place.photo.identity}:{surface}"
    scale = _scale(place, end.outwards)
    parts = {source(kind, identity): part for kind, part in step.parts_px.items()}
    parts[source("model", identity)] = (STEP_MODEL_UM if in_enamel else NECK_MODEL_UM) * step.misfit / 1000.0 / scale.value
    value = combine(lambda s, w: 1000.0 * s * w, scale, Quantity(step.step_px, "px", parts), unit="um")
    details = {"surface": surface, "metal_outline": step.metal_xy.tolist(), "tooth_outline": step.tooth_xy.tolist()}
    return Reading.measured("radiographic_step", value, STEP_METHOD, flags=flags, details=details, non_negative=False)


def _scale(place: _Place, direction: np.ndarray) -> Quantity:
    return place.calibration.scale(math.degrees(math.atan2(direction[1], direction[0])))


def _crests(place: _Place, annotations: Annotations) -> tuple[list[Reading], list[Refusal]]:
    """Distance of each crest from the margin of the same surface."""
    margins = {str(f.properties.get("surface")): f for f in annotations.all("restoration_margin")}
    readings, refusals = [], []
    for crest in annotations.all("alveolar_crest"):
        surface = str(crest.properties.get("surface"))
        margin = margins.get(surface)
        if margin is None:
            refusals.append(Refusal("margin_to_crest", "no_margin_point", f"{surface}: the crest is marked, the margin is not.",
                                    "Mark the restoration_margin of the same surface."))  # fmt: skip
            continue
        try:
            readings.append(_crest_reading(place, surface, margin, crest))
        except Refused as refused:
            refusals.append(_refusal("margin_to_crest", surface, refused))
    return readings, refusals


def _crest_reading(place: _Place, surface: str, margin: Feature, crest: Feature) -> Reading:
    a, b = margin.xy[0], crest.xy[0]
    scale = _scale(place, b - a)
    given = [feature.number("u_mm") for feature in (margin, crest)]
    stated = [LANDMARK_MM / math.sqrt(2) if u is None else u for u in given]
    identity = f"{place.photo.identity}:{surface}"
    length = Quantity(float(np.hypot(*(b - a))), "px", {source("landmark", identity): math.hypot(*stated) / scale.value})
    value = combine(lambda s, d: s * d, scale, length, unit="mm")
    details = {"surface": surface, "margin": a.tolist(), "crest": b.tolist()}
    return Reading.measured("margin_to_crest", value, CREST_METHOD, flags=(f"surface:{surface}",), details=details)
