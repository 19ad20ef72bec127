"""The ledger: everything recorded and measured is added once and never changed.

Notes
-----
An audit is named by the image's hash and the hash of what it was measured with (marks, known lengths, method versions): the same
again is found and not repeated. One photo is one transaction, so a killed run leaves whole photos or none.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import TracebackType
from typing import Any

from sqlalchemy import Connection, Row, Table, func, insert, select

from audit.core.clinical import CaseFolder, PhotoEntry, Restoration
from audit.core.outcome import VisitRecord
from audit.core.records import Document
from audit.errors import AuditError, LedgerError
from audit.ledger.connect import now, open_engine, reading, writing
from audit.ledger.history import current, current_entries, read_history, read_restoration
from audit.ledger.rows import calibration_row, folder_rows, photo_row, reading_row, segment_row
from audit.ledger.schema import (
    CLINICAL,
    audits,
    calibrations,
    cases,
    entries,
    marks,
    metadata,
    photos,
    readings,
    recall_intervals,
    refusals,
    refused_rows,
    segments,
)  # fmt: skip

__all__ = ["Ledger", "open_ledger"]

Values = dict[str, Any]


def open_ledger(url: str) -> Ledger:
    """The ledger at a path or database URL, made where there is none.

    Raises
    ------
    LedgerError
        It cannot be opened, is no ledger, or was written by a newer program.
    """
    return Ledger(url)


class Ledger:
    """Append-only storage of restorations, visits, findings, photos and readings.

    Parameters
    ----------
    url : str
        ``sqlite:///path``, a bare path, or ``postgresql://...``.
    """

    def __init__(self, url: str) -> None:
        self._engine = open_engine(url)

    def __enter__(self) -> Ledger:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Give the database back."""
        self._engine.dispose()

    def store_folder(self, folder: CaseFolder) -> None:
        """Add what the tables say and the ledger does not yet; a changed row supersedes the earlier one, which stays.

        A row that is no longer in the folder still counts: the ledger cannot know a mistake from a smaller folder.
        """
        with writing(self._engine) as connection:
            for restoration in folder.restorations:
                _add_once(connection, cases, {"code": restoration.code})
            for table, rows in folder_rows(folder).items():
                for row in {tuple(row[name] for name in CLINICAL[table]): row for row in rows}.values():
                    _require_case(connection, row["restoration"])
                    _supersede(connection, table, CLINICAL[table], row)
            for line in folder.refused_rows:
                _add_once(connection, refused_rows, {"line": line})

    def has_audit(self, entry: PhotoEntry, sha256: str, annotation_hash: str) -> bool:
        """Whether this file is stored for this restoration, visit and view with the audit of these hashes."""
        with reading(self._engine) as connection:
            row = next((row for row in current_entries(connection, entry.restoration) if row.file == entry.file), None)
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
        sha256 = document.photo.sha256
        with writing(self._engine) as connection:
            _require_case(connection, entry.restoration)
            audit_id = _audit_id(connection, sha256, annotation_hash)
            if audit_id is None:
                audit_id = _add_audit(connection, document, annotation_body, annotation_hash)
            _add_entry(connection, entry, {"sha256": sha256, "audit_id": audit_id, "code": "", "reason": "", "hint": ""})

    def store_refused_file(self, entry: PhotoEntry, error: AuditError) -> None:
        """Add that a listed file could not be measured at all, and why."""
        code = str(getattr(error, "code", type(error).__name__))
        with writing(self._engine) as connection:
            _require_case(connection, entry.restoration)
            refused = {"sha256": "", "audit_id": None, "code": code, "reason": error.message, "hint": error.hint}
            _add_entry(connection, entry, refused)

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

    def recall_months(self, code: str) -> int | None:
        """The recall interval that the clinician set for this restoration, months."""
        with reading(self._engine) as connection:
            months = current(connection, recall_intervals, code)
            return months[0] if months else None

    def counts(self) -> dict[str, int]:
        """Rows of every table, by its name; ``refused_files`` are the entries without an audit."""
        with reading(self._engine) as connection:
            rows = {table.name: _count(connection, table) for table in metadata.sorted_tables}
            refused = connection.scalar(select(func.count()).select_from(entries).where(entries.c.audit_id.is_(None)))
            return {**rows, "refused_files": refused or 0}


def _count(connection: Connection, table: Table) -> int:
    return connection.scalar(select(func.count()).select_from(table)) or 0


def _required(connection: Connection, code: str) -> Restoration:
    restoration = read_restoration(connection, code)
    if restoration is None:
        raise LedgerError(f"restoration must be in the ledger; got {code!r}.", "Check the code, or audit its folder first.")
    return restoration


def _require_case(connection: Connection, code: str) -> None:
    if connection.scalar(select(cases.c.id).where(cases.c.code == code)) is None:
        raise LedgerError(f"restoration must be in the table of restorations; got {code!r}.", "Add its row to the table first.")


def _insert(connection: Connection, table: Table, row: Mapping[str, Any]) -> int:
    key = connection.execute(insert(table).values(recorded_at=now(), **row)).inserted_primary_key
    return int(key[0]) if key else 0


def _latest(connection: Connection, table: Table, match: Mapping[str, Any]) -> Row[Any] | None:
    wanted = select(table).where(*(table.c[name] == value for name, value in match.items()))
    return connection.execute(wanted.order_by(table.c.id.desc()).limit(1)).one_or_none()


def _says(row: Row[Any] | None, values: Mapping[str, Any]) -> bool:
    return row is not None and all(getattr(row, name) == value for name, value in values.items())


def _supersede(connection: Connection, table: Table, key: Sequence[str], row: Values) -> None:
    """Add a row unless the one that counts for its key says the same."""
    if not _says(_latest(connection, table, {name: row[name] for name in key}), row):
        _insert(connection, table, row)


def _add_once(connection: Connection, table: Table, row: Values) -> int:
    found = _latest(connection, table, row)
    return int(found.id) if found is not None else _insert(connection, table, row)


def _add_entry(connection: Connection, entry: PhotoEntry, outcome: Values) -> None:
    """Add what a file shows, unless both its place and its photo were last entered so."""
    row = {"restoration": entry.restoration, "file": entry.file, "on_date": entry.on, "view": entry.view, **outcome}
    same_place = _latest(connection, entries, {"restoration": entry.restoration, "file": entry.file})
    same_photo = _latest(connection, entries, {"sha256": outcome["sha256"], "file": entry.file}) if outcome["sha256"] else same_place
    if not (_says(same_place, row) and _says(same_photo, row)):
        _insert(connection, entries, row)


def _audit_id(connection: Connection, sha256: str, annotation_hash: str) -> int | None:
    named = select(audits.c.id).join(marks, audits.c.annotation_id == marks.c.id)
    return connection.scalar(named.where(audits.c.sha256 == sha256, marks.c.annotation_hash == annotation_hash))


def _add_audit(connection: Connection, document: Document, body: Mapping[str, Any] | None, annotation_hash: str) -> int:
    found = _latest(connection, marks, {"annotation_hash": annotation_hash})
    marked = found.id if found else _insert(connection, marks, {"annotation_hash": annotation_hash, "body": body})
    facts = photo_row(document)
    known = _latest(connection, photos, {"sha256": document.photo.sha256})
    photo = known.id if known is not None and _says(known, facts) else _insert(connection, photos, facts)
    calibration = document.calibration
    methods = sorted({reading.method for reading in document.readings} | ({calibration.method} if calibration else set()))
    named = {"sha256": document.photo.sha256, "photo_id": photo, "annotation_id": marked, "methods": methods}
    audit_id = _insert(connection, audits, named)
    if calibration is not None:
        _insert(connection, calibrations, {"audit_id": audit_id, **calibration_row(calibration)})
    parts: dict[Table, list[Values]] = {
        readings: [reading_row(record) for record in document.readings],
        segments: [segment_row(record) for record in document.segments],
        refusals: [record.to_json() for record in document.refusals],
    }
    for table, rows in parts.items():
        if rows:
            stamped = [{"audit_id": audit_id, "position": i, "recorded_at": now(), **row} for i, row in enumerate(rows)]
            connection.execute(insert(table), stamped)
    return audit_id
