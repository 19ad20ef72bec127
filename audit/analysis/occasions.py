"""The readings of one restoration put in order: the same measurand, view and site, one reading a visit.

Notes
-----
Views and sites are never mixed. Of several photos of a visit one counts; the others stay in the ledger. It is chosen by what is
settled before anything is read: fewest remarks of intake on sharpness and exposure, then the smaller relative uncertainty of the scale,
then the smaller blur at the tooth, then the file's name. The uncertainty of the reading itself must not choose: it grows with the value,
so the least one is the least value (of three photos of an area known to 10 % the mean would be 8 % low). Scale and blur are compared
in steps of a factor 1.5, as their own errors enter the reading.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import NamedTuple

from audit.core.outcome import PhotoRecord, VisitRecord
from audit.core.records import Reading
from audit.core.site import site_of

__all__ = ["NOT_TOLD_APART", "Occasion", "Site", "all_occasions", "occasions"]

STEP = 1.5
WEAK = frozenset({"soft", "clipped", "dark"})
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
        best = [(min(found, key=lambda o: _rank(o.photo)), len(found)) for found in by_day.values()]
        chosen[site] = [replace(occasion, photos=count) for occasion, count in best]
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


def _rank(photo: PhotoRecord) -> tuple[int, int, int, str]:
    """The lower the better; of the photo alone, nothing that was read from it."""
    remarks = sum(flag in WEAK for flag in photo.flags)
    scale = photo.calibration
    if scale is None:
        return remarks, _step(math.inf), _step(math.inf), photo.file
    blur_px = scale.blur_sigma_px.value if scale.blur_sigma_px is not None else 1.0
    return remarks, _step(scale.mm_per_px.u / scale.mm_per_px.value), _step(blur_px * scale.mm_per_px.value), photo.file


def _step(size: float) -> int:
    """Number of the step that a size falls into; what is not known is the last."""
    if not size < math.inf:
        return 1000
    return math.floor(math.log(max(size, 1e-9)) / math.log(STEP))
