"""Codes and numbers as words: the only place where a report rounds."""

from __future__ import annotations

import math

from audit.core.clinical import Restoration
from audit.core.vocabulary import DESIGNS, EVENTS, MEASURANDS, NOT_EXAMINED

__all__ = [
    "STATUS_TITLES", "STATUS_WORDS", "UNIT_WORDS", "VIEW_WORDS", "amount", "brief_words", "design_words", "event_words", "finding_value",
    "finding_words", "interval", "measurand_words", "plain", "reading_words", "tooth_words", "under",
]  # fmt: skip

UNIT_WORDS = {"mm": "mm", "mm2": "mm²", "um": "µm", "1": "%", "deg": "°"}
VIEW_WORDS = {
    "facial": "facial", "smile_front": "smile, from the front", "smile_oblique": "smile, oblique", "occlusal": "occlusal",
    "lingual": "lingual", "mesial": "mesial", "distal": "distal", "bitewing": "bitewing", "stage": "stage",
}  # fmt: skip
SEEN_ONLY_IF_LUCENT = ("radiographic_gap_width", "widest_radiographic_gap")
"""A tilted beam or an opaque luting agent hides these: not seen is never closed."""
STATUS_WORDS = {"measured": "measured", "detected": "detected", "below_detection": "below detection", "refused": "refused"}
STATUS_TITLES = {"in_place": "In place", "attention": "Needs attention", "event": "Event on record", "ended": "Ended"}
_FINEST = {"um": 0, "1": 1}  # decimals shown
_BRIEF_WORDS = {
    "visible_metal_area": "metal area",
    "visible_metal_fraction": "metal share",
    "visible_metal_height": "metal height",
    "visible_metal_extent": "metal extent",
    "continuous_margin_fraction": "continuous margin",
    "widest_marginal_opening": "widest opening",
    "mean_marginal_opening": "mean opening",
    "perforation_area": "perforation",
    "radiographic_gap_width": "mean gap",
    "widest_radiographic_gap": "widest gap",
    "radiographic_step": "step",
    "margin_to_crest": "margin to crest",
}
_FINDING_WORDS = {
    "probing_depth_mm": "probing depth",
    "recession_mm": "recession",
    "air_dried": "air-dried",
    "caries_at_margin": "caries at the margin",
}


def plain(code: str) -> str:
    """A code with its underscores as spaces."""
    return code.replace("_", " ")


def measurand_words(name: str) -> str:
    """The words of a measurand, or its name where it is unknown."""
    if name == "mm_per_px":
        return "scale of the photo"
    return MEASURANDS[name].words if name in MEASURANDS else plain(name)


def brief_words(measurand: str, view: str, site: str) -> str:
    """A measurand with its view and site, short enough for one line of a table."""
    where = ", ".join(dict.fromkeys(word for word in (VIEW_WORDS.get(view, view), plain(site)) if word))
    words = _BRIEF_WORDS.get(measurand, measurand_words(measurand))
    return f"{words[0].upper()}{words[1:]}, {where}"


def design_words(name: str) -> str:
    """The words of a design."""
    return DESIGNS[name].words if name in DESIGNS else plain(name)


def event_words(name: str) -> str:
    """The words of an event."""
    return EVENTS[name].words if name in EVENTS else plain(name)


def tooth_words(restoration: Restoration) -> str:
    """The tooth by ISO 3950 with its Universal number."""
    return f"{restoration.tooth.iso3950} (Universal {restoration.tooth.universal})"


def finding_words(name: str) -> str:
    """A finding's name."""
    return _FINDING_WORDS.get(name, plain(name))


def finding_value(name: str, value: str) -> str:
    """A finding's answer; a number gets its unit."""
    return f"{value} mm" if name.endswith("_mm") and value != NOT_EXAMINED else plain(value)


def amount(value: float, unit: str, u: float | None = None) -> str:
    """A number with its unit, rounded to two figures of its standard uncertainty but never finer than 1 µm, 0.01 mm or 0.1 %."""
    factor = 100.0 if unit == "1" else 1.0
    return f"{_rounded(value * factor, unit, None if u is None else u * factor)} {UNIT_WORDS.get(unit, unit)}"


def interval(low: float, high: float, unit: str) -> str:
    """An interval with its unit."""
    factor = 100.0 if unit == "1" else 1.0
    u = (high - low) * factor / 3.92
    return f"{_rounded(low * factor, unit, u)} to {_rounded(high * factor, unit, u)} {UNIT_WORDS.get(unit, unit)}"


def under(limit: float, unit: str) -> str:
    """A limit of detection, rounded up so that the words stay true."""
    finest = 10.0 ** -(_FINEST.get(unit, 2) + (2 if unit == "1" else 0))
    return f"under {amount(math.ceil(limit / finest - 1e-6) * finest, unit)}"


def reading_words(status: str, value: float | None, u: float | None, low: float, high: float, unit: str, measurand: str = "") -> str:
    """A reading in words: its value with the 95 % interval, or what the image could tell."""
    if status == "below_detection" and measurand in SEEN_ONLY_IF_LUCENT:
        return f"none seen; a lucent one open to the beam would be {under(high, unit)}"
    if status == "below_detection":
        return f"below detection, {under(high, unit)}"
    if status == "detected" or value is None:
        return f"detected, {interval(low, high, unit)}"
    return f"{amount(value, unit, u)} ({interval(low, high, unit)})"


def _rounded(number: float, unit: str, u: float | None) -> str:
    finest = _FINEST.get(unit, 2)
    decimals = finest if not u or not math.isfinite(u) else min(max(1 - math.floor(math.log10(u)), 0), finest)
    text = f"{number:.{decimals}f}"
    return text.lstrip("-") if float(text) == 0 else text.replace("-", "−")
