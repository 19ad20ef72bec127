"""Bringing in, findings and the chair in a real browser, on a practice of its own."""

from __future__ import annotations

import csv
import shutil
from collections.abc import Iterator
from pathlib import Path

import practice
import pytest
from playwright.sync_api import Page, expect
from watching import READY, expect_fit, open_page, watching

NEW = practice.DEMO / f"photos/{practice.CODE}/2020-05-22_facial.jpg"


@pytest.fixture
def at_work(page: Page, practice_served: tuple[str, Path]) -> Iterator[tuple[Page, str, Path]]:
    address, folder = practice_served
    with watching(page, address, expected="400"):
        yield page, address, folder


def test_photographs_are_streamed_guessed_and_entered(at_work: tuple[Page, str, Path], tmp_path: Path) -> None:
    page, address, folder = at_work
    shutil.copy(NEW, tmp_path / "2020 facial.jpg")
    (tmp_path / "notes.txt").write_text("no picture")
    open_page(page, f"{address}/bring_in")
    page.locator("input[type=file]").set_input_files([tmp_path / "2020 facial.jpg", tmp_path / "notes.txt"])
    expect(page.get_by_text("1 of 2 arrived. notes.txt: file must be an image")).to_be_visible(timeout=20_000)
    expect(page.get_by_role("heading", name="1 waiting")).to_be_visible(timeout=30_000)
    page.get_by_role("button", name="Enter 1 photographs").click()
    expect(page.get_by_text("1 photographs entered")).to_be_visible(timeout=30_000)
    with (folder / "photos.csv").open(encoding="utf-8") as table:
        assert list(csv.reader(table))[-1] == [f"photos/{practice.CODE}/2020-05-22_facial.jpg", practice.CODE, "2020-05-22", "facial"]


def test_findings_are_kept_tap_by_tap_and_the_rating_comes_before_the_measurement(at_work: tuple[Page, str, Path]) -> None:
    page, address, folder = at_work
    with (folder / "visits.csv").open("a", encoding="utf-8") as table:
        table.write(f"{practice.CODE},2021-01-11,recall,,\n")
    where = f"{address}/findings?code={practice.CODE}&visit=2021-01-11"
    open_page(page, where)
    expect(page.get_by_text("held back: rate it").first).to_be_visible(timeout=30_000)
    page.get_by_role("radiogroup", name="retention").get_by_text("firm").click()
    page.get_by_role("radiogroup", name="marginal adaptation").get_by_text("bravo").click()
    page.wait_for_selector(READY)
    expect(page.get_by_role("radiogroup", name="marginal adaptation").get_by_text("bravo")).to_be_visible()
    open_page(page, where)
    expect(page.get_by_role("radio", name="bravo", checked=True)).to_have_count(1, timeout=30_000)
    page.get_by_role("combobox", name="Examiner").click()
    page.get_by_role("combobox", name="Examiner").press_sequentially("M02")
    page.get_by_role("option", name="M02").click()
    page.get_by_role("button", name="Enter", exact=True).click()
    expect(page.get_by_text("Entered: 1 findings and 1 ratings of 2021-01-11")).to_be_visible(timeout=30_000)
    expect(page.get_by_text("Nothing measured of it at this visit.").first).to_be_visible()
    with (folder / "grades.csv").open(encoding="utf-8") as table:
        assert list(csv.DictReader(table))[-1]["seen_before"] == "no"


def test_answers_on_record_stand_on_the_form_whether_or_not_they_name_a_surface(at_work: tuple[Page, str, Path]) -> None:
    page, address, folder = at_work
    with (folder / "visits.csv").open("a", encoding="utf-8") as table:
        table.write(f"{practice.CODE},2021-02-11,recall,,\n")
    with (folder / "findings.csv").open("a", encoding="utf-8") as table:
        table.write(f"{practice.CODE},2021-02-11,,explorer,no_catch,M02\n{practice.CODE},2021-02-11,facial,uncovered_cusp,intact,M02\n")
    open_page(page, f"{address}/findings?code={practice.CODE}&visit=2021-02-11")
    expect(page.get_by_text("On record without a surface, so for all of them: explorer: no catch.")).to_be_visible(timeout=30_000)
    expect(page.get_by_role("radio", name="intact", checked=True)).to_have_count(1)


def test_a_photograph_that_arrives_at_the_chair_is_judged(at_work: tuple[Page, str, Path]) -> None:
    page, address, folder = at_work
    open_page(page, f"{address}/at_the_chair")
    (folder / "incoming").mkdir(exist_ok=True)
    shutil.copyfile(NEW, folder / "incoming" / "tethered.jpg")
    expect(page.get_by_text("✓ Usable")).to_be_visible(timeout=20_000)
    expect(page.get_by_text("A rule was found")).to_be_visible()
    (folder / "incoming" / "broken.jpg").write_bytes(NEW.read_bytes()[:20_000])
    expect(page.get_by_text("✕ Retake")).to_be_visible(timeout=20_000)


def test_no_page_hangs_over_the_side_of_a_narrow_window(at_work: tuple[Page, str, Path]) -> None:
    page, address, _ = at_work
    page.set_viewport_size({"width": 800, "height": 1000})
    for path in ("bring_in", "at_the_chair", f"findings?code={practice.CODE}", f"measure_photo?code={practice.CODE}&visit={practice.ON}"):
        open_page(page, f"{address}/{path}")
        expect(page.locator("h1").first).to_be_visible(timeout=30_000)
        expect_fit(page)
