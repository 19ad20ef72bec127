"""What a report made use of: the methods behind its numbers, the pens on its pictures."""

from __future__ import annotations

from audit.core.picture import PENS
from audit.report import words
from audit.report.document import Report

__all__ = ["methods_used", "pens_used"]


def methods_used(report: Report) -> list[tuple[str, list[str]]]:
    """Every method by name, with what it was used for."""
    photos = [photo for visit in report.record.visits for photo in visit.photos]
    used: dict[str, dict[str, None]] = {}
    for photo in photos:
        if photo.calibration is not None:
            used.setdefault(photo.calibration.method, {})[f"scale from a {words.plain(photo.calibration.reference)}"] = None
        for reading in photo.readings:
            used.setdefault(reading.method, {})[words.measurand_words(reading.measurand)] = None
    return [(method, list(subjects)) for method, subjects in sorted(used.items())]


def pens_used(report: Report) -> list[str]:
    """Names of the pens that the pictures of this report were drawn with, in the order of the legend."""
    used = set()
    for visit in report.record.visits:
        for photo in visit.photos:
            features = (photo.annotations or {}).get("features", ())
            roles = {feature["properties"]["role"] for feature in features if feature.get("geometry")}
            used |= {"landmark"} if roles & {"alveolar_crest", "restoration_margin"} else set()
            used |= {segment.state for segment in photo.segments} | (roles - ({"margin"} if photo.segments else set()))
            regions = {reading.details.get("by") for reading in photo.readings if reading.details.get("region")}
            used = used - {"metal"} if regions else used
            used |= {"metal" if by == "reader" else "metal_proposed" for by in regions}
            used |= {"reference"} if photo.calibration is not None and photo.calibration.evidence else set()
    return [name for name in PENS if name in used]
