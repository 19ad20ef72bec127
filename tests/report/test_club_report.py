"""The club's report from merged bundles: counted by hand on a small club, said first what was seen, and nobody ranked."""

from __future__ import annotations

import io
import re
from datetime import date
from pathlib import Path

import pytest
from pypdf import PdfReader

from audit import api
from audit.core.clinical import Event, Finding, Grade, Restoration, Visit
from audit.core.outcome import NextRecall, PhotoRecord, Status, ToothRecord, VisitRecord
from audit.core.records import Refusal
from audit.core.tooth import Tooth
from audit.exchange.club_bundle import bundle_files, write_bundle
from audit.exchange.club_records import club_records, years_since_placement
from audit.exchange.club_store import accept_sender, merged_tables
from audit.exchange.club_tables import club_rows
from audit.exchange.keys import club_keys, fingerprint
from audit.report.sheet import Sheet, sheet_html

TODAY = date(2024, 5, 6)
PHOTO = PhotoRecord(
    "a" * 64, "x.jpg", "facial", None, "unknown", "photo", None, (), (), (Refusal("visible_metal_area", "no_reference", "", ""),), None
)


def record(code: str, tooth: str, design: str, years: int, event: tuple[int, str] | None = None, second: str = "alfa") -> ToothRecord:
    """A restoration placed on 2016-05-06 and seen each year on the same day, rated by two examiners."""
    days = [f"{2016 + year}-05-06" for year in range(years + 1)]
    visits = []
    for number, on in enumerate(days):
        grades = (
            tuple(Grade(code, on, "ryge", "marginal_adaptation", grade, who) for grade, who in (("alfa", "E1"), (second, "E2")))
            if number
            else ()
        )
        events = (Event(code, on, event[1]),) if event is not None and event[0] == number else ()
        visits.append(
            VisitRecord(
                Visit(code, on, "recall" if number else "baseline", "E1"),
                12.0 * number,
                (Finding(code, on, "retention", "firm", "", "E1"),),
                grades,
                (PHOTO,) if number == 1 else (),
                events,
            )
        )
    restoration = Restoration(code, Tooth.parse(tooth, "iso3950"), "iso3950", design, "gold", days[0])
    return ToothRecord(
        restoration,
        tuple(visits),
        tuple(e for v in visits for e in v.events),
        Status("in_place", ""),
        days[0],
        (),
        (),
        (),
        (),
        NextRecall(None, ""),
    )


@pytest.fixture(scope="module")
def club(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("club")
    members = {
        "a": [
            record("M01-001", "16", "onlay", 8),
            record("M01-002", "15", "inlay", 3),
            record("M01-003-26", "26", "onlay", 8, (4, "recemented")),
        ],
        "b": [record("M02-001", "46", "onlay", 8, (5, "extracted"), "bravo"), record("M02-001-36", "36", "onlay", 7)],
    }
    for name, records in members.items():
        keys = club_keys(folder / name, "north")
        rows = club_rows(records, keys, today=TODAY)
        (folder / f"{name}.zip").write_bytes(write_bundle(bundle_files(rows, (), keys, 1, notes=False)))
        accept_sender(folder / "north", fingerprint(keys.public))
    api.merge_bundles(folder / "north", [folder / "a.zip", folder / "b.zip"])
    return folder / "north"


@pytest.fixture(scope="module")
def sheet(club: Path) -> Sheet:
    return api.club_report(club)


def rows(sheet: Sheet, title: str, table: int = 0) -> list[tuple[str, ...]]:
    return list(next(s for s in sheet.sections if s.title == title).tables[table].rows)


def test_attendance_comes_first_and_counts(sheet: Sheet) -> None:
    assert sheet.sections[0].title == "Attendance and completeness"
    first, second, both = rows(sheet, "Attendance and completeness")
    small, large = sorted((first, second), key=lambda row: row[1])
    # by hand: of the member with 3 restorations one, 8 years old, was last seen after 3
    assert large[1:8] == ("3", "3 (100 %)", "3 (100 %)", "3", "1", "19", "19 (100 %)")
    assert small[1:7] == ("2", "2 (100 %)", "2 (100 %)", "1", "0", "15")
    assert both[:2] == ("all", "5")


def test_curve_and_table_agree_on_who_was_not_seen(sheet: Sheet) -> None:
    survival = next(s for s in sheet.sections if s.title.startswith("Survival"))
    assert any("of 4 still in place 1 were not seen" in note for note in survival.notes)
    assert rows(sheet, "Attendance and completeness")[-1][4:6] == ("4", "1")


def test_members_stand_in_the_order_of_their_codes(sheet: Sheet) -> None:
    for title in ("Attendance and completeness", "Case mix", "Members beside one another", "Refused measurements"):
        names = [row[0] for row in rows(sheet, title) if row[0] != "all"]
        assert len(names) == 2 and names == sorted(names), title
    assert not re.search(r"\b(best|worst|rank \d|first place)\b", sheet_html(sheet))


def test_survival_is_the_product_that_hand_reckoning_gives(sheet: Sheet) -> None:
    # one of the 4 followed into the fifth year is lost on its last day: Kaplan & Meier 1958, 1 - 1/4
    told = {(row[0], row[1]): row[2:4] for row in rows(sheet, "Survival: until the restoration is lost")}
    assert told["all", "3"] == ("5", "100 %") and told["all", "5"] == ("3", "75 %")
    success = {(row[0], row[1]): row[3] for row in rows(sheet, "Success: until something had to be done")}
    assert success["all", "5"] == "50 %"  # 3/4 at four years, then 2/3 of those


def test_refused_intervals_say_why(sheet: Sheet) -> None:
    section = next(s for s in sheet.sections if s.title.startswith("Survival"))
    assert all(row[4].startswith("refused: got") for row in section.tables[0].rows) and any("20 patients" in note for note in section.notes)


def test_events_refusals_and_agreement_are_counted(sheet: Sheet) -> None:
    assert {row[1] for row in rows(sheet, "Complications", 1)} == {"came off and was recemented 1", "tooth extracted 1"}
    assert sorted(row[1:] for row in rows(sheet, "Refused measurements")) == [
        ("0", "2", "100 %", "no reference 2"),
        ("0", "3", "100 %", "no reference 3"),
    ]
    system, criterion, pairs, equal, _ = rows(sheet, "Agreement")[0]
    assert (system, criterion, pairs, equal) == ("ryge", "marginal adaptation", "34", "76 %")  # 26 of 34 visits rated alike


def test_two_teeth_of_a_patient_are_one_patient_in_the_club_too(club: Path) -> None:
    codes = [restoration.code for restoration, _ in club_records(merged_tables(club))]
    assert len({code.rpartition("-")[0] for code in codes}) == 4 and len(set(codes)) == 5


def test_years_since_placement_are_whole_and_no_date_leaves(club: Path) -> None:
    assert set(years_since_placement(merged_tables(club)).values()) == {8.0 - 0.5 / 12.0}
    assert not re.search(r"20[12]\d-\d\d", "".join(p.read_text() for p in (club / "merged").glob("*.csv")))


def test_page_and_paper_say_the_same(sheet: Sheet, club: Path, tmp_path: Path) -> None:
    html, pdf = api.write_club_report(club, tmp_path, "letter")
    read = PdfReader(io.BytesIO(pdf.read_bytes()))
    text = re.sub(r"\s+", " ", " ".join(page.extract_text() for page in read.pages))
    for section in sheet.sections:
        assert section.title in text and section.title in html.read_text()
        for line in section.sentences:
            assert line.replace("'", "’") in text.replace("'", "’")
    metadata = read.trailer["/Root"]["/Metadata"].get_object().get_data().decode()
    assert re.search(r"pdfaid:part>2<", metadata) and re.search(r"pdfuaid:part>1<", metadata)
    assert float(read.pages[0].mediabox.width) == pytest.approx(612.0, abs=0.1)


def test_a_club_where_nobody_was_followed_still_has_its_counts(tmp_path: Path) -> None:
    keys = club_keys(tmp_path / "keys", "north")
    data = write_bundle(bundle_files(club_rows([record("M01-001", "16", "onlay", 0)], keys), (), keys, 1, notes=False))
    (tmp_path / "a.zip").write_bytes(data)
    accept_sender(tmp_path / "north", fingerprint(keys.public))
    api.merge_bundles(tmp_path / "north", [tmp_path / "a.zip"])
    section = next(s for s in api.club_report(tmp_path / "north").sections if s.title == "Survival and success")
    assert "must hold a restoration that was followed" in section.sentences[0]
