"""Whether two readings of one site may be held against each other, and in what form.

Notes
-----
The continuous share of a margin is counted at the coarser of the two thresholds. Where clearly unequal stretches of margin were
assessed, a share or a mean is of another margin; the widest opening can have become wider on more margin, or narrower on less, without
any change of the tooth. "Clearly" is the shorter under four fifths of the longer: common practice, no published source.

Where no metal is seen, a line too thin to be seen may run along the whole tooth: its height and area have limits, its extent has none
but the tooth. So an extent is never held against "none seen"; height and area say whether metal came or went.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from audit.analysis.occasions import Occasion
from audit.core.continuous_margin import at_threshold
from audit.core.site import OF_THE_MARGIN

__all__ = ["assessed_mm", "at_one_threshold", "unequal_stretch", "why_not_comparable"]

ALIKE = 0.8
_EXTENT = "visible_metal_extent"
_FRACTION, _WIDEST = "continuous_margin_fraction", "widest_marginal_opening"


def why_not_comparable(first: Occasion, last: Occasion) -> str:
    """Why two readings of one site must not be held against each other; empty where they may."""
    before, now = first.reading, last.reading
    if first.photo.sha256 == last.photo.sha256:
        return "the same image file stands at both visits"
    if before.unit != now.unit:
        return f"given in {before.unit} then and in {now.unit} now"
    if before.method != now.method:
        return f"read by {before.method} then and by {now.method} now; audit the folder again"
    if before.measurand == _EXTENT and sum(reading.status == "below_detection" for reading in (before, now)) == 1:
        return "where no metal is seen, a line too thin to be seen may have any extent; height and area say whether metal came or went"
    if before.measurand == _FRACTION:
        return _why_not_one_threshold(before.details, now.details)
    return ""


def _why_not_one_threshold(before: Mapping[str, object], now: Mapping[str, object]) -> str:
    if "px" in (before.get("threshold_unit"), now.get("threshold_unit")):
        return "a photograph without a scale says from what width on it counted an opening in pixels only"
    stored = all("stations" in details for details in (before, now))
    if before.get("threshold") != now.get("threshold") and not stored:
        return "an opening counted from another width on, and the openings along the margin are not stored"
    return ""


def at_one_threshold(first: Occasion, last: Occasion) -> tuple[Occasion, Occasion]:
    """Both readings, a continuous share counted at the coarser of the two thresholds."""
    thresholds = [occasion.reading.details.get("threshold") for occasion in (first, last)]
    if first.reading.measurand != _FRACTION or thresholds[0] == thresholds[1]:
        return first, last
    coarser = max(float(threshold or 0.0) for threshold in thresholds)
    return replace(first, reading=at_threshold(first.reading, coarser)), replace(last, reading=at_threshold(last.reading, coarser))


def unequal_stretch(first: Occasion, last: Occasion, *, rose: bool) -> str:
    """Why a change of a margin reading may be one of the stretch that was assessed; empty where it may not."""
    then, now = assessed_mm(first), assessed_mm(last)
    if first.reading.measurand not in OF_THE_MARGIN or then is None or now is None or min(then, now) >= ALIKE * max(then, now):
        return ""
    if first.reading.measurand == _WIDEST and rose != (now > then):
        return ""
    return f"{then:.1f} mm of margin assessed then and {now:.1f} mm now"


def assessed_mm(occasion: Occasion) -> float | None:
    """Length of margin assessed on the photo of a reading, mm; ``None`` where it is not known."""
    readings = (r for r in occasion.photo.readings if r.measurand == "assessed_margin_length")
    return next((r.value.value for r in readings if r.value is not None), None)
