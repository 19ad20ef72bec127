"""What the ledger holds of one restoration, as the records of `audit.core.outcome`.

Notes
-----
An event belongs to the first visit on or after its date, one after the last visit to the last. A day with findings, grades or
photos and no row in the table of visits is a visit all the same and says so in its note. What belongs to a day with several
stages (tried in and placed) stands with the last of them.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from sqlalchemy import Connection, Row, Table, select

from audit.core.clinical import Event, Finding, Grade, Restoration, Visit
from audit.core.dates import months_between
from audit.core.outcome import PhotoRecord, VisitRecord
from audit.core.records import Refusal
from audit.core.vocabulary import STAGES
from audit.ledger.entries import current_entries
from audit.ledger.rows import RECORDS, to_calibration, to_reading, to_refusal, to_segment
from audit.ledger.schema import (
    CLINICAL,
    audits,
    calibrations,
    events,
    findings,
    grades,
    marks,
    photos,
    readings,
    refusals,
    restorations,
    segments,
    visits,
)  # fmt: skip

__all__ = ["current", "current_rows", "read_history", "read_restoration"]

UNLISTED_VISIT = "not in the table of visits"


def current(connection: Connection, table: Table, code: str) -> list[Any]:
    """Records of one clinical table that count now, in the order in which their keys were first entered."""
    return [RECORDS[table](row) for row in current_rows(connection, table, code)]


def current_rows(connection: Connection, table: Table, code: str) -> list[Row[Any]]:
    """Rows of one clinical table that count now."""
    rows = connection.execute(select(table).where(table.c.restoration == code).order_by(table.c.id))
    latest = {tuple(getattr(row, name) for name in CLINICAL[table]): row for row in rows}
    return [row for row in latest.values() if not getattr(row, "withdrawn", False)]


def read_restoration(connection: Connection, code: str) -> Restoration | None:
    """The restoration as last entered."""
    found = current(connection, restorations, code)
    return found[0] if found else None


def read_history(connection: Connection, restoration: Restoration) -> tuple[VisitRecord, ...]:
    """Every visit by date, with all that belongs to it; photos by file, as they are stored in whatever order their measuring ends."""
    code = restoration.code
    found: list[Finding] = current(connection, findings, code)
    graded: list[Grade] = current(connection, grades, code)
    happened: list[Event] = sorted(current(connection, events, code), key=lambda event: event.on)
    entered = sorted(current_entries(connection, code), key=lambda row: str(row.file))
    shown = [(row.on_date, _photo_record(connection, row)) for row in entered]
    listed: list[Visit] = current(connection, visits, code)
    days = sorted({*(v.on for v in listed), *(f.on for f in found), *(g.on for g in graded), *(on for on, _ in shown)})
    days = days or [event.on for event in happened[-1:]]
    records = []
    for on in days:
        *earlier, last = sorted((v for v in listed if v.on == on), key=lambda v: STAGES.index(v.stage)) or [_unlisted(restoration, on)]
        months = months_between(restoration.placed_on, on)
        records += [VisitRecord(visit, months, (), (), (), ()) for visit in earlier]
        of_the_day = (tuple(f for f in found if f.on == on), tuple(g for g in graded if g.on == on))
        photos_of_the_day = tuple(photo for day, photo in shown if day == on)
        records.append(VisitRecord(last, months, *of_the_day, photos_of_the_day, tuple(_events_of(days, on, happened))))
    return tuple(records)


def _unlisted(restoration: Restoration, on: str) -> Visit:
    stage = "placement" if on == restoration.placed_on else "recall" if on > restoration.placed_on else "preoperative"
    return Visit(restoration.code, on, stage, note=UNLISTED_VISIT)


def _events_of(days: list[str], on: str, happened: Iterable[Event]) -> Iterable[Event]:
    index = days.index(on)
    after = days[index - 1] if index else ""
    return (event for event in happened if event.on > after and (event.on <= on or index == len(days) - 1))


def _photo_record(connection: Connection, entry: Row[Any]) -> PhotoRecord:
    if entry.audit_id is None:
        refusal = Refusal("photo", entry.code, entry.reason, entry.hint)
        modality = "radiograph" if entry.view == "bitewing" else "photo"
        return PhotoRecord(entry.sha256, entry.file, entry.view, None, "unknown", modality, None, (), (), (refusal,), None)
    audit = connection.execute(
        select(photos, marks.c.body).select_from(audits)
        .join(photos, audits.c.photo_id == photos.c.id).join(marks, audits.c.annotation_id == marks.c.id)
        .where(audits.c.id == entry.audit_id)
    ).one()  # fmt: skip
    scale = connection.execute(select(calibrations).where(calibrations.c.audit_id == entry.audit_id)).one_or_none()
    return PhotoRecord(
        audit.sha256, entry.file, entry.view, audit.captured_on, audit.date_certainty, audit.modality,
        None if scale is None else to_calibration(scale),
        tuple(map(to_reading, _of(connection, readings, entry.audit_id))),
        tuple(map(to_segment, _of(connection, segments, entry.audit_id))),
        tuple(map(to_refusal, _of(connection, refusals, entry.audit_id))),
        audit.body, tuple(audit.flags), audit.width_px, audit.height_px,
    )  # fmt: skip


def _of(connection: Connection, table: Table, audit_id: int) -> list[Row[Any]]:
    return list(connection.execute(select(table).where(table.c.audit_id == audit_id).order_by(table.c.position)))
