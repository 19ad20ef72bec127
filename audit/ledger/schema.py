"""Tables of the ledger, each with the version of the schema that brought it.

Notes
-----
A correction is a new row: of rows with the same key the one with the highest `id` counts, the earlier stay. A row that was
taken out is followed by one that is `withdrawn`.
Nothing is updated or deleted; triggers in the database hold this also against other programs (`append_only`). A change of the tables
is a new version with its own step in `migrations`; columns added later must be nullable, so that the chain over older rows still holds.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from sqlalchemy import Boolean, Column, Double, ForeignKey, Index, Integer, MetaData, String, Table, Text
from sqlalchemy import UniqueConstraint as Unique
from sqlalchemy.types import TypeDecorator

__all__ = [
    "CLINICAL", "Json", "audits", "bitewing_intervals", "calibrations", "cases", "chain", "entries", "events", "findings", "grades",
    "marks", "metadata", "photos", "readings", "recall_intervals", "refusals", "refused_rows", "restorations", "schema_versions",
    "segments", "visits", "withdrawals",
]  # fmt: skip

metadata = MetaData()


class Json(TypeDecorator[Any]):
    """Plain JSON types as text: numbers come back to the last digit on every database."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: Any, dialect: Any) -> str | None:
        """To text."""
        return None if value is None else json.dumps(value, default=_plain, ensure_ascii=False)

    def process_result_value(self, value: str | None, dialect: Any) -> Any:
        """From text."""
        return None if value is None else json.loads(value)


def _plain(value: Any) -> Any:
    """Mappings and number arrays as JSON types."""
    if isinstance(value, Mapping):
        return dict(value)
    if hasattr(value, "tolist"):
        return value.tolist()
    raise TypeError(f"details must be plain JSON types; got {type(value).__name__}")


def _table(name: str, *parts: Any, since: int = 1) -> Table:
    head = (Column("id", Integer, primary_key=True), Column("recorded_at", String, nullable=False))
    return Table(name, metadata, *head, *parts, sqlite_autoincrement=True, info={"since": since})


def _text(name: str, *, null: bool = False) -> Column[str]:
    return Column(name, Text, nullable=null)


def _restoration() -> Column[str]:
    return Column("restoration", ForeignKey("cases.code"), nullable=False)


def _audit() -> tuple[Column[int], Column[int]]:
    return Column("audit_id", ForeignKey("audits.id"), nullable=False, index=True), Column("position", Integer, nullable=False)


def _withdrawn() -> Column[bool]:
    return Column("withdrawn", Boolean, nullable=False)


def _json(name: str) -> Column[Any]:
    return Column(name, Json)


schema_versions = _table("schema_versions", Column("version", Integer, nullable=False, unique=True))

cases = _table("cases", Column("code", Text, nullable=False, unique=True))
restorations = _table(
    "restorations", _restoration(), _text("tooth_iso3950"), _text("tooth_notation"), _text("design"), _text("alloy"), _text("placed_on"),
    _text("operator"), _json("plan"), _json("known_lengths"),
)  # fmt: skip
visits = _table("visits", _restoration(), _text("on_date"), _text("stage"), _text("examiner"), _text("note"), _withdrawn())
findings = _table(
    "findings", _restoration(), _text("on_date"), _text("finding"), _text("surface"), _text("examiner"), _text("value"), _withdrawn(),
)  # fmt: skip
grades = _table(
    "grades", _restoration(), _text("on_date"), _text("system"), _text("criterion"), _text("examiner"), _text("grade"),
    Column("seen_before", Boolean, nullable=False), _withdrawn(),
)  # fmt: skip
events = _table("events", _restoration(), _text("on_date"), _text("kind"), _text("note"), _withdrawn())
recall_intervals = _table("recall_intervals", _restoration(), Column("months", Integer, nullable=False))
bitewing_intervals = _table("bitewing_intervals", _restoration(), Column("months", Integer, nullable=False), since=3)
refused_rows = _table("refused_rows", Column("line", Text, nullable=False, unique=True))

# table -> columns that name a row; the rest is what it says
CLINICAL: Mapping[Table, tuple[str, ...]] = MappingProxyType(
    {
        restorations: ("restoration",),
        visits: ("restoration", "on_date", "stage"),
        findings: ("restoration", "on_date", "finding", "surface", "examiner"),
        grades: ("restoration", "on_date", "system", "criterion", "examiner"),
        events: ("restoration", "on_date", "kind"),
        recall_intervals: ("restoration",),
        bitewing_intervals: ("restoration",),
    }
)

photos = _table(
    "photos", _text("sha256"), Column("width_px", Integer, nullable=False), Column("height_px", Integer, nullable=False),
    _text("captured_on", null=True), _text("date_certainty"), _text("modality"), _json("optics"), _json("flags"), _text("file_name"),
    Index("photos_by_sha256", "sha256"),
)  # fmt: skip
marks = _table("annotations", Column("annotation_hash", Text, nullable=False, unique=True), _json("body"))
audits = _table(
    "audits", _text("sha256"), Column("photo_id", ForeignKey("photos.id"), nullable=False),
    Column("annotation_id", ForeignKey("annotations.id"), nullable=False), _json("methods"), Unique("sha256", "annotation_id"),
)  # fmt: skip
calibrations = _table(
    "calibrations", Column("audit_id", ForeignKey("audits.id"), nullable=False, unique=True), _text("reference"),
    _json("mm_per_px"), _json("mm_per_px_across"), Column("direction_deg", Double, nullable=False), _json("tilt_deg"),
    _json("blur_sigma_px"), _text("seen_in"), _text("method"), _json("flags"), _json("evidence"),
)  # fmt: skip
readings = _table(
    "readings", *_audit(), _text("measurand"), _text("unit"), _text("status"), Column("value", Double), Column("u", Double),
    Column("low", Double, nullable=False), Column("high", Double, nullable=False), _text("method"), _json("quantity"), _json("signed"),
    _json("flags"), _json("details"),
)  # fmt: skip
segments = _table(
    "segments", *_audit(), Column("start_mm", Double, nullable=False), Column("end_mm", Double, nullable=False), _text("state"),
    _json("gap_um"),
)  # fmt: skip
refusals = _table("refusals", *_audit(), _text("measurand"), _text("code"), _text("reason"), _text("hint"))
# which restoration and visit a file shows: with its audit, or with the reason why the whole file was refused
entries = _table(
    "entries", _restoration(), _text("file"), _text("on_date"), _text("view"), _text("sha256"),
    Column("audit_id", ForeignKey("audits.id")), _text("code"), _text("reason"), _text("hint"),
    Index("entries_by_file", "restoration", "file"), Index("entries_by_photo", "sha256", "file"),
)  # fmt: skip

# why what was recorded of a day no longer counts; the rows of that day are followed by rows that say so
withdrawals = _table("withdrawals", _restoration(), _text("on_date"), _text("reason"), since=2)
# every row of the other tables in the order in which it was added, each digest over the row and the digest before it
chain = _table(
    "chain", _text("table_name"), Column("row_id", Integer, nullable=False), _text("digest"), Unique("table_name", "row_id"), since=2
)  # fmt: skip

for _clinical, _key in CLINICAL.items():
    Index(f"{_clinical.name}_by_key", *(_clinical.c[name] for name in _key))
