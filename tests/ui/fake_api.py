"""Stands in for `audit.api` on the pages' tests: the invented record of the report tests, no ledger and no files."""

from __future__ import annotations

import sys
from types import ModuleType
from typing import Any

import fakes

from audit.api.desk import Desk
from audit.api.examiner_first import SeenSoFar
from audit.errors import AuditError, LedgerError
from audit.report import cautions, charts, render
from audit.report.document import Report, index_row

ERRORS = {"image": AuditError("image must be readable; got 3 bytes.", "Copy the file again.")}


def make(*, empty: bool = False) -> ModuleType:
    """A module with the names that the pages call."""
    api = ModuleType("audit.api")
    report = fakes.rich_report()
    records = {} if empty else {r.restoration.code: r for r in (fakes.rich_record(), fakes.ended_record(), fakes.stable_record())}

    def report_data(url: str, code: str, folder: str, let_through: Any = None) -> Report:
        if code not in records:
            raise LedgerError(f"code must be in the ledger; got {code!r}.", "Choose a restoration of the list.")
        return report if code == fakes.CODE else Report(records[code], report.series.iloc[:0])

    def measure_photo(path: Any, annotations: Any = None) -> Any:
        if annotations is None:
            raise ERRORS["image"]
        return fakes.document()

    members: dict[str, Any] = {
        "AuditError": AuditError, "CAUTIONS": cautions.CAUTIONS, 
        "tooth_codes": lambda url: list(records), "report_data": report_data, "measure_photo": measure_photo,
        "tooth_record": lambda url, code: records[code],
        "tooth_records": lambda url, let_through=None: list(records.values()),
        "Desk": Desk, "seen_so_far": lambda desk: SeenSoFar(), "held_visits": lambda url, code, seen: {},
        "tooth_html": lambda url, code, folder, let_through=None: render.tooth_html(report_data(url, code, folder)),
        "charts": charts.charts, "fragments": render.fragments, "list_fragment": render.list_fragment,
        "index_row": index_row, "document_fragment": render.document_fragment,
        "overlay_png": lambda path, annotations, document: fakes.overlay(),
    }  # fmt: skip
    vars(api).update(members)
    return api


def install(*, empty: bool = False) -> None:
    """Make ``from audit import api`` find the fake."""
    import audit

    audit.api = sys.modules["audit.api"] = make(empty=empty)  # type: ignore[attr-defined]
