"""The ledger: everything recorded and measured is added once and never changed.

Notes
-----
An audit is named by the image's hash and the hash of what it was measured with (marks, known lengths, method versions): the same
again is found and not repeated. One photo is one transaction, so a killed run leaves whole photos or none.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import TracebackType
from typing import Any, Literal

from sqlalchemy import Connection, Table, func, select

from audit.core.clinical import CaseFolder, PhotoEntry, Restoration
from audit.core.outcome import VisitRecord
from audit.core.records import Document
from audit.errors import AuditError, LedgerError
from audit.ledger.append import add, add_all, latest, says
from audit.ledger.connect import open_engine, reading, writing
from audit.ledger.entries import WITHDRAWN, add_entry, current_entry
from audit.ledger.history import current, read_history, read_restoration
from audit.ledger.rows import calibration_row, photo_row, reading_row, segment_row
from audit.ledger.schema import (
    audits,
    bitewing_intervals,
    calibrations,
    cases,
    entries,
    marks,
    metadata,
    photos,
    readings,
    recall_intervals,
    refusals,
    segments,
)
from audit.ledger.sound import sound
from audit.ledger.tables import require_cases, store_tables

__all__ = ["Ledger", "open_ledger"]


def open_ledger(url: str, *, must_exist: bool = False) -> Ledger:
    """The ledger at a path or database URL, made where there is none unless it must exist.

    Raises
    ------
    LedgerError
        It cannot be opened, is no ledger, or was written by a newer program.
    """
    return Ledger(url, must_exist=must_exist)


class Ledger:
    """Append-only storage of restorations, visits, findings, photos and readings.

    Parameters
    ----------
    url : str
        ``sqlite:///path``, a bare path, or ``postgresql://...``.
    """

    def __init__(self, url: str, *, must_exist: bool = False) -> None:
        self._engine = open_engine(url, must_exist=must_exist)

    def __enter__(self) -> Ledger:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Give the database back."""
        self._engine.dispose()

    def store_folder(self, folder: CaseFolder) -> None:
        """Add what the tables say and the ledger does not yet; corrections supersede, the earlier rows stay (see `tables`)."""
        with writing(self._engine) as connection:
            store_tables(connection, folder)

    def has_audit(self, entry: PhotoEntry, sha256: str, annotation_hash: str) -> bool:
        """Whether this file is stored for this restoration, visit and view with the audit of these hashes."""
        with reading(self._engine) as connection:
            row = current_entry(connection, entry.restoration, entry.file)
            if row is None or (row.on_date, row.view) != (entry.on, entry.view):
                return False
            return row.audit_id is not None and row.audit_id == _audit_id(connection, sha256, annotation_hash)

    def store_document(
        self, entry: PhotoEntry, document: Document, annotation_body: Mapping[str, Any] | None, annotation_hash: str
    ) -> None:  # fmt: skip
        """Add what was measured on one photo, whole; an audit with these hashes that is there already is not repeated.

        Parameters
        ----------
        entry : PhotoEntry
            Which restoration, visit and view the file shows.
        document : Document
        annotation_body : mapping or None
            The marks as read from the file.
        annotation_hash : str
            Names everything beside the pixels that the result depends on.
        """
        document, sha256 = sound(document), document.photo.sha256
        with writing(self._engine) as connection:
            require_cases(connection, {entry.restoration})
            audit_id = _audit_id(connection, sha256, annotation_hash)
            if audit_id is None:
                audit_id = _add_audit(connection, document, annotation_body, annotation_hash)
            add_entry(connection, entry, {"sha256": sha256, "audit_id": audit_id, "code": "", "reason": "", "hint": ""})

    def store_refused_file(self, entry: PhotoEntry, error: AuditError) -> None:
        """Add that a listed file could not be measured at all, and why."""
        code = str(getattr(error, "code", type(error).__name__))
        with writing(self._engine) as connection:
            require_cases(connection, {entry.restoration})
            refused = {"sha256": "", "audit_id": None, "code": code, "reason": error.message, "hint": error.hint}
            add_entry(connection, entry, refused)

    def codes(self) -> tuple[str, ...]:
        """Codes of all restorations, sorted."""
        with reading(self._engine) as connection:
            return tuple(connection.scalars(select(cases.c.code).order_by(cases.c.code)))

    def restoration(self, code: str) -> Restoration:
        """One restoration as last entered.

        Raises
        ------
        LedgerError
            No such code.
        """
        with reading(self._engine) as connection:
            return _required(connection, code)

    def history(self, code: str) -> tuple[VisitRecord, ...]:
        """Every visit of one restoration by date, with findings, grades, photos, readings, refusals and events."""
        with reading(self._engine) as connection:
            return read_history(connection, _required(connection, code))

    def recall_months(self, code: str, of: Literal["visit", "bitewing"] = "visit") -> int | None:
        """The interval of recalls, or of bitewings, that the clinician set for this restoration, months."""
        with reading(self._engine) as connection:
            months = current(connection, recall_intervals if of == "visit" else bitewing_intervals, code)
            return months[0] if months else None

    def counts(self) -> dict[str, int]:
        """Rows of every table, by its name; ``refused_files`` are the files that could not be measured at all."""
        with reading(self._engine) as connection:
            rows = {table.name: _count(connection, table) for table in metadata.sorted_tables}
            refused = connection.scalar(
                select(func.count()).select_from(entries).where(entries.c.audit_id.is_(None), entries.c.code != WITHDRAWN)
            )
            return {**rows, "refused_files": refused or 0}


def _count(connection: Connection, table: Table) -> int:
    return connection.scalar(select(func.count()).select_from(table)) or 0


def _required(connection: Connection, code: str) -> Restoration:
    restoration = read_restoration(connection, code)
    if restoration is None:
        raise LedgerError(f"restoration must be in the ledger; got {code!r}.", "Check the code, or audit its folder first.")
    return restoration


def _audit_id(connection: Connection, sha256: str, annotation_hash: str) -> int | None:
    named = select(audits.c.id).join(marks, audits.c.annotation_id == marks.c.id)
    return connection.scalar(named.where(audits.c.sha256 == sha256, marks.c.annotation_hash == annotation_hash))


def _add_audit(connection: Connection, document: Document, body: Mapping[str, Any] | None, annotation_hash: str) -> int:
    found = latest(connection, marks, {"annotation_hash": annotation_hash})
    marked = found.id if found else add(connection, marks, {"annotation_hash": annotation_hash, "body": body})
    facts = photo_row(document)
    known = latest(connection, photos, {"sha256": document.photo.sha256})
    photo = known.id if known is not None and says(known, facts) else add(connection, photos, facts)
    calibration = document.calibration
    methods = sorted({reading.method for reading in document.readings} | ({calibration.method} if calibration else set()))
    named = {"sha256": document.photo.sha256, "photo_id": photo, "annotation_id": marked, "methods": methods}
    audit_id = add(connection, audits, named)
    if calibration is not None:
        add(connection, calibrations, {"audit_id": audit_id, **calibration_row(calibration)})
    parts: dict[Table, list[dict[str, Any]]] = {
        readings: [reading_row(record) for record in document.readings],
        segments: [segment_row(record) for record in document.segments],
        refusals: [dict(record.to_json()) for record in document.refusals],
    }
    for table, rows in parts.items():
        add_all(connection, table, [{"audit_id": audit_id, "position": i, **row} for i, row in enumerate(rows)])
    return audit_id
