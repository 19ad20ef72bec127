"""Which part of a tooth a reading is about: only readings of one site make a series."""

from __future__ import annotations

from collections.abc import Mapping

from audit.core.outcome import PhotoRecord
from audit.core.records import Reading
from audit.core.vocabulary import SURFACES

__all__ = ["OF_THE_MARGIN", "SITES", "site_of"]

OF_THE_MARGIN = frozenset({"assessed_margin_length", "continuous_margin_fraction", "widest_marginal_opening", "mean_marginal_opening"})
SITES = (*SURFACES, "mesiofacial_bevel", "distofacial_bevel", "not stated")
"""Words for a site that may leave a practice; marks may hold any other."""
_PREFIXES = ("site:", "surface:")


def site_of(reading: Reading, photo: PhotoRecord) -> str:
    """Which part of the tooth a reading is about, from its flags or details, for the margin from the photo's traces; else empty."""
    words = sorted({flag.split(":", 1)[1] for flag in reading.flags if flag.startswith(_PREFIXES)})
    for name in ("site", "surface"):
        if not words and isinstance(reading.details.get(name), str):
            words = [str(reading.details[name])]
    if not words and reading.measurand in OF_THE_MARGIN:
        words = _surfaces(photo)
    return ", ".join(words)


def _surfaces(photo: PhotoRecord) -> list[str]:
    """Surfaces of the traced margin, as read or as marked."""
    details: Mapping[str, object] = next((r.details for r in photo.readings if r.measurand == "assessed_margin_length"), {})
    surfaces = details.get("surfaces")
    if not isinstance(surfaces, list | tuple):
        marks = (feature.get("properties") or {} for feature in (photo.annotations or {}).get("features", []))
        surfaces = [mark["surface"] for mark in marks if mark.get("role") == "margin" and "surface" in mark]
    return sorted({str(name) for name in surfaces})
