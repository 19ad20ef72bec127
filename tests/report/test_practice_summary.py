"""The practice's summary: everything that waits is listed, nothing that does not."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import fakes
import pytest

from audit import api
from audit.core.outcome import PhotoRecord, ToothRecord
from audit.core.quantity import Quantity
from audit.core.records import Reading, Refusal
from audit.report.practice_sheet import practice_sheet
from audit.report.sheet import Sheet, sheet_html

HOSTILE = "<script>alert(1)</script>"


def recall(code: str, standing: str, bitewing: str | None = None) -> dict[str, object]:
    return {"restoration": code, "standing": standing, "due_on": "2024-05-20", "months_late": 0.0, "last_seen_on": None,
            "why": f"why {code}",
            "bitewing_due_on": bitewing, "bitewing": "due"}  # fmt: skip


def told(sheet: Sheet, title: str) -> list[tuple[str, ...]]:
    section = next(s for s in sheet.sections if s.title.startswith(title))
    return [row for table in section.tables for row in table.rows]


def with_photos(*photos: PhotoRecord) -> ToothRecord:
    record = fakes.rich_record()
    last = replace(record.visits[-1], photos=photos)
    return replace(record, visits=(*record.visits[:-1], last))


def test_only_who_is_due_is_called_the_sooner_first() -> None:
    rows = [recall("A1", "lost"), recall("A2", "not_due"), recall("A3", "due"), recall("A4", "overdue"), recall("A5", "ended")]
    assert [row[0] for row in told(practice_sheet([], rows, "2024-05-14"), "To be called")] == ["A3", "A4", "A1"]


def test_bitewings_of_this_month_and_before() -> None:
    rows = [recall("A1", "due", "2024-05-31"), recall("A2", "due", "2024-06-01"), recall("A3", "due", "2023-01-01"), recall("A4", "due")]
    assert [row[0] for row in told(practice_sheet([], rows, "2024-05-14"), "Bitewings")] == ["A3", "A1"]


def test_a_photo_is_refused_where_it_gave_nothing_at_all() -> None:
    nothing = fakes.facial_photo("2024-05-13", 6)
    refusal = Refusal("visible_metal_area", "no_reference", "no reference", "lay one beside it")
    whole = replace(nothing, file="whole.jpg", readings=(), refusals=(refusal, Refusal("photo", "soft", "too soft", "take it again")))
    partly = replace(nothing, file="partly.jpg", refusals=(refusal,))
    rows = told(practice_sheet([with_photos(whole, partly)], [], "2024-05-14"), "Photographs refused")
    assert [row[2:] for row in rows if row[1] == "2024-05-13"] == [("whole.jpg", "too soft", "take it again")]


def test_regions_that_only_the_tool_outlined_and_photos_without_marks() -> None:
    photo = fakes.facial_photo("2024-05-13", 6)
    reading = Reading.measured("visible_metal_area", Quantity(1.0, "mm2", {"x/y": 0.1}), "visible_metal@2", details={"by": "proposal"})
    proposed = replace(photo, file="proposed.jpg", readings=(reading,))
    read = replace(photo, file="read.jpg", readings=(replace(reading, details={"by": "reader"}),))
    bare = replace(photo, file="bare.jpg", annotations=None)
    sheet = practice_sheet([with_photos(proposed, read, bare)], [], "2024-05-14")
    assert [row[2:] for row in told(sheet, "Regions")] == [("proposed.jpg", "metal area")]
    assert [row[2] for row in told(sheet, "Photographs without") if row[1] == "2024-05-13"] == ["bare.jpg"]


def test_ungraded_visits_are_those_in_use() -> None:
    rows = told(practice_sheet([fakes.rich_record()], [], "2024-05-14"), "Visits without a grade")
    assert [row[1] for row in rows] == ["2019-06-11", "2019-11-12", "2020-05-19", "2021-05-10", "2022-05-16"]  # the last one is graded


def test_words_from_files_are_escaped() -> None:
    html = sheet_html(practice_sheet([], [], "2024-05-14", refused=(HOSTILE,)))
    assert HOSTILE not in html and "&lt;script&gt;" in html


@pytest.fixture
def ledger(tmp_path: Path) -> Path:
    (tmp_path / "restorations.csv").write_text(
        "code,tooth,tooth_notation,design,alloy,placed_on,bitewing_months\nM01-004,16,iso3950,onlay,gold,2019-05-06,24\n"
    )
    (tmp_path / "visits.csv").write_text("restoration,on,stage\nM01-004,2019-06-06,baseline\n")
    with api.open_ledger(str(tmp_path / "ledger.sqlite")) as ledger:
        ledger.store_folder(api.read_case_folder(tmp_path))
    return tmp_path


def test_it_stands_beside_the_index_and_is_linked_from_it(ledger: Path) -> None:
    index = api.write_reports(str(ledger / "ledger.sqlite"), ledger, ledger / "out")
    assert 'href="summary.html"' in index.read_text() and 'href="M01-004.html"' in (ledger / "out" / "summary.html").read_text()


def test_the_interval_of_bitewings_is_the_clinicians(ledger: Path) -> None:
    sheet = api.practice_summary(str(ledger / "ledger.sqlite"), date(2021, 5, 30))
    assert told(sheet, "Bitewings")[0][:2] == ("M01-004", "2021-05-06")
    assert told(sheet, "Visits without a grade")[0][:2] == ("M01-004", "2019-06-06")
