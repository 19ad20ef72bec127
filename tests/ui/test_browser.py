"""The pages in a real browser: list, record, measuring, at two widths, without an error and without outside traffic."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

READY = "[data-testid=stApp][data-test-script-state=notRunning]"
# Streamlit 1.67 asks for these two below the page's own path first when a page is opened by its address, and then at the root
UPSTREAM = re.compile(r"/\w+/_stcore/(health|host-config)$")


@pytest.fixture
def watched(page: Page, served: str) -> Iterator[Page]:
    """A page that fails the test on any page error, console error, exception box or request to another host."""
    troubles: list[str] = []
    page.on("pageerror", lambda error: troubles.append(str(error)))
    page.on("console", lambda m: troubles.append(m.text) if m.type == "error" and not UPSTREAM.search(m.location["url"]) else None)
    page.on(
        "request",
        lambda r: troubles.append(r.url) if not r.url.startswith((served, served.replace("http", "ws"), "data:", "blob:")) else None,
    )
    yield page
    expect(page.locator("[data-testid=stException]")).to_have_count(0)
    assert troubles == []


def open_page(page: Page, address: str) -> None:
    page.goto(address)
    page.wait_for_selector(READY, timeout=60_000)


def expect_fit(page: Page) -> None:
    """Nothing is wider than the window once everything is drawn; a chart takes its width a moment after it appears."""
    page.wait_for_function("(m => m && m.scrollWidth <= m.clientWidth + 1)(document.querySelector('[data-testid=stMain]'))", timeout=20_000)


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


def test_a_photo_is_measured_by_upload(watched: Page, served: str, tmp_path: Path) -> None:
    photo, marks = tmp_path / "photo.jpg", tmp_path / "photo.geojson"
    photo.write_bytes(b"picture")
    marks.write_text(json.dumps({"type": "FeatureCollection", "features": []}), encoding="utf-8")
    open_page(watched, f"{served}/measure_photo")
    inputs = watched.locator("input[type=file]")
    inputs.nth(0).set_input_files(photo)
    inputs.nth(1).set_input_files(marks)
    expect(watched.get_by_text("0.43 mm (0.35 to 0.51 mm)")).to_be_visible(timeout=30_000)
    expect(watched.get_by_text("Outline the occlusal surface.")).to_be_visible()


def test_only_the_loopback_address_is_listened_on() -> None:
    source = (Path(__file__).resolve().parents[2] / "ui" / "server.py").read_text(encoding="utf-8")
    assert 'host="127.0.0.1"' in source and "0.0.0.0" not in source
