"""The readings of one restoration put in order: the same measurand, view and site, one reading a visit.

Notes
-----
Views and sites are never mixed. Of several photos of a visit the one with the smallest uncertainty counts; the others stay in
the ledger.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import NamedTuple

from audit.core.outcome import PhotoRecord, VisitRecord
from audit.core.records import Reading
from audit.core.site import site_of

__all__ = ["NOT_TOLD_APART", "Occasion", "Site", "all_occasions", "occasions", "spread"]

NOT_TOLD_APART = "several sites that have no names"


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


def spread(reading: Reading) -> float:
    """Standard uncertainty of a reading, or what its interval stands for."""
    if reading.signed is not None and reading.signed.u > 0:
        return reading.signed.u
    return (reading.interval95[1] - reading.interval95[0]) / 3.92
