"""What the last visit does not say: stretches not seen, questions not asked, readings refused.

Notes
-----
A margin reading covers the millimetres and surfaces that were traced and could be judged, never "the margin". A bitewing shows
proximal margins only, as a lower bound.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from audit.analysis.wording import listed
from audit.core.outcome import PhotoRecord, VisitRecord
from audit.core.site import site_of
from audit.core.vocabulary import MEASURANDS, NOT_EXAMINED

__all__ = ["not_assessed"]

# what a recall is expected to ask; a question left out is named
_EXPECTED = ("explorer", "caries_at_margin", "retention")
_FINDING_WORDS = {"caries_at_margin": "caries at the margin", "probing_depth_mm": "probing depth", "recession_mm": "recession"}
_OTHER_WORDS = {"mm_per_px": "scale", "photo": "whole file"}


def not_assessed(visits: Sequence[VisitRecord]) -> tuple[str, ...]:
    """Sentences about the gaps of the last visit.

    Parameters
    ----------
    visits : sequence of VisitRecord
        Of the running period, by date.
    """
    if not visits:
        return ()
    last = visits[-1]
    return (*_dates(visits), *_margin(last), *_bitewing(last), *_questions(last), *_refusals(last.photos))


def _dates(visits: Sequence[VisitRecord]) -> tuple[str, ...]:
    """Photographs whose own date is certain and is not the date of the visit that they are listed under."""
    return tuple(
        f"{photo.file} was taken on {photo.captured_on} by its own date but is listed under {record.visit.on}: check the visit's date."
        for record in visits
        for photo in record.photos
        if photo.date_certainty == "exact" and photo.captured_on not in (None, record.visit.on)
    )


def _margin(record: VisitRecord) -> tuple[str, ...]:
    seen = []
    for photo in record.photos:
        for reading in photo.readings:
            if reading.measurand == "assessed_margin_length" and reading.value is not None:
                seen.append(f"{reading.value.value:.1f} mm ({_where(site_of(reading, photo), photo)})")
    if not seen:
        return ("No stretch of the margin was measured on a photograph at this visit.",)
    return (f"Of the margin {listed(seen)} was measured on photographs at this visit; the rest was not.",)


def _where(site: str, photo: PhotoRecord) -> str:
    return f"{photo.view} view" if site in ("", "not stated") else f"{site} surface"


def _bitewing(record: VisitRecord) -> tuple[str, ...]:
    if any(photo.modality == "radiograph" for photo in record.photos):
        return ("A bitewing shows proximal margins only; a gap on it is a lower bound, and none seen proves nothing.",)
    return ("No bitewing of this visit: the proximal fit was not measured on a radiograph.",)


def _questions(record: VisitRecord) -> tuple[str, ...]:
    asked = {f.finding for f in record.findings}
    left_out = [name for name in _EXPECTED if name not in asked]
    refused = [_question(f.finding, f.surface) for f in record.findings if f.value == NOT_EXAMINED]
    sentences = []
    if refused:
        sentences.append(f"Not examined: {listed(list(dict.fromkeys(refused)))}.")
    if left_out:
        sentences.append(f"Nothing recorded about: {listed([_question(name, '') for name in left_out])}.")
    return tuple(sentences)


def _question(name: str, surface: str) -> str:
    words = _FINDING_WORDS.get(name, name.replace("_", " "))
    return f"{words} ({surface})" if surface else words


def _refusals(photos: Sequence[PhotoRecord]) -> tuple[str, ...]:
    """One sentence a reason, the most frequent first."""
    count: Counter[str] = Counter()
    reasons: dict[str, str] = {}
    subjects: dict[str, dict[str, None]] = {}
    for photo in photos:
        for refusal in photo.refusals:
            count[refusal.code] += 1
            reasons.setdefault(refusal.code, refusal.reason.rstrip("."))
            kind = MEASURANDS.get(refusal.measurand)
            words = kind.words if kind else _OTHER_WORDS.get(refusal.measurand, refusal.measurand.replace("_", " "))
            subjects.setdefault(refusal.code, {})[words] = None
    return tuple(
        f"Not measured, {number} {'time' if number == 1 else 'times'}: {reasons[code]} ({listed(list(subjects[code]))})."
        for code, number in count.most_common()
    )
