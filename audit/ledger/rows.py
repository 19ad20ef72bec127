"""Records to rows and back, exactly."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict
from types import MappingProxyType
from typing import Any

from sqlalchemy import Row, Table

from audit.core.clinical import CaseFolder, Event, Finding, Grade, KnownLength, Plan, Restoration, Visit
from audit.core.quantity import Quantity
from audit.core.records import Calibration, Document, Reading, Refusal, Segment
from audit.core.tooth import Tooth
from audit.ledger.schema import bitewing_intervals, events, findings, grades, recall_intervals, restorations, visits

__all__ = [
    "RECORDS", "calibration_row", "folder_rows", "photo_row", "reading_row", "segment_row", "to_calibration", "to_reading",
    "to_refusal", "to_restoration", "to_segment",
]  # fmt: skip

Values = dict[str, Any]
_Dated = Visit | Finding | Grade | Event
_NO_PLAN = Plan()


def folder_rows(folder: CaseFolder) -> dict[Table, list[Values]]:
    """Rows of every clinical table, in the order of the folder."""
    dated: dict[Table, Sequence[_Dated]] = {visits: folder.visits, findings: folder.findings, grades: folder.grades, events: folder.events}
    return {
        restorations: [_restoration_row(r) for r in folder.restorations],
        **{table: [_dated_row(record) for record in records] for table, records in dated.items()},
        recall_intervals: [{"restoration": code, "months": months} for code, months in folder.recall_months.items()],
        bitewing_intervals: [{"restoration": code, "months": months} for code, months in folder.bitewing_months.items()],
    }


def _restoration_row(r: Restoration) -> Values:
    plan = None if r.plan == _NO_PLAN else asdict(r.plan) | {"bevel_mm": r.plan.bevel_mm and list(r.plan.bevel_mm)}
    return {
        "restoration": r.code, "tooth_iso3950": r.tooth.iso3950, "tooth_notation": r.tooth_notation, "design": r.design,
        "alloy": r.alloy, "placed_on": r.placed_on, "operator": r.operator, "plan": plan,
        "known_lengths": [asdict(length) for length in r.known_lengths],
    }  # fmt: skip


def _dated_row(record: _Dated) -> Values:
    values = asdict(record)
    return {"on_date": values.pop("on"), **values, "withdrawn": False}


def to_restoration(row: Row[Any]) -> Restoration:
    """A restoration from its row."""
    plan = Plan() if row.plan is None else Plan(**{**row.plan, "bevel_mm": row.plan["bevel_mm"] and tuple(row.plan["bevel_mm"])})
    return Restoration(
        row.restoration, Tooth.parse(row.tooth_iso3950, "iso3950"), row.tooth_notation, row.design, row.alloy, row.placed_on, row.operator,
        plan, tuple(KnownLength(**length) for length in row.known_lengths),
    )  # fmt: skip


# clinical table -> its row as a record
RECORDS: Mapping[Table, Callable[[Row[Any]], Any]] = MappingProxyType(
    {
        restorations: to_restoration,
        visits: lambda r: Visit(r.restoration, r.on_date, r.stage, r.examiner, r.note),
        findings: lambda r: Finding(r.restoration, r.on_date, r.finding, r.value, r.surface, r.examiner),
        grades: lambda r: Grade(r.restoration, r.on_date, r.system, r.criterion, r.grade, r.examiner, r.seen_before),
        events: lambda r: Event(r.restoration, r.on_date, r.kind, r.note),
        recall_intervals: lambda r: r.months,
        bitewing_intervals: lambda r: r.months,
    }
)


def photo_row(document: Document) -> Values:
    """What intake found of an image."""
    photo = document.photo
    return {
        "sha256": photo.sha256, "width_px": photo.width_px, "height_px": photo.height_px, "captured_on": photo.captured_on,
        "date_certainty": photo.date_certainty, "modality": photo.modality, "optics": asdict(photo.optics), "flags": list(photo.flags),
        "file_name": photo.file_name,
    }  # fmt: skip


def calibration_row(c: Calibration) -> Values:
    """A scale, with its parts."""
    return {
        "reference": c.reference, "mm_per_px": c.mm_per_px.to_dict(), "mm_per_px_across": c.mm_per_px_across.to_dict(),
        "direction_deg": c.direction_deg, "tilt_deg": _from(c.tilt_deg), "blur_sigma_px": _from(c.blur_sigma_px),
        "seen_in": c.seen_in, "method": c.method, "flags": list(c.flags), "evidence": dict(c.evidence),
    }  # fmt: skip


def to_calibration(r: Row[Any]) -> Calibration:
    """A scale from its row."""
    return Calibration(
        r.reference, Quantity.from_dict(r.mm_per_px), Quantity.from_dict(r.mm_per_px_across), r.direction_deg, _to(r.tilt_deg),
        _to(r.blur_sigma_px), r.seen_in, r.method, tuple(r.flags), r.evidence,
    )  # fmt: skip


def reading_row(r: Reading) -> Values:
    """A reading; `value` and `u` stand beside the whole quantity for plain queries."""
    return {
        "measurand": r.measurand, "unit": r.unit, "status": r.status, "value": r.value and r.value.value, "u": r.value and r.value.u,
        "low": r.interval95[0], "high": r.interval95[1], "method": r.method, "quantity": _from(r.value), "signed": _from(r.signed),
        "flags": list(r.flags), "details": dict(r.details),
    }  # fmt: skip


def to_reading(r: Row[Any]) -> Reading:
    """A reading from its row."""
    interval = (r.low, r.high)
    return Reading(r.measurand, r.unit, r.status, _to(r.quantity), interval, r.method, _to(r.signed), tuple(r.flags), r.details)


def segment_row(s: Segment) -> Values:
    """A stretch of margin."""
    return {"start_mm": s.start_mm, "end_mm": s.end_mm, "state": s.state, "gap_um": _from(s.gap_um)}


def to_segment(r: Row[Any]) -> Segment:
    """A stretch of margin from its row."""
    return Segment(r.start_mm, r.end_mm, r.state, _to(r.gap_um))


def to_refusal(r: Row[Any]) -> Refusal:
    """A refusal from its row."""
    return Refusal(r.measurand, r.code, r.reason, r.hint)


def _from(quantity: Quantity | None) -> Values | None:
    return None if quantity is None else quantity.to_dict()


def _to(data: Mapping[str, Any] | None) -> Quantity | None:
    return None if data is None else Quantity.from_dict(data)
