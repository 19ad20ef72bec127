"""What every page needs to know: which ledger, which folder, and whether the ledger has changed."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any, Literal
from urllib.parse import quote

import streamlit as st

from audit import api

__all__ = ["cases", "desk", "folder", "ledger_url", "outcomes", "paper", "record", "rows", "scale_json", "shown"]


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
    """Report, HTML parts and charts of one restoration, and what of it waits for the examiner; made anew when the ledger was written to."""
    return _shown(str(ledger_url()), code, folder(), _stamp(), *_seen())


def paper(code: str) -> Callable[[], str]:
    """Makes the report of one restoration as it may be shown now, as one HTML file; called later, and in another thread."""
    url, photos, seen = str(ledger_url()), folder(), api.seen_so_far(desk())
    return lambda: api.tooth_html(url, code, photos, seen.let_through)


def record(code: str) -> Any:
    """What the years say of one restoration."""
    return _record(str(ledger_url()), code, _stamp())


def rows() -> Any:
    """One row for each restoration, with the address of its record page; nothing in it rests on what waits for the examiner."""
    return _rows(str(ledger_url()), _stamp(), *_seen())


def outcomes(until: Literal["success", "survival"], by: tuple[str, ...]) -> Any:
    """What became of all restorations."""
    return _outcomes(str(ledger_url()), until, by, _stamp())


@st.cache_resource(max_entries=8, show_spinner="Counting ...")
def _outcomes(url: str, until: Literal["success", "survival"], by: tuple[str, ...], stamp: tuple[float, ...]) -> Any:
    return api.outcome_tables(url, until, by)


@st.cache_resource(max_entries=2, show_spinner=False)
def _cases(root: str, stamp: tuple[tuple[str, int], ...]) -> Any:
    return api.read_case_folder(root)


@st.cache_resource(max_entries=12, show_spinner="Reading the record ...")
def _shown(url: str, code: str, photos: str, stamp: tuple[float, ...], seen_stamp: Any, _seen: Any) -> Any:
    report = api.report_data(url, code, photos, _seen.let_through)
    return report, api.fragments(report), api.charts(report), api.held_visits(url, code, _seen)


@st.cache_resource(max_entries=12, show_spinner="Reading the record ...")
def _record(url: str, code: str, stamp: tuple[float, ...]) -> Any:
    return api.tooth_record(url, code)


@st.cache_resource(max_entries=2, show_spinner="Reading the ledger ...")
def _rows(url: str, stamp: tuple[float, ...], seen_stamp: Any, _seen: Any) -> Any:
    records = api.tooth_records(url, let_through=_seen.let_through)
    return [api.index_row(record, f"tooth_record?code={quote(record.restoration.code)}") for record in records]


def _seen() -> tuple[Any, Any]:
    """What has been shown before a rating, to be compared by, and as it is."""
    seen = api.seen_so_far(desk())
    return tuple(sorted((subject, tuple(sorted(criteria))) for subject, criteria in seen.shown.items())), seen


def _stamp() -> tuple[float, ...]:
    """Times of the last write to a ledger in a file and to its journal; a ledger elsewhere is read again every time."""
    url = str(ledger_url())
    path = Path(url.partition(":///")[2] or url)
    files = [path, path.with_name(path.name + "-wal")]
    stamps = tuple(file.stat().st_mtime for file in files if file.is_file())
    return stamps or (float(os.times().elapsed),)
