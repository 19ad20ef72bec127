"""The practice folder: good tables become records, each bad row one line with its place, the rest goes on."""

from __future__ import annotations

from datetime import date

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from audit.core.clinical import DEFAULT_SEVEN_EIGHTHS_PLAN, CaseFolder, Plan
from audit.errors import RecordError
from audit.folder import TABLES, read_folder, unlisted_images

TODAY = date(2026, 11, 24)
GOOD = {
    "restorations.csv": (
        "code,tooth,tooth_notation,design,alloy,placed_on,operator,recall_months,"
        "plan_bevel_low_mm,plan_bevel_high_mm,plan_supragingival,plan_extent_mm,plan_source\n"
        "M01-004,16,iso3950,seven_eighths,gold,2020-03-02,M01,12,,,,,\n"
        "M01-019,46,iso3950,onlay,gold,2020-03-02,M01,,,,,,\n"
        "M02-001,3,universal,seven_eighths,white,2021-05-10,M02,,0.4,0.6,yes,4.5,our protocol\n"
        "M02-002,36,iso3950,seven_eighths,gold,2021-05-10,M02,,,,,,\n"
    ),
    "known_lengths.csv": "restoration,name,length_mm,u_mm\nM01-004,mesiodistal,10.42,0.03\n",
    "instruments.csv": "name,kind,size_mm,u_mm\nR7,rule,0.5,\nP1,probe,3 6 9,0.05\n",
    "visits.csv": (
        "restoration,on,stage,examiner,note\n"
        'M01-004,2020-02-10,preparation,M01,"bevel cut, then polished"\n'
        "M01-004,2020-03-02,placement,M01,\n"
        "M01-004,2020-04-01,baseline,M03,\n"
    ),
    "findings.csv": (
        "restoration,on,surface,finding,value,examiner\n"
        "M01-004,2020-04-01,mesial,explorer,no_catch,M03\n"
        "M01-004,2020-04-01,facial,probing_depth_mm,2.5,M03\n"
        "M01-004,2020-04-01,,pulp_test,not_examined,M03\n"
    ),
    "grades.csv": "restoration,on,system,criterion,grade,examiner,seen_before\nM01-004,2020-04-01,ryge,marginal_adaptation,alfa,M03,no\n",
    "events.csv": "restoration,on,kind,note\nM01-019,2023-06-01,recemented,\n",
    "photos.csv": "file,restoration,on,view\nphotos/a.jpg,M01-004,2020-04-01,facial\n",
}


@pytest.fixture
def folder(tmp_path):
    for name, text in GOOD.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "a.jpg").write_bytes(b"x")
    return tmp_path


def test_good_folder(folder):
    case = read_folder(folder, TODAY)
    assert case.refused_rows == ()
    assert [len(t) for t in (case.restorations, case.visits, case.findings, case.grades, case.events, case.photos)] == [4, 3, 3, 1, 1, 1]
    first, _, third, lower = case.restorations
    assert first.tooth.iso3950 == third.tooth.iso3950 == "16", "Universal 3 is ISO 3950 16"
    assert first.plan == DEFAULT_SEVEN_EIGHTHS_PLAN
    assert third.plan == Plan((0.4, 0.6), True, 4.5, "our protocol")
    assert lower.plan == case.restorations[1].plan == Plan(), "no customary plan for a lower molar or another design"
    assert [(k.name, k.length_mm, k.u_mm) for k in first.known_lengths] == [("mesiodistal", 10.42, 0.03)]
    assert case.grades[0].seen_before is False
    assert case.recall_months == {"M01-004": 12}
    assert case.visits[0].note == "bevel cut, then polished"


def test_a_premolar_gets_no_customary_plan(folder):
    rows = GOOD["restorations.csv"].replace("M01-004,16,", "M01-004,15,")
    (folder / "restorations.csv").write_text(rows)
    assert read_folder(folder, TODAY).restorations[0].plan == Plan()


def test_semicolons_byte_order_mark_and_empty_lines(folder):
    text = GOOD["findings.csv"].replace(",", ";").replace("\n", "\r\n") + "\r\n;;;;;\r\n"
    (folder / "findings.csv").write_bytes(b"\xef\xbb\xbf" + text.encode())
    case = read_folder(folder, TODAY)
    assert (len(case.findings), case.refused_rows) == (3, ())


BAD_ROWS = [
    ("restorations.csv", "M01-005,16,,onlay,gold,2020-03-02", "tooth_notation must be one of"),
    ("restorations.csv", "M01-005,16,fdi,onlay,gold,2020-03-02", "tooth_notation must be one of"),
    ("restorations.csv", "M01-005,19,iso3950,onlay,gold,2020-03-02", "designation of iso3950"),
    ("restorations.csv", "M01-005,,iso3950,onlay,gold,2020-03-02", "tooth must be given"),
    ("restorations.csv", "Anna Muster,16,iso3950,onlay,gold,2020-03-02", "a name never goes in here"),
    ("restorations.csv", ",16,iso3950,onlay,gold,2020-03-02", "code must be given"),
    ("restorations.csv", "M01-005,16,iso3950,veneer,gold,2020-03-02", "design must be one of"),
    ("restorations.csv", "M01-005,16,iso3950,onlay,bronze,2020-03-02", "alloy must be one of"),
    ("restorations.csv", "M01-005,16,iso3950,onlay,gold,", "placed_on must be given"),
    ("restorations.csv", "M01-005,16,iso3950,onlay,gold,2026-11-25", "must not lie after today"),
    ("restorations.csv", "M01-005,16,iso3950,onlay,gold,02.03.2020", "year-month-day"),
    ("restorations.csv", "M01-005,16,iso3950,onlay,gold,2020-02-30", "year-month-day"),
    ("restorations.csv", "M01-005,16,iso3950,onlay,gold,0020-02-03", "must not lie before 1950"),
    ("restorations.csv", "M01-004,26,iso3950,onlay,gold,2020-03-02", "what row 2 says"),
    ("restorations.csv", "M01-005,16,iso3950,onlay,gold,2020-03-02,,99", "recall_months must be a number from 1 to 60"),
    ("restorations.csv", "M01-005,16,iso3950,onlay,gold,2020-03-02,,,0.6,0.4", "low not above high"),
    ("restorations.csv", "M01-005,16,iso3950,onlay,gold,2020-03-02,,,0.6", "given together"),
    ("restorations.csv", "M01-005,16,iso3950,onlay,gold,2020-03-02,,,,,maybe", "plan_supragingival must be one of yes, no"),
    ("known_lengths.csv", "M01-004,buccal,nan,0.03", "length_mm must be a number"),
    ("known_lengths.csv", "M01-004,buccal,,0.03", "both be given"),
    ("known_lengths.csv", "M01-004,buccal,10,2", "at most a tenth"),
    ("known_lengths.csv", "M09-004,buccal,10,0.05", "a code of restorations.csv"),
    ("visits.csv", "M01-004,2021-04-01,holiday", "stage must be one of"),
    ("visits.csv", "M01-004,2019-04-01,recall", "before the placement on 2020-03-02"),
    ("visits.csv", "M01-004,2027-04-01,recall", "must not lie after today"),
    ("visits.csv", "M01-004,2020-04-01,baseline", "what row 4 says"),
    ("findings.csv", "M01-004,2020-04-01,buccal,explorer,no_catch", "surface must be one of"),
    ("findings.csv", "M01-004,2020-04-01,mesial,explorer,catch", "value must be one of no_catch"),
    ("findings.csv", "M01-004,2020-04-01,mesial,shine,good", "finding must be one of"),
    ("findings.csv", "M01-004,2020-04-01,distal,probing_depth_mm,2.5 mm", "number from 0 to 20"),
    ("findings.csv", "M01-004,2020-04-01,distal,probing_depth_mm,", "value must be given"),
    ("findings.csv", "M01-004,2020-04-01,distal,probing_depth_mm,-1", "number from 0 to 20"),
    ("findings.csv", "M01-004,2020-04-02,mesial,explorer,no_catch", "the date of a visit of M01-004"),
    ("findings.csv", "M01-004,2020-04-01,mesial,explorer,enters,M03", "what row 2 says"),
    ("findings.csv", "M01-004,2020-04-01,mesial,plaque,no,M03,more", "row must have 6 cells"),
    ("grades.csv", "M01-004,2020-04-01,ryge,colour_match,alfa,M03,no", "criterion must be one of"),
    ("grades.csv", "M01-004,2020-04-01,ryge,caries,charlie,M03,no", "grade must be one of alfa, bravo"),
    ("grades.csv", "M01-004,2020-04-01,own,caries,alfa,M03,no", "system must be one of ryge"),
    ("grades.csv", "M01-004,2020-04-01,ryge,caries,alfa,M03,", "seen_before must be yes or no"),
    ("events.csv", "M01-019,2023-06-01,polished", "kind must be one of"),
    ("events.csv", "M01-019,2019-06-01,replaced", "before the placement"),
    ("photos.csv", "photos/none.jpg,M01-004,2020-04-01,facial", "an image file in the folder"),
    ("photos.csv", "../outside.jpg,M01-004,2020-04-01,facial", "a path inside the folder"),
    ("photos.csv", "/etc/passwd,M01-004,2020-04-01,facial", "a path inside the folder"),
    ("photos.csv", "C:\\a.jpg,M01-004,2020-04-01,facial", "a path inside the folder"),
    ("photos.csv", "photos/a.jpg,M01-004,2020-04-01,lingual", "what row 2 says"),
    ("photos.csv", "photos/b.jpg,M01-004,2020-04-01,selfie", "view must be one of"),
]  # fmt: skip


@pytest.mark.parametrize(("table", "row", "said"), BAD_ROWS)
def test_a_bad_row_is_one_line_and_the_rest_goes_on(folder, table, row, said):
    (folder / "photos" / "b.jpg").write_bytes(b"x")
    (folder / table).write_text(GOOD[table] + row + "\n", encoding="utf-8")
    case = read_folder(folder, TODAY)
    assert len(case.refused_rows) == 1
    line = case.refused_rows[0]
    number = GOOD[table].count("\n") + 1
    assert line.startswith(f"{table} row {number}: ")
    assert said in line and "must" in line and "; got " in line and "Hint: " in line and "\n" not in line
    good = read_folder_lengths(case)
    assert good == read_folder_lengths_of_good()


def read_folder_lengths(case: CaseFolder) -> list[int]:
    return [len(t) for t in (case.restorations, case.visits, case.findings, case.grades, case.events, case.photos)]


def read_folder_lengths_of_good() -> list[int]:
    names = ("restorations.csv", "visits.csv", "findings.csv", "grades.csv", "events.csv", "photos.csv")
    return [GOOD[name].count("\n") - 1 for name in names]


def test_a_link_out_of_the_folder_is_refused(folder, tmp_path_factory):
    outside = tmp_path_factory.mktemp("outside") / "b.jpg"
    outside.write_bytes(b"x")
    (folder / "photos" / "b.jpg").symlink_to(outside)
    (folder / "photos.csv").write_text(GOOD["photos.csv"] + "photos/b.jpg,M01-004,2020-04-01,facial\n")
    assert len(read_folder(folder, TODAY).refused_rows) == 1


def test_rows_of_a_refused_restoration_are_refused_with_it(folder):
    (folder / "restorations.csv").write_text(GOOD["restorations.csv"].replace("M01-004,16,iso3950", "M01-004,16,"))
    case = read_folder(folder, TODAY)
    assert len(case.restorations) == 3
    assert not case.visits and not case.findings and not case.photos
    assert len(case.refused_rows) == 1 + 1 + 3 + 3 + 1 + 1


def test_rows_of_a_refused_visit_say_which_row_to_mend_first(folder):
    lines = GOOD["visits.csv"].splitlines()
    number = next(i for i, line in enumerate(lines, 1) if line.startswith("M01-004,2020-04-01"))
    lines[number - 1] = lines[number - 1].replace("2020-04-01", "01.04.2020")
    (folder / "visits.csv").write_text("\n".join(lines) + "\n")
    case = read_folder(folder, TODAY)
    assert case.refused_rows[0].startswith(f"visits.csv row {number}: on must be a date")
    orphans = [line for line in case.refused_rows if line.startswith(("findings", "photos", "grades"))]
    assert orphans and all(f"Mend visits.csv row {number} first" in line for line in orphans)
    assert case.refused_of["M01-004"] == case.refused_rows


def test_a_word_that_others_use_is_answered_with_ours(folder):
    (folder / "findings.csv").write_text("restoration,on,finding,value,surface\nM01-004,2020-04-01,explorer,no_catch,buccal\n")
    (line,) = read_folder(folder, TODAY).refused_rows
    assert line.endswith("Hint: Use facial for buccal.")


def test_unreadable_side_tables_are_refused_whole(folder):
    (folder / "findings.csv").write_bytes(b"restoration,on,finding,value\nM01-004,2020-04-01,explorer,\xe4\n")
    (folder / "grades.csv").write_text("restoration,on\nM01-004,2020-04-01\n")
    (folder / "events.csv").write_text("")
    case = read_folder(folder, TODAY)
    assert [line.split(":")[0] for line in case.refused_rows] == ["events.csv", "findings.csv", "grades.csv"]
    assert all("Hint: " in line for line in case.refused_rows)
    assert len(case.photos) == 1


def test_an_unknown_column_is_named(folder):
    (folder / "visits.csv").write_text(GOOD["visits.csv"].replace("examiner", "examinor", 1))
    case = read_folder(folder, TODAY)
    assert len(case.visits) == 3 and "'examinor'" in case.refused_rows[0]


@pytest.mark.parametrize("text", [None, "", "code,tooth\nM01-004,16\n", "\xff", GOOD["restorations.csv"].split("\n")[0] + "\n",
                                  GOOD["restorations.csv"].split("\n")[0] + "\nM01-004,16,,onlay,gold,2020-03-02\n"])  # fmt: skip
def test_a_folder_without_usable_restorations_is_an_error(folder, text):
    if text is None:
        (folder / "restorations.csv").unlink()
    else:
        (folder / "restorations.csv").write_bytes(text.encode("latin-1"))
    with pytest.raises(RecordError, match=r"must.*got.*Hint"):
        read_folder(folder, TODAY)


def test_fdi_scores_are_grades_of_their_own_criteria(folder):
    head = "restoration,on,system,criterion,grade,examiner,seen_before\n"
    rows = "M01-004,2020-04-01,fdi,surface_lustre,2,M03,no\nM01-004,2020-04-01,fdi,surface_lustre,6,M04,no\n"
    (folder / "grades.csv").write_text(head + rows + "M01-004,2020-04-01,ryge,surface_lustre,2,M03,no\n", encoding="utf-8")
    case = read_folder(folder, TODAY)
    assert [(one.system, one.criterion, one.grade) for one in case.grades] == [("fdi", "surface_lustre", "2")]
    assert ["grade must be one of 1, 2, 3, 4, 5" in case.refused_rows[0], "criterion must be" in case.refused_rows[1]] == [True, True]


def test_no_folder_is_an_error(tmp_path):
    with pytest.raises(RecordError, match="must be a directory"):
        read_folder(tmp_path / "none", TODAY)


def test_unlisted_images_are_named(folder):
    for name in ("photos/b.PNG", "c.dcm", "notes.txt", ".hidden.jpg", "photos/.thumbs"):
        (folder / name).write_bytes(b"x")
    assert unlisted_images(folder, read_folder(folder, TODAY)) == ("c.dcm", "photos/b.PNG")


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_garbled_tables_never_end_in_a_traceback(folder, data):
    table = data.draw(st.sampled_from(list(TABLES)))
    text = list(GOOD[table].encode())
    for _ in range(data.draw(st.integers(1, 6))):
        at = data.draw(st.integers(0, len(text) - 1))
        text[at : at + 1] = list(data.draw(st.sampled_from([b'"', b",", b"\n", b"\0", b"\xff", b"..", b"9", b"", "ä".encode(), b'""'])))
    (folder / table).write_bytes(bytes(text))
    try:
        case = read_folder(folder, TODAY)
    except RecordError as error:
        assert table == "restorations.csv" and error.hint
    else:
        assert all("Hint: " in line for line in case.refused_rows)
    finally:
        (folder / table).write_text(GOOD[table], encoding="utf-8")


def test_a_baseline_stands_once_until_an_intervention(folder):
    with (folder / "visits.csv").open("a") as table:
        table.write("M01-004,2021-04-01,baseline,M03,\nM01-019,2020-02-01,baseline,M03,\n")
    case = read_folder(folder, TODAY)
    second, early = sorted(case.refused_rows)
    assert second.startswith("visits.csv row 5: stage must be baseline once, as on 2020-04-01, until an intervention; got 'baseline on")
    assert "not lie before the placement on 2020-03-02; got '2020-02-01'" in early, "a baseline before placement"
    assert [visit.on for visit in case.visits if visit.stage == "baseline"] == ["2020-04-01"]
    with (folder / "events.csv").open("a") as table:
        table.write("M01-004,2021-02-01,recemented,\n")
    assert [v.on for v in read_folder(folder, TODAY).visits if v.stage == "baseline"] == ["2020-04-01", "2021-04-01"]


def test_of_two_baselines_the_earlier_stays_whatever_the_order_of_the_rows(folder):
    with (folder / "visits.csv").open("a") as table:
        table.write("M01-004,2020-03-20,baseline,M03,\n")
    case = read_folder(folder, TODAY)
    assert [visit.on for visit in case.visits if visit.stage == "baseline"] == ["2020-03-20"]
    assert "visits.csv row 4: stage must be baseline once, as on 2020-03-20" in case.refused_rows[0]
    assert all("Mend visits.csv row 4 first" in line for line in case.refused_rows[1:]) and len(case.refused_rows) == 6
