"""The readings of one restoration put in order: the same measurand, view and site, one reading a visit.

Notes
-----
Views and sites are never mixed. Of several photos of a visit the one with the smallest uncertainty counts; the others stay in
the ledger.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import NamedTuple

from audit.core.outcome import PhotoRecord, VisitRecord
from audit.core.records import Reading

__all__ = ["NOT_TOLD_APART", "OF_THE_MARGIN", "Occasion", "Site", "all_occasions", "occasions", "site_of", "spread"]

OF_THE_MARGIN = frozenset({"assessed_margin_length", "continuous_margin_fraction", "widest_marginal_opening", "mean_marginal_opening"})
NOT_TOLD_APART = "several sites that have no names"
_PREFIXES = ("site:", "surface:")


class Site(NamedTuple):
    """What must be equal for two readings to be compared."""

    measurand: str
    view: str
    site: str


@dataclass(frozen=True)
class Occasion:
    """One reading that counts for a visit.

    Parameters
    ----------
    on : str
        Date of the visit.
    months : float
        From placement.
    reading : Reading
    photo : PhotoRecord
        The photo it was read from.
    photos : int
        How many photos of the visit gave this reading.
    """

    on: str
    months: float
    reading: Reading
    photo: PhotoRecord
    photos: int = 1


def occasions(history: Iterable[VisitRecord]) -> dict[Site, list[Occasion]]:
    """Readings by what may be compared, one a visit, by date."""
    chosen: dict[Site, list[Occasion]] = {}
    for site, by_day in all_occasions(history).items():
        best = [(min(found, key=lambda o: spread(o.reading)), len(found)) for found in by_day.values()]
        chosen[site] = [Occasion(o.on, o.months, o.reading, o.photo, count) for o, count in best]
    return chosen


def all_occasions(history: Iterable[VisitRecord]) -> dict[Site, dict[str, list[Occasion]]]:
    """Every reading by what may be compared, then by visit date; the same image listed twice counts once a visit."""
    found: dict[Site, dict[str, list[Occasion]]] = {}
    for record in sorted(history, key=lambda r: r.visit.on):
        for photo in {(p.sha256, p.view): p for p in record.photos if p.readings}.values():
            sites = [Site(reading.measurand, photo.view, site_of(reading, photo)) for reading in photo.readings]
            for site, reading in zip(sites, photo.readings, strict=True):
                told_apart = sites.count(site) == 1 and not re.search(r"\bsite_\d+\b", site.site)
                named = site if told_apart else site._replace(site=NOT_TOLD_APART)
                occasion = Occasion(record.visit.on, record.months, reading, photo)
                found.setdefault(named, {}).setdefault(record.visit.on, []).append(occasion)
    return found


def site_of(reading: Reading, photo: PhotoRecord) -> str:
    """Which part of the tooth a reading is about, from its flags or details, for the margin from the photo's traces; else empty."""
    words = sorted({flag.split(":", 1)[1] for flag in reading.flags if flag.startswith(_PREFIXES)})
    for name in ("site", "surface"):
        if not words and isinstance(reading.details.get(name), str):
            words = [str(reading.details[name])]
    if not words and reading.measurand in OF_THE_MARGIN:
        words = _surfaces(photo)
    return ", ".join(words)


def spread(reading: Reading) -> float:
    """Standard uncertainty of a reading, or what its interval stands for."""
    if reading.signed is not None and reading.signed.u > 0:
        return reading.signed.u
    return (reading.interval95[1] - reading.interval95[0]) / 3.92


def _surfaces(photo: PhotoRecord) -> list[str]:
    """Surfaces of the traced margin, as read or as marked."""
    details: Mapping[str, object] = next((r.details for r in photo.readings if r.measurand == "assessed_margin_length"), {})
    surfaces = details.get("surfaces")
    if not isinstance(surfaces, list | tuple):
        marks = (feature.get("properties") or {} for feature in (photo.annotations or {}).get("features", []))
        surfaces = [mark["surface"] for mark in marks if mark.get("role") == "margin" and "surface" in mark]
    return sorted({str(name) for name in surfaces})
