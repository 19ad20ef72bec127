"""What every page needs to know: which ledger, which folder, and whether the ledger has changed."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any
from urllib.parse import quote

import streamlit as st

from audit import api

__all__ = ["cases", "desk", "folder", "ledger_url", "record", "rows", "scale_json", "shown"]


def ledger_url() -> str | None:
    """The ledger that the server was started with; ``None`` where it was not."""
    return os.environ.get("RESTORATION_AUDIT_LEDGER") or None


def folder() -> str:
    """The practice folder that the ledger's file names are relative to."""
    return os.environ.get("RESTORATION_AUDIT_FOLDER", ".")


def desk() -> Any:
    """The practice that is at work here."""
    return api.Desk(str(ledger_url()), Path(folder()))


def cases() -> Any:
    """The tables of the practice folder, read again when one of them was written; ``None`` where there is no such folder."""
    root = Path(folder())
    if not (root / "restorations.csv").is_file():
        return None
    return _cases(str(root), tuple((path.name, path.stat().st_mtime_ns) for path in sorted(root.glob("*.csv"))))


def scale_json(found: Any) -> dict[str, Any]:
    """A scale as the canvas shows it; empty where nothing is marked."""
    if found is None:
        return {}
    along, across = found.mm_per_px, found.mm_per_px_across
    return {
        "along": along.value, "across": across.value, "direction_deg": found.direction_deg, "u_relative": along.u / along.value,
        "kind": found.reference, "flags": list(found.flags),
    }  # fmt: skip


def shown(code: str) -> Any:
    """Report, HTML parts and charts of one restoration, made anew when the ledger has been written to."""
    return _shown(str(ledger_url()), code, folder(), _stamp())


def record(code: str) -> Any:
    """What the years say of one restoration."""
    return _record(str(ledger_url()), code, _stamp())


def rows() -> Any:
    """One row for each restoration, with the address of its record page."""
    return _rows(str(ledger_url()), _stamp())


@st.cache_resource(max_entries=2, show_spinner=False)
def _cases(root: str, stamp: tuple[tuple[str, int], ...]) -> Any:
    return api.read_case_folder(root)


@st.cache_resource(max_entries=12, show_spinner="Reading the record ...")
def _shown(url: str, code: str, photos: str, stamp: tuple[float, ...]) -> Any:
    report = api.report_data(url, code, photos)
    return report, api.fragments(report), api.charts(report)


@st.cache_resource(max_entries=12, show_spinner="Reading the record ...")
def _record(url: str, code: str, stamp: tuple[float, ...]) -> Any:
    return api.tooth_record(url, code)


@st.cache_resource(max_entries=2, show_spinner="Reading the ledger ...")
def _rows(url: str, stamp: tuple[float, ...]) -> Any:
    return [api.index_row(record, f"tooth_record?code={quote(record.restoration.code)}") for record in api.tooth_records(url)]


def _stamp() -> tuple[float, ...]:
    """Times of the last write to a ledger in a file and to its journal; a ledger elsewhere is read again every time."""
    url = str(ledger_url())
    path = Path(url.partition(":///")[2] or url)
    files = [path, path.with_name(path.name + "-wal")]
    stamps = tuple(file.stat().st_mtime for file in files if file.is_file())
    return stamps or (float(os.times().elapsed),)
