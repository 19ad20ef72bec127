"""The record of a restoration as rows of a club bundle: months for dates, pseudonyms for codes, words of the vocabulary or nothing."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from datetime import date

from audit.core.dates import months_between
from audit.core.outcome import PhotoRecord, ToothRecord, VisitRecord
from audit.core.records import Reading
from audit.core.site import SITES, site_of
from audit.core.vocabulary import FINDINGS
from audit.exchange.club_schema import TABLES
from audit.exchange.keys import ClubKeys

__all__ = ["Row", "club_rows"]

Row = Mapping[str, object]


def club_rows(records: Iterable[ToothRecord], keys: ClubKeys, *, notes: bool = False, today: date | None = None) -> dict[str, list[Row]]:
    """Rows of every table, restorations in the order of their pseudonyms, so that the order says nothing either.

    Parameters
    ----------
    records : iterable of ToothRecord
    keys : ClubKeys
    notes : bool
        Whether free text leaves with them.
    today : date, optional
        For the whole years since placement, which tell who was not seen lately.
    """
    tables: dict[str, list[Row]] = {name: [] for name in TABLES}
    named = sorted(((keys.pseudonym("case", r.restoration.code), r) for r in records), key=lambda pair: pair[0])
    for case, record in named:
        tables["restorations"].append(_restoration(case, record, keys, today or date.today()))
        tables["events"] += [
            {"case": case, "months": _months(record, event.on), "kind": event.kind, "note": _note(event.note, notes)}
            for event in record.events
        ]
        for number, visit in enumerate(sorted(record.visits, key=lambda v: v.visit.on), 1):
            at = {"case": case, "visit": number, "months": _months(record, visit.visit.on)}
            tables["visits"].append({**at, "stage": visit.visit.stage, "examiner": _who(visit.visit.examiner, keys),
                                     "note": _note(visit.visit.note, notes)})  # fmt: skip
            tables["findings"] += [{**at, **row} for row in _findings(visit, keys)]
            tables["grades"] += [{**at, **row} for row in _grades(visit, keys)]
            for photo in visit.photos:
                tables["readings"] += [{**at, "view": photo.view, **_reading(reading, photo)} for reading in photo.readings]
                tables["refusals"] += [{**at, "view": photo.view, "measurand": refusal.measurand, "code": _code(refusal.code)}
                                       for refusal in photo.refusals]  # fmt: skip
    return tables


def _restoration(case: str, record: ToothRecord, keys: ClubKeys, today: date) -> Row:
    restoration = record.restoration
    patient = "-".join(restoration.code.split("-")[:2])  # as `audit.analysis.outcomes` reads a code
    last = max((visit.visit.on for visit in record.visits), default=restoration.placed_on)
    return {
        "case": case, "member": keys.pseudonym("member", restoration.code.partition("-")[0]),
        "patient": keys.pseudonym("patient", patient), "operator": _who(restoration.operator, keys),
        "tooth": restoration.tooth.iso3950, "design": restoration.design, "alloy": restoration.alloy,
        "followed_months": _months(record, last),
        "placed_years_ago": max(0, int(months_between(restoration.placed_on, today.isoformat()) // 12)),
    }  # fmt: skip


def _findings(visit: VisitRecord, keys: ClubKeys) -> Iterator[Row]:
    for finding in visit.findings:
        is_word = finding.value in FINDINGS.get(finding.finding, ()) or not finding.value.replace(".", "", 1).lstrip("-").isdigit()
        yield {
            "finding": finding.finding, "surface": finding.surface, "answer": finding.value if is_word else "",
            "value": "" if is_word else finding.value, "examiner": _who(finding.examiner, keys),
        }  # fmt: skip


def _grades(visit: VisitRecord, keys: ClubKeys) -> Iterator[Row]:
    for grade in visit.grades:
        yield {
            "system": grade.system, "criterion": grade.criterion, "grade": grade.grade, "examiner": _who(grade.examiner, keys),
            "seen_before": "yes" if grade.seen_before else "no",
        }  # fmt: skip


def _reading(reading: Reading, photo: PhotoRecord) -> Row:
    value = reading.value if reading.status == "measured" else None
    site = site_of(reading, photo)
    return {
        "measurand": reading.measurand, "site": site if site in SITES else "", "status": reading.status,
        "value": "" if value is None else value.value, "u": "" if value is None else value.u,
        "low": reading.interval95[0], "high": reading.interval95[1], "unit": reading.unit, "method": reading.method,
        "reference": "" if photo.calibration is None else photo.calibration.reference,
    }  # fmt: skip


def _months(record: ToothRecord, on: str) -> int:
    return round(months_between(record.restoration.placed_on, on))


def _who(code: str, keys: ClubKeys) -> str:
    return keys.pseudonym("person", code) if code else ""


def _note(text: str, notes: bool) -> str:
    return " ".join(text.split()).lstrip("=+-@ ") if notes else ""


def _code(code: str) -> str:
    """Refusal codes as they are; the name of an error class in the same form."""
    return "".join(f"_{letter.lower()}" if letter.isupper() else letter for letter in code).lstrip("_")
