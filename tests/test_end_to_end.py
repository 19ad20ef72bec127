"""A practice folder in, ledger and reports out: with real image files, twice, and with damage in it."""

from __future__ import annotations

import csv
import json
import shutil
from pathlib import Path

import pandas as pd
import pytest
from streamlit.testing.v1 import AppTest

from audit import api, batch

DEMO = Path(__file__).resolve().parent.parent / "demo_photos"
CODES = ("M01-011", "M03-010")
REFUSED_FINDING = "M01-011,2018-06-11,,explorer,sharp,M02\n"


@pytest.fixture(scope="module")
def practice(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two restorations of the demo club, one photo truncated, one unknown tooth notation, one photo that no table names."""
    folder = tmp_path_factory.mktemp("practice")
    for table in DEMO.glob("*.csv"):
        with table.open(newline="", encoding="utf-8") as source:
            rows = list(csv.DictReader(source))
        key = "code" if table.name == "restorations.csv" else "restoration"
        kept = [row for row in rows if row[key] in CODES]
        if table.name == "photos.csv":
            kept = [row for row in kept if row["view"] in ("facial", "bitewing")]
            for row in kept:
                (folder / row["file"]).parent.mkdir(parents=True, exist_ok=True)
                for path in (DEMO / row["file"]).parent.glob(f"{Path(row['file']).stem}.*"):
                    shutil.copy(path, folder / Path(row["file"]).parent)
        if table.name == "restorations.csv":
            kept.append({**rows[0], "code": "M09-001", "tooth": "16", "tooth_notation": ""})
        with (folder / table.name).open("w", newline="", encoding="utf-8") as target:
            writer = csv.DictWriter(target, rows[0].keys())
            writer.writeheader()
            writer.writerows(kept)
    with (folder / "findings.csv").open("a", encoding="utf-8") as table:
        table.write(REFUSED_FINDING)
    mixed_up = next(iter(sorted(folder.rglob("*_bitewing.geojson"))))
    mixed_up.write_text(json.dumps({**json.loads(mixed_up.read_text()), "tooth": "48", "tooth_notation": "iso3950"}))
    first = next(iter(sorted(folder.rglob("*_facial.jpg"))))
    shutil.copy(first, folder / "loose.jpg")
    first.write_bytes(first.read_bytes()[:20_000])
    return folder


@pytest.fixture(scope="module")
def audited(practice: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str, batch.AuditSummary]:
    out = tmp_path_factory.mktemp("out")
    url = str(out / "ledger.sqlite")
    summary = batch.audit_folder(practice, url, workers=1)
    api.write_reports(url, practice, out, refused_files=summary.refused_files)
    return out, url, summary


def test_the_rest_of_the_folder_goes_on_and_the_refused_are_counted(audited: tuple[Path, str, batch.AuditSummary]) -> None:
    out, _, summary = audited
    assert len(summary.refused_files) == 2 and all("Hint: " in line for line in summary.refused_files)
    assert any("tooth of the marks must be that of the tables" in line and "got 48" in line for line in summary.refused_files)
    assert len(summary.refused_rows) == 2 and "tooth_notation" in summary.refused_rows[0]
    assert summary.unlisted == ("loose.jpg",)
    assert summary.measured == summary.listed - 2 > 10
    index = (out / "index.html").read_text(encoding="utf-8")
    assert all(code in index for code in CODES) and "tooth_notation" in index


def test_a_refused_finding_is_told_on_the_report_of_its_own_tooth(audited: tuple[Path, str, batch.AuditSummary]) -> None:
    out, _, _ = audited
    told = {code: "findings.csv row" in (out / f"{code}.html").read_text(encoding="utf-8") for code in CODES}
    assert told == {code: code == CODES[0] for code in CODES}
    assert "1 row of the tables about this restoration was refused" in (out / f"{CODES[0]}.html").read_text(encoding="utf-8")


def test_the_same_folder_again_changes_nothing(practice: Path, audited: tuple[Path, str, batch.AuditSummary]) -> None:
    _, url, first = audited
    with api.open_ledger(url) as ledger:
        before = ledger.counts()
    again = batch.audit_folder(practice, url, workers=1)
    with api.open_ledger(url) as ledger:
        assert ledger.counts() == before
    assert again.measured == 0 and again.known == first.measured


def test_the_story_of_a_receding_gingiva_is_told_and_nothing_else(audited: tuple[Path, str, batch.AuditSummary]) -> None:
    _, url, _ = audited
    record = api.tooth_record(url, "M01-011")
    verdicts = {change.measurand: change.verdict for change in record.changes if change.view == "facial"}
    assert verdicts["margin_to_gingiva"] == "changed"
    # a receding gingiva uncovers tooth, so the share of metal falls while the metal stays as it is
    assert {name for name, verdict in verdicts.items() if verdict == "changed"} <= {"margin_to_gingiva", "visible_metal_fraction"}
    assert verdicts["visible_metal_area"] == "no_change_distinguishable"


def test_what_cannot_be_measured_is_refused_with_its_reason(audited: tuple[Path, str, batch.AuditSummary]) -> None:
    _, url, _ = audited
    record = api.tooth_record(url, "M03-010")
    codes = {r.code for visit in record.visits for photo in visit.photos for r in photo.refusals}
    assert {"no_reference", "mixed_light_path"} <= codes


def test_the_tables_beside_the_reports_are_tidy(audited: tuple[Path, str, batch.AuditSummary]) -> None:
    out, _, _ = audited
    readings = pd.read_csv(out / "readings.csv")
    assert {"restoration", "view", "measurand", "on", "value", "u", "low", "high", "status", "unit"} <= set(readings.columns)
    measured = readings[readings["status"] == "measured"]
    assert (measured["u"] > 0).all() and readings[readings["status"] != "measured"]["value"].isna().all()


@pytest.mark.parametrize("prefix", ["", "sqlite:///"])
def test_the_pages_show_the_audited_ledger(
    practice: Path, audited: tuple[Path, str, batch.AuditSummary], prefix: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("RESTORATION_AUDIT_LEDGER", prefix + audited[1])
    monkeypatch.setenv("RESTORATION_AUDIT_FOLDER", str(practice))
    page = AppTest.from_file(str(DEMO.parent / "ui" / "main.py"), default_timeout=120)
    page.query_params["code"] = "M01-011"
    page.run()
    assert not page.exception and any("M01-011" in str(part.proto) for part in page.main)
    page.switch_page("views/tooth_record.py").run()
    assert not page.exception and page.selectbox[0].value == "M01-011"


def test_metal_of_a_tooth_that_is_small_in_the_photo_is_left_to_the_reader() -> None:
    photo = DEMO / "photos" / "M01-004" / "2018-06-11_smile_front.jpg"
    refusals = {r.measurand: r for r in api.measure_photo(photo, photo.with_suffix(".geojson")).refusals}
    assert refusals["visible_metal_fraction"].code == "metal_undecided" and "200 px wide" in refusals["visible_metal_fraction"].reason


def test_one_file_under_two_names_is_told(tmp_path: Path) -> None:
    for name in ("restorations.csv", "visits.csv"):
        shutil.copy(DEMO / name, tmp_path / name)
    rows = [
        "file,restoration,on,view",
        "a.jpg,M01-011,2019-05-06,facial",
        "b.jpg,M01-011,2019-09-26,facial",
        "c.jpg,M01-011,2020-04-06,facial",
    ]
    (tmp_path / "photos.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    for name, content in (("a.jpg", b"one"), ("b.jpg", b"one"), ("c.jpg", b"two")):
        (tmp_path / name).write_bytes(content)
    summary = batch.audit_folder(tmp_path, str(tmp_path / "ledger.sqlite"), workers=1)
    assert summary.repeated == ("b.jpg is the same file as a.jpg",)
