"""The pages in a real browser: list and record, at two widths, without an error and without outside traffic."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect
from watching import expect_fit, open_page, watching


@pytest.fixture
def watched(page: Page, served: str) -> Iterator[Page]:
    with watching(page, served):
        yield page


def test_from_the_list_to_a_record(watched: Page, served: str) -> None:
    open_page(watched, served)
    expect(watched.get_by_role("heading", name="Recall list")).to_be_visible()
    watched.get_by_role("link", name="M01-004").click()
    expect(watched.get_by_role("heading", name="M01-004 · tooth 16 (Universal 3)")).to_be_visible(timeout=30_000)
    expect(watched.get_by_text("In place; one opening has grown")).to_be_visible()
    expect(watched.locator("[data-testid=stVegaLiteChart] canvas, [data-testid=stVegaLiteChart] svg")).to_have_count(6, timeout=30_000)
    expect_fit(watched)


def test_the_marks_can_be_taken_off_the_photographs(watched: Page, served: str) -> None:
    open_page(watched, f"{served}/tooth_record?code=M01-004")
    marks = watched.locator("img.marks").first
    expect(marks).to_be_visible(timeout=30_000)
    watched.get_by_label("Show what was marked and measured").uncheck()
    expect(marks).to_be_hidden()
    loaded = watched.locator(".photo img").evaluate_all("all => all.every(one => one.naturalWidth > 100)")
    assert loaded


def test_nothing_hangs_over_the_side_of_a_narrow_window(watched: Page, served: str) -> None:
    watched.set_viewport_size({"width": 800, "height": 1000})
    for path in ("", "tooth_record?code=M01-004", "measure_photo"):
        open_page(watched, f"{served}/{path}")
        expect(watched.locator("h1").first).to_be_visible(timeout=30_000)
        expect_fit(watched)


def test_only_the_loopback_address_is_listened_on() -> None:
    source = (Path(__file__).resolve().parents[2] / "ui" / "server.py").read_text(encoding="utf-8")
    assert 'host="127.0.0.1"' in source and "0.0.0.0" not in source
