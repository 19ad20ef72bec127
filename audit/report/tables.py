"""Tidy tables of one record: readings, refusals, findings; one row each, plain CSV beside a report."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

import pandas as pd

from audit.core.outcome import PhotoRecord, ToothRecord, VisitRecord
from audit.core.records import Reading
from audit.core.site import site_of

__all__ = ["FINDING_COLUMNS", "REFUSAL_COLUMNS", "SERIES_COLUMNS", "findings", "refusals", "series", "to_csv"]

SERIES_COLUMNS = (
    "restoration", "view", "measurand", "site", "on", "months", "value", "u", "low", "high", "status", "unit", "method", "reference",
    "file", "sha256", "flags",
)  # fmt: skip
REFUSAL_COLUMNS = ("restoration", "view", "measurand", "on", "months", "code", "reason", "hint", "file", "sha256")
FINDING_COLUMNS = ("restoration", "on", "months", "stage", "finding", "surface", "value", "examiner")


def series(record: ToothRecord) -> pd.DataFrame:
    """Every reading, one row each.

    Returns
    -------
    DataFrame
        ``value`` and ``u`` (k = 1) are empty unless ``status`` is ``measured``; ``low`` and ``high`` bound the 95 % interval.
        ``unit`` is a UCUM code, ``months`` counts from placement to the visit.
    """
    rows = [_reading_row(record, visit, photo, reading) for visit, photo in _photos(record) for reading in photo.readings]
    return pd.DataFrame(rows, columns=list(SERIES_COLUMNS))


def refusals(record: ToothRecord) -> pd.DataFrame:
    """Every refusal, one row each, with its reason and the next step."""
    rows = [
        {
            "restoration": record.restoration.code, "view": photo.view, "measurand": refusal.measurand, "on": visit.visit.on,
            "months": round(visit.months, 1), "code": refusal.code, "reason": refusal.reason, "hint": refusal.hint,
            "file": photo.file, "sha256": photo.sha256,
        }
        for visit, photo in _photos(record)
        for refusal in photo.refusals
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=list(REFUSAL_COLUMNS))


def findings(record: ToothRecord) -> pd.DataFrame:
    """Every finding of the examiner, one row each, ``not_examined`` included."""
    rows = [
        {
            "restoration": record.restoration.code, "on": visit.visit.on, "months": round(visit.months, 1), "stage": visit.visit.stage,
            "finding": finding.finding, "surface": finding.surface, "value": finding.value, "examiner": finding.examiner,
        }
        for visit in record.visits
        for finding in visit.findings
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=list(FINDING_COLUMNS))


def to_csv(tables: Iterable[pd.DataFrame]) -> str:
    """Tables of several restorations under one header, as CSV text with ``\\n`` line ends."""
    kept = [table for table in tables]
    filled = [table for table in kept if len(table)]
    whole = pd.concat(filled, ignore_index=True) if filled else (kept[0] if kept else pd.DataFrame())
    return str(whole.to_csv(index=False, lineterminator="\n"))


def _photos(record: ToothRecord) -> Iterator[tuple[VisitRecord, PhotoRecord]]:
    for visit in record.visits:
        for photo in visit.photos:
            yield visit, photo


def _reading_row(record: ToothRecord, visit: VisitRecord, photo: PhotoRecord, reading: Reading) -> dict[str, Any]:
    value = reading.value if reading.status == "measured" else None
    return {
        "restoration": record.restoration.code, "view": photo.view, "measurand": reading.measurand,
        "site": site_of(reading, photo),
        "on": visit.visit.on, "months": round(visit.months, 1),
        "value": None if value is None else value.value, "u": None if value is None else value.u,
        "low": reading.interval95[0], "high": reading.interval95[1], "status": reading.status, "unit": reading.unit,
        "method": reading.method, "reference": "" if photo.calibration is None else photo.calibration.reference,
        "file": photo.file, "sha256": photo.sha256, "flags": " ".join(reading.flags),
    }  # fmt: skip
