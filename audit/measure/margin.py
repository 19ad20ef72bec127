"""Measures where a traced margin is continuous and how wide it is open, as projected in this photo.

Notes
-----
A margin reading never speaks of "the margin": it states the millimetres and surfaces assessed. An
opening is measured across the trace with the scale of that direction; the slope of the surface to the
line of sight is not corrected (flag ``projected``) and stands in the uncertainty as ``pose``.
"""

from __future__ import annotations

from collections import Counter

import numpy as np

from audit.core.annotations import Annotations, Feature
from audit.core.records import Calibration, Photo, Reading, Refusal, Segment
from audit.errors import Refused
from audit.imaging.sample import arc_length_px
from audit.measure.detection import detect
from audit.measure.margin_readings import MARGIN_MEASURANDS, Margin, Trace
from audit.measure.margin_share import COARSEST_UM, continuous_share
from audit.measure.stations import STATION_PX, read_stations

__all__ = ["measure_margin"]

SHORTEST_MM = 1.0
SHORTEST_PX = 60.0
STATION_MM = 0.1
"""A station averages over this length of margin, or over 6 pixels where that is longer; at most 18."""
WIDEST_UM = 500.0
"""A dark band wider than this is not told from a shadow or a reflection: twice `COARSEST_UM`; common practice, no published source."""
_MOSTLY = 0.5
_NO_REFERENCE_HINT = "Put a rule, a probe or a bur shank beside the tooth, or give a known length of this tooth."


def measure_margin(
    pixels: np.ndarray, photo: Photo, calibration: Calibration | None, annotations: Annotations,
) -> tuple[list[Reading], list[Segment], list[Refusal]]:  # fmt: skip
    """Continuity and openings along every traced margin of a photo.

    Parameters
    ----------
    pixels : ndarray of uint8 or uint16, shape (height, width, 3) or (height, width)
    photo : Photo
    calibration : Calibration or None
        Without one only the fraction is read, at a threshold in pixels.
    annotations : Annotations
        Features of role ``margin``; none at all gives three empty lists.

    Returns
    -------
    tuple of list of Reading, list of Segment, list of Refusal
        Positions of segments run on through the traces, in file order.
    """
    features = list(annotations.all("margin"))
    if not features:
        return [], [], []
    traces: list[Trace] = []
    refusals: list[Refusal] = []
    for feature in features:
        try:
            traces.append(_read_trace(pixels, calibration, feature))
        except Refused as error:
            refusals.append(Refusal("continuous_margin_fraction", error.code, error.message, error.hint))
    if calibration is None:
        refusals += [
            Refusal(name, "no_reference", f"{name} must have a reference in the same photo; got none.", _NO_REFERENCE_HINT)
            for name in MARGIN_MEASURANDS if name != "continuous_margin_fraction"
        ]  # fmt: skip
    if not traces:
        return [], [], refusals
    margin = Margin(tuple(traces), photo, calibration, annotations.reader or photo.identity)
    if margin.length[margin.assessed].sum() < (SHORTEST_MM if calibration is not None else 1e-9):
        refusals.append(_nothing_assessable(traces))
        return [], margin.segments(), refusals
    readings = margin.readings()
    try:
        readings.insert(min(1, len(readings)), continuous_share(margin))
    except Refused as error:
        refusals.append(Refusal("continuous_margin_fraction", error.code, error.message, error.hint))
    if margin.may_hide_an_opening:
        refusals += [_possible_opening(r.measurand) for r in readings if r.measurand in _OPENINGS]
        readings = [r for r in readings if r.measurand not in _OPENINGS]
    return readings, margin.segments(), refusals


def _possible_opening(measurand: str) -> Refusal:
    return Refusal(measurand, "possible_opening", "Part of the margin is a dark band that may be an opening or a reflection in the metal.",
                   "Look and probe there, and photograph it from another direction.")  # fmt: skip


def _read_trace(pixels: np.ndarray, calibration: Calibration | None, feature: Feature) -> Trace:
    """One traced margin, read and judged.

    Raises
    ------
    Refused
        ``no_trace``, ``outside_photo``, ``trace_too_short``, ``off_interface``.
    """
    if feature.geometry is None:
        raise Refused("no_trace", "margin must be traced; got a feature without a line.", "Trace the margin on the photo.")
    xy = feature.xy
    height, width = pixels.shape[:2]
    if (xy < -0.5).any() or (xy > np.array([width, height]) - 0.5).any():
        raise Refused("outside_photo", f"margin must lie inside the photo of {width} x {height} px; got a vertex outside.",
                      "Trace on the photo at full size.")  # fmt: skip
    _check_length(xy, calibration)
    blur = None if calibration is None or calibration.blur_sigma_px is None else calibration.blur_sigma_px.value
    station_px = STATION_PX if calibration is None else min(max(STATION_PX, STATION_MM / calibration.mm_per_px.value), 3 * STATION_PX)
    stations = read_stations(pixels, xy, blur, station_px)
    if stations.lost.mean() > _MOSTLY:
        raise Refused("off_interface", "margin trace must follow the interface within 10 px; got one that leaves it for "
                      f"{100 * stations.lost.mean():.0f} % of its length.", "Trace again at a larger zoom.")  # fmt: skip
    along, across = _scales(stations.normal, calibration)
    if calibration is None:
        return Trace(feature, stations, detect(stations), along, across)
    mm_per_px = float(np.median(across))
    found = detect(stations, COARSEST_UM / 1000.0 / mm_per_px, WIDEST_UM / 1000.0 / mm_per_px)
    return Trace(feature, stations, found, along, across)


def _check_length(xy: np.ndarray, calibration: Calibration | None) -> None:
    length_px = float(arc_length_px(xy)[-1])
    hint = "Trace at least 1 mm of the margin that is in focus."
    if calibration is None:
        if length_px < SHORTEST_PX:
            raise Refused("trace_too_short", f"margin trace must be at least {SHORTEST_PX:.0f} px long; got {length_px:.0f} px.", hint)
        return
    length_mm = length_px * calibration.mm_per_px.value
    if length_mm < SHORTEST_MM or length_px < SHORTEST_PX / 2:
        raise Refused("trace_too_short", f"margin trace must be at least {SHORTEST_MM:.0f} mm long; got {length_mm:.2f} mm.", hint)


def _scales(normal: np.ndarray, calibration: Calibration | None) -> tuple[np.ndarray, np.ndarray]:
    """Millimetres per pixel along and across the margin at each station; 1 without a reference."""
    if calibration is None:
        return np.ones(len(normal)), np.ones(len(normal))
    angle = np.arctan2(normal[:, 1], normal[:, 0]) - np.radians(calibration.direction_deg)
    c2, s2 = np.cos(angle) ** 2, np.sin(angle) ** 2
    a2, b2 = calibration.mm_per_px.value**2, calibration.mm_per_px_across.value**2
    return np.sqrt(s2 * a2 + c2 * b2), np.sqrt(c2 * a2 + s2 * b2)


_OPENINGS = ("widest_marginal_opening", "mean_marginal_opening")
_WORDS = {
    "outside": "outside the photo", "off_interface": "off the interface", "clipped": "clipped highlights", "out_of_focus": "out of focus",
    "runs_into_dark_metal": "a dark band that runs into metal as dark",
    "soft_as_a_reflection": "a dark band with a soft edge, as of a reflection",
    "lit_and_uneven_as_a_reflection": "a dark band that gives light back and wavers, as a reflection does",
    "coloured_as_no_crevice": "a band of a colour that no crevice has",
    "one_material_on_both_sides": "a dark band with metal, or with tooth, on both sides",
    "paler_than_a_crevice": "a band paler than a crevice",
    "as_wide_as_a_shadow": "a dark band as wide as a shadow or a reflection",
    "metal_dark_as_a_slot": "metal that mirrors dark, as dark as a slot", "no_interface": "no interface to be seen",
    "too_coarse": "too rough or soft to show an opening of 250 um",
}  # fmt: skip


def _nothing_assessable(traces: list[Trace]) -> Refusal:
    reasons = Counter(word for trace in traces for word in trace.found.why if word)
    words = ", ".join(_WORDS[word] for word, _count in reasons.most_common(2))
    reason = f"margin must be assessable over at least {SHORTEST_MM:.0f} mm; got less: {words}."
    hint = "Take the photo again with the margin dry, in focus and free of glare."
    return Refusal("continuous_margin_fraction", "nothing_assessable", reason, hint)
