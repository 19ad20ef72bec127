"""The marking canvas by mouse and by keyboard in a real browser, on photos of the demo club."""

from __future__ import annotations

import itertools
import json
import math
import re
from collections.abc import Iterator
from pathlib import Path

import practice
import pytest
from hand import Hand, saved_marks
from playwright.sync_api import BrowserContext, Page, expect
from watching import open_page, watching

from audit.api.shapes import shapes_of


@pytest.fixture
def at_work(page: Page, practice_served: tuple[str, Path]) -> Iterator[tuple[Page, str, Path]]:
    address, folder = practice_served
    with watching(page, address):
        yield page, address, folder


def marked(role: str) -> list[tuple[float, float]]:
    """A mark of the invented reader of the demo club on the facial photo."""
    data = json.loads((practice.DEMO / practice.FACIAL).with_suffix(".geojson").read_text(encoding="utf-8"))
    return [tuple(point) for point in next(s for s in shapes_of(data) if s["role"] == role)["parts"][0]]


def test_a_photo_is_marked_measured_confirmed_and_stands_in_the_record(at_work: tuple[Page, str, Path]) -> None:
    page, address, folder = at_work
    hand = Hand(page, address, practice.CODE, practice.ON)
    hand.draw("reference", marked("reference"))
    for name, value in (("tick_mm", "0,5"), ("offset_mm", "1"), ("u_offset_mm", "0.5")):
        hand.fill(name, value)
    expect(page.get_by_text("Scale from a rule")).to_be_visible(timeout=20_000)
    hand.draw("facial_surface", marked("facial_surface")[::10])
    hand.take("metal")
    page.get_by_role("button", name="Let the tool find it").click()
    hand.draw("margin", marked("margin")[::4])
    hand.fill("surface", "facial")
    page.get_by_role("button", name="Measure", exact=True).click()
    expect(page.get_by_text("margin assessed")).to_be_visible(timeout=60_000)
    expect(page.get_by_text("Proposed.")).to_be_visible()
    hand.look_near(*marked("margin")[8])
    page.get_by_role("button", name="Confirm", exact=True).click()
    expect(page.get_by_text("are in the record")).to_be_visible(timeout=30_000)
    beside = (folder / practice.FACIAL).with_suffix(".geojson")
    assert beside.with_name(beside.name + ".1").is_file()
    assert [f["properties"]["role"] for f in json.loads(beside.read_text())["features"]][-1] == "margin"
    open_page(page, f"{address}/tooth_record?code={practice.CODE}")
    expect(page.get_by_text("All readings (", exact=False)).to_be_visible(timeout=60_000)


def test_loading_again_in_mid_trace_loses_nothing(at_work: tuple[Page, str, Path]) -> None:
    page, address, _ = at_work
    hand = Hand(page, address, practice.CODE, "2019-05-13")
    hand.take("margin")
    for x, y in ((300, 300), (350, 320), (400, 310)):
        hand.click(x, y)
    hand.settle()
    page.reload()
    hand.settle()
    expect(page.locator(".tool.open[data-role=margin]")).to_be_visible(timeout=20_000)
    hand.click(450, 330)
    hand.canvas.press("Enter")
    hand.settle()
    (shape,) = saved_marks(address, practice.BARE)["shapes"]
    expected = [(300, 300), (350, 320), (400, 310), (450, 330)]
    assert all(math.dist(a, b) < 1.5 for a, b in zip(shape["parts"][0], expected, strict=True))


def test_points_are_moved_nudged_deleted_and_everything_can_be_taken_back(at_work: tuple[Page, str, Path]) -> None:
    page, address, _ = at_work
    hand = Hand(page, address, practice.CODE, "2019-05-13")
    hand.draw("gingival_margin", [(200, 200), (300, 210), (400, 200)])

    def line() -> list[list[float]]:
        hand.settle()
        shapes = saved_marks(address, practice.BARE)["shapes"]
        return next(([list(p) for p in s["parts"][0]] for s in shapes if s["role"] == "gingival_margin"), [])

    start = line()
    hand.drag((300, 210), (320, 260))
    assert math.dist(line()[1], (320, 260)) < 1.5
    moved = line()
    hand.canvas.press("ArrowRight")
    hand.canvas.press("Shift+ArrowDown")
    page.wait_for_timeout(300)  # arrows are saved when the hand rests
    assert line()[1] == pytest.approx([moved[1][0] + 1, moved[1][1] + 10])
    hand.canvas.press("Delete")
    assert len(line()) == 2
    for _ in range(4):
        hand.canvas.press("Control+z")
    assert line() == start
    for _ in range(4):
        hand.canvas.press("Control+y")
    assert len(line()) == 2


def test_the_keyboard_alone_draws_a_line(at_work: tuple[Page, str, Path]) -> None:
    page, address, _ = at_work
    hand = Hand(page, address, practice.CODE, "2019-05-13")
    page.locator(".tool[data-role=reference]").press("Enter")
    if page.get_by_role("button", name="Remove").count() and not page.locator(".tool.open").count():
        page.get_by_role("button", name="Remove").press("Enter")
        page.locator(".tool[data-role=reference]").press("Enter")
    hand.canvas.press("ArrowRight")
    hand.canvas.press("Space")
    for _ in range(6):
        hand.canvas.press("Shift+ArrowRight")
    hand.canvas.press("Space")
    hand.canvas.press("Enter")
    hand.settle()
    shape = next(s for s in saved_marks(address, practice.BARE)["shapes"] if s["role"] == "reference")
    (x0, y0), (x1, y1) = shape["parts"][0]
    assert x1 - x0 > 100 and abs(y1 - y0) < 1e-6


def test_the_length_of_a_traced_curve_is_right(at_work: tuple[Page, str, Path]) -> None:
    page, address, _ = at_work
    hand = Hand(page, address, practice.CODE, "2018-11-26")
    page.get_by_label("How a new stretch runs").select_option("dark_line")
    hand.take("margin")
    for step in range(9):
        before = int(hand.desk.get_attribute("data-points") or 0)
        hand.click(*practice.on_curve(step / 8))
        if step:  # the stretch has been laid along the line
            expect(hand.desk).not_to_have_attribute("data-points", re.compile(f"^({before}|{before + 1})$"), timeout=20_000)
    hand.canvas.press("Enter")
    hand.settle()
    points = saved_marks(address, practice.CURVE)["shapes"][0]["parts"][0]
    length = sum(math.dist(a, b) for a, b in itertools.pairwise(points))
    assert abs(length / practice.HALF_CIRCLE_PX - 1) < 0.005


def test_of_two_windows_the_later_is_told_and_chooses(context: BrowserContext, practice_served: tuple[str, Path]) -> None:
    address, _ = practice_served
    one, two = context.new_page(), context.new_page()
    with watching(one, address), watching(two, address, expected="409"):
        first, second = (Hand(page, address, practice.CODE, "2019-05-13") for page in (one, two))
        first.draw("facial_surface", [(100, 100), (200, 100), (150, 200)])
        second.take("margin")
        expect(second.desk).to_have_attribute("data-state", "conflict")
        expect(two.get_by_text("changed in another window")).to_be_visible()
        two.get_by_role("button", name="Take the other window's marks").click()
        second.settle()
        roles = [shape["role"] for shape in saved_marks(address, practice.BARE)["shapes"]]
        assert "facial_surface" in roles
        second.draw("margin", [(300, 300), (400, 300)])
        assert "margin" in [shape["role"] for shape in saved_marks(address, practice.BARE)["shapes"]]
