"""The ledger keeps everything, changes nothing, and gives back exactly what it was given."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from invented import CODE, RESTORATION, document, entry, fill, folder, sha
from invented_strategies import folders
from server import Server

from audit.core.clinical import CaseFolder, Event, Finding, PhotoEntry, Plan, Visit
from audit.core.dates import months_between
from audit.core.outcome import PhotoRecord, VisitRecord
from audit.core.records import Document
from audit.core.tooth import Tooth
from audit.errors import LedgerError
from audit.ledger.store import Ledger, open_ledger


def test_the_same_folder_twice_changes_nothing(ledger: Ledger) -> None:
    fill(ledger)
    before, history = ledger.counts(), ledger.history(CODE)
    fill(ledger)
    assert ledger.counts() == before and ledger.history(CODE) == history
    assert before["readings"] == 6 and before["audits"] == 2 and before["refused_files"] == 1 and before["findings"] == 1


def as_record(entry_file: str, view: str, d: Document, marks: dict | None) -> PhotoRecord:
    p = d.photo
    return PhotoRecord(
        p.sha256,
        entry_file,
        view,
        p.captured_on,
        p.date_certainty,
        p.modality,
        d.calibration,
        d.readings,
        d.segments,
        d.refusals,
        marks,
        p.flags,
        p.width_px,
        p.height_px,
    )


@settings(max_examples=20)
@given(folders())
def test_a_round_trip_is_identity(tmp_path_factory: pytest.TempPathFactory, case: tuple) -> None:
    check_round_trip(str(tmp_path_factory.mktemp("ledger") / "l.sqlite"), *case)


@settings(max_examples=4)
@given(folders())
def test_a_round_trip_is_identity_on_postgresql(server: Server, case: tuple) -> None:
    check_round_trip(server.new(), *case)


def check_round_trip(url: str, given_folder: CaseFolder, shown: list[tuple[PhotoEntry, Document]]) -> None:
    marks = {"features": [{"n": 0.1}]}
    with open_ledger(url) as ledger:
        ledger.store_folder(given_folder)
        for shown_entry, one in shown:
            ledger.store_document(shown_entry, one, marks, "hash")
    with open_ledger(url) as again:
        assert again.restoration(CODE) == given_folder.restorations[0]
        history = again.history(CODE)
    placed = given_folder.restorations[0].placed_on
    expected = [
        VisitRecord(
            visit, months_between(placed, visit.on), tuple(f for f in given_folder.findings if f.on == visit.on),
            tuple(g for g in given_folder.grades if g.on == visit.on),
            tuple(as_record(e.file, e.view, d, marks) for e, d in shown if e.on == visit.on), (),
        )
        for visit in sorted(given_folder.visits, key=lambda v: v.on)
    ]  # fmt: skip
    assert [replace(record, events=()) for record in history] == expected
    told = [event for record in history for event in record.events]
    assert sorted(told, key=str) == sorted(given_folder.events, key=str)


def test_a_corrected_row_supersedes_and_the_earlier_stays(ledger: Ledger) -> None:
    first = Finding(CODE, "2020-03-01", "explorer", "no_catch", "mesial", "E1")
    corrected = replace(first, value="enters")
    for value in (first, corrected, first, corrected, corrected):
        ledger.store_folder(folder(findings=(value,)))
        assert ledger.history(CODE)[0].findings == (value,)
    assert ledger.counts()["findings"] == 4


def test_a_corrected_restoration_plan_and_interval_are_the_latest(ledger: Ledger) -> None:
    ledger.store_folder(replace(folder(), recall_months={CODE: 12}))
    changed = replace(RESTORATION, plan=Plan((0.3, 0.5), True), placed_on="2020-01-16")
    ledger.store_folder(CaseFolder((changed,), recall_months={CODE: 6}))
    assert ledger.restoration(CODE) == changed and ledger.recall_months(CODE) == 6
    assert ledger.history(CODE)[0].months == months_between("2020-01-16", "2020-03-01")


def test_two_rows_of_one_key_in_a_folder_do_not_grow_with_every_run(ledger: Ledger) -> None:
    twice = tuple(Visit(CODE, "2020-03-01", "baseline", note=note) for note in ("a", "b"))
    for _ in range(3):
        ledger.store_folder(folder(visits=twice))
    assert ledger.counts()["visits"] == 1 and ledger.history(CODE)[0].visit.note == "b"


def test_an_audit_is_known_by_image_marks_visit_and_view(ledger: Ledger) -> None:
    fill(ledger)
    assert ledger.has_audit(entry(1), sha(1), "marks-1")
    assert not ledger.has_audit(entry(1), sha(1), "other marks") and not ledger.has_audit(entry(1), sha(9), "marks-1")
    assert not ledger.has_audit(entry(1, on="2021-01-20"), sha(1), "marks-1") and not ledger.has_audit(entry(3), sha(3), "marks-1")
    ledger.store_document(entry(1, on="2021-01-20"), document(1), None, "marks-1")
    assert ledger.has_audit(entry(1, on="2021-01-20"), sha(1), "marks-1")
    assert ledger.counts()["audits"] == 2, "a moved photo is not measured again"
    assert [len(record.photos) for record in ledger.history(CODE)] == [1, 2]


def test_new_marks_supersede_the_reading_and_keep_it(ledger: Ledger) -> None:
    fill(ledger)
    ledger.store_document(entry(1), document(1, measurands=1), None, "marks-2")
    photo = ledger.history(CODE)[0].photos[0]
    assert len(photo.readings) == 1 and ledger.counts()["readings"] == 7


def test_a_photo_entered_for_another_tooth_leaves_the_first(ledger: Ledger) -> None:
    fill(ledger)
    other = replace(RESTORATION, code="M01-002")
    ledger.store_folder(CaseFolder((other,)))
    ledger.store_document(entry(1, code="M01-002"), document(1), None, "marks-1")
    assert [p.file for p in ledger.history(CODE)[0].photos] == ["photos/3.jpg"]
    assert [p.file for p in ledger.history("M01-002")[0].photos] == ["photos/1.jpg"]
    assert not ledger.has_audit(entry(1), sha(1), "marks-1")
    ledger.store_document(entry(1), document(1), None, "marks-1")
    assert ledger.history("M01-002") == () and len(ledger.history(CODE)[0].photos) == 2


def test_a_refused_file_is_shown_with_its_reason_until_it_can_be_read(ledger: Ledger) -> None:
    fill(ledger)
    refused = ledger.history(CODE)[0].photos[1]
    assert refused.readings == () and refused.refusals[0].code == "ImageError" and "truncated" in refused.refusals[0].reason
    ledger.store_document(entry(3), document(3), None, "marks-0")
    assert ledger.history(CODE)[0].photos[1].sha256 == sha(3)
    assert ledger.counts()["refused_files"] == 1, "kept and counted"


def test_events_keep_to_their_visits_and_none_is_lost(ledger: Ledger) -> None:
    on = ("2019-01-01", "2020-03-01", "2020-06-01", "2021-01-20", "2022-05-05")
    ledger.store_folder(folder(events=tuple(Event(CODE, day, "refinished") for day in on)))
    assert [[e.on for e in record.events] for record in ledger.history(CODE)] == [["2019-01-01", "2020-03-01"], list(on[2:])]
    ledger.store_folder(CaseFolder((replace(RESTORATION, code="M01-003"),), events=(Event("M01-003", "2020-06-01", "lost"),)))
    (only,) = ledger.history("M01-003")
    assert only.events and only.visit.note == "not in the table of visits"


def test_an_unknown_restoration_is_refused(ledger: Ledger) -> None:
    with pytest.raises(LedgerError, match="got 'M09-001'"):
        ledger.restoration("M09-001")
    with pytest.raises(LedgerError, match="table of restorations"):
        ledger.store_document(entry(1, code="M09-001"), document(), None, "x")
    with pytest.raises(LedgerError, match="table of restorations"):
        ledger.store_folder(CaseFolder((), visits=(Visit("M09-001", "2020-01-01", "recall"),)))
    assert ledger.codes() == ()


def test_refused_rows_are_kept_and_counted_once(ledger: Ledger) -> None:
    for _ in range(2):
        ledger.store_folder(replace(folder(), refused_rows=("findings.csv 3: no such finding.", "findings.csv 3: no such finding.")))
    assert ledger.counts()["refused_rows"] == 1


def test_what_a_folder_says_of_a_day_is_all_there_is_to_say_of_it(ledger: Ledger) -> None:
    fill(ledger)
    moved = Finding(CODE, "2020-03-01", "explorer", "enters", "distal", "E1")
    ledger.store_folder(folder(findings=(moved,), events=(Event(CODE, "2020-06-01", "refinished"),), photos=(entry(1), entry(3))))
    first, second = ledger.history(CODE)
    assert first.findings == (moved,), "the surface was corrected: the wrong one no longer counts"
    assert [event.kind for event in second.events] == ["refinished"]
    assert [p.file for p in first.photos] == ["photos/1.jpg", "photos/3.jpg"] and second.photos == ()
    assert ledger.counts()["findings"] == 3, "the wrong row, the right row, and that the wrong one was withdrawn"
    later = CaseFolder((RESTORATION,), visits=(Visit(CODE, "2022-01-20", "recall", "E1"),))
    ledger.store_folder(later)
    assert ledger.history(CODE)[:2] == (first, replace(second, events=second.events)), "days that are not mentioned stay"
    ledger.store_folder(folder(photos=(entry(1), entry(2, on="2021-01-20"), entry(3))))
    assert ledger.history(CODE)[0].findings[0].surface == "mesial", "and a row may come back"


def test_two_stages_of_one_day_are_both_kept(ledger: Ledger) -> None:
    day = tuple(Visit(CODE, "2020-01-15", stage) for stage in ("placement", "casting"))
    ledger.store_folder(folder(visits=day, findings=(Finding(CODE, "2020-01-15", "retention", "firm"),)))
    assert [(r.visit.stage, len(r.findings)) for r in ledger.history(CODE)][:2] == [("casting", 0), ("placement", 1)]


def test_an_event_under_a_wrong_date_is_withdrawn_by_a_folder_that_lists_every_visit(ledger: Ledger) -> None:
    wrong, right = Event(CODE, "2022-01-10", "repaired"), Event(CODE, "2023-01-10", "refinished")
    ledger.store_folder(folder(events=(wrong,)))
    ledger.store_folder(folder(events=(right,)))
    assert [event for record in ledger.history(CODE) for event in record.events] == [right]


def test_a_tooth_that_becomes_another_one_with_its_notation_is_refused(ledger: Ledger) -> None:
    """16 is an upper right first molar in ISO 3950 and an upper left third molar, 28, in the universal notation (ADA)."""
    ledger.store_folder(folder())
    other = replace(RESTORATION, tooth=Tooth.parse("16", "universal"), tooth_notation="universal")
    with pytest.raises(LedgerError, match=r"got 28 \(ISO 3950\) from universal, recorded was 16 from iso3950"):
        ledger.store_folder(replace(folder(), restorations=(other,)))
    assert ledger.restoration(CODE).tooth.iso3950 == "16"
    same = replace(RESTORATION, tooth=Tooth.parse("3", "universal"), tooth_notation="universal")
    ledger.store_folder(replace(folder(), restorations=(same,)))
    assert ledger.restoration(CODE).tooth_notation == "universal", "the same tooth written otherwise is a correction"
