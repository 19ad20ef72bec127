"""From photo to photo in a real browser, hands counted; and what the tool proposes while a photo is being marked."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import conftest
import practice
import pytest
from hand import Hand, saved_marks
from playwright.sync_api import Locator, Page, expect
from shapely.geometry import Polygon, shape
from watching import watching

# every press of a button, finger or key that reaches the page
COUNT = "window.hands = 0; for (const kind of ['pointerdown', 'keydown']) addEventListener(kind, () => { window.hands += 1; }, true);"


@pytest.fixture(scope="module")
def served_practice(tmp_path_factory: pytest.TempPathFactory, template: Path) -> Iterator[tuple[str, Path]]:
    """A practice whose own rule is known, served for this file alone."""
    root = tmp_path_factory.mktemp("queue")
    folder = Path(shutil.copytree(template, root / "practice"))
    (folder / "instruments.csv").write_text("name,kind,size_mm,u_mm\nR7,rule,0.5,\n")
    for address in conftest.serve(f"from ui.server import main; main({str(root / 'ledger.sqlite')!r}, {str(folder)!r}, {{port}})", root):
        yield address, folder


@pytest.fixture
def at_work(page: Page, served_practice: tuple[str, Path]) -> Iterator[tuple[Page, str, Path]]:
    address, folder = served_practice
    page.add_init_script(COUNT)
    with watching(page, address, expected="status of 400"):
        yield page, address, folder


def truth(file: str, role: str) -> Polygon:
    """What the invented reader of the demo club drew."""
    features = json.loads((practice.DEMO / file).with_suffix(".geojson").read_text())["features"]
    return next(shape(one["geometry"]) for one in features if one["properties"]["role"] == role)


def pressed(page: Page, name: str) -> None:
    page.get_by_role("button", name=name, exact=True).click()


def drawn(address: str, file: str, role: str) -> list[Polygon]:
    return [Polygon(one["parts"][0], one["parts"][1:]) for one in saved_marks(address, file)["shapes"] if one["role"] == role]


def test_a_recall_photo_takes_at_most_three_hands_and_leads_on(at_work: tuple[Page, str, Path]) -> None:
    page, address, folder = at_work
    Hand(page, address, practice.CODE, "2019-05-13")
    page.evaluate("window.hands = 0")
    pressed(page, "Carry the marks over")
    expect(page.get_by_text("metal showing on the facial (projected area)")).to_be_visible(timeout=60_000)
    expect(page.get_by_text("Scale from a rule")).to_be_visible(timeout=20_000)
    expect(page.locator(".tool[data-role=margin]")).to_contain_text(f"proposed: from {practice.ON}")
    pressed(page, "Confirm")
    expect(page.get_by_text("Nobody has looked at these marks from near")).to_be_visible(timeout=30_000)
    pressed(page, "Confirm")
    expect(page.get_by_text("are in the record")).to_be_visible(timeout=30_000)
    assert 2 < page.evaluate("window.hands") <= 3
    expect(page).to_have_url(re.compile("curve.png"))
    assert (folder / practice.BARE).with_suffix(".geojson").is_file()


def test_a_first_baseline_takes_at_most_twenty_five_hands(at_work: tuple[Page, str, Path]) -> None:
    page, address, folder = at_work
    (folder / practice.FACIAL).with_suffix(".geojson").unlink()
    hand, face = Hand(page, address, practice.CODE, practice.ON), truth(practice.FACIAL, "facial_surface")
    page.evaluate("window.hands = 0")
    left, top, right, bottom = face.bounds
    page.locator(".tool[data-role=reference]").click()
    pressed(page, "Let the tool find it")
    page.locator(".tool[data-role=facial_surface]").click()
    pressed(page, "Outline it from one click")
    hand.click(left + 0.5 * (right - left), top + 0.35 * (bottom - top))
    expect(page.locator(".tool[data-role=facial_surface]")).to_contain_text("proposed", timeout=20_000)
    page.locator(".tool[data-role=metal]").click()
    pressed(page, "Let the tool find it")
    for role, points in (("margin", 6), ("gingival_margin", 4)):
        line = list(truth(practice.FACIAL, role).coords)
        page.locator(f".tool[data-role={role}]").click()
        for step in range(points):
            hand.click(*line[round(step * (len(line) - 1) / (points - 1))])
        hand.canvas.press("Enter")
    hand.settle()
    pressed(page, "Measure")
    expect(page.get_by_text("metal showing on the facial (projected area)")).to_be_visible(timeout=60_000)
    expect(page.get_by_text("margin assessed")).to_be_visible()
    pressed(page, "Confirm")
    expect(page.get_by_text("Nobody has looked")).to_be_visible(timeout=30_000)
    pressed(page, "Confirm")
    expect(page.get_by_text("are in the record")).to_be_visible(timeout=30_000)
    assert 20 < page.evaluate("window.hands") <= 25
    (outline,) = [one for one in json.loads((folder / practice.FACIAL).with_suffix(".geojson").read_text())["features"]
                  if one["properties"]["role"] == "facial_surface"]  # fmt: skip
    found = shape(outline["geometry"])
    assert found.intersection(face).area / found.union(face).area > 0.85


def test_strokes_say_what_is_metal_and_can_be_taken_back(at_work: tuple[Page, str, Path]) -> None:
    page, address, folder = at_work
    shutil.copy((practice.DEMO / practice.BARE).with_suffix(".geojson"), (folder / practice.BARE).with_suffix(".geojson"))
    hand, face = Hand(page, address, practice.CODE, "2019-05-13"), truth(practice.BARE, "facial_surface")
    page.locator(".tool[data-role=metal]").click()
    left, top, right, bottom = face.bounds
    pressed(page, "Stroke: this is not metal")
    across = [(left + share * (right - left), top + 0.62 * (bottom - top)) for share in (0.1, 0.3)]
    hand.drag(*across)
    expect(page.locator(".tool[data-role=metal]")).to_contain_text("marked", timeout=20_000)
    hand.settle()
    middle = shape({"type": "LineString", "coordinates": across})
    assert sum(one.intersection(middle).length for one in drawn(address, practice.BARE, "metal")) < 0.1 * middle.length
    pressed(page, "Stroke: this is metal")
    hand.drag(*across)
    expect(hand.desk).to_have_attribute("data-asking", "", timeout=20_000)
    hand.settle()
    assert sum(one.intersection(middle).length for one in drawn(address, practice.BARE, "metal")) > 0.9 * middle.length
    pressed(page, "Undo the last change")
    hand.settle()
    assert sum(one.intersection(middle).length for one in drawn(address, practice.BARE, "metal")) < 0.1 * middle.length


def test_a_click_where_no_tooth_is_says_so_over_the_photo(at_work: tuple[Page, str, Path]) -> None:
    page, address, _ = at_work
    hand = Hand(page, address, practice.CODE, practice.ON)
    left, _, right, bottom = truth(practice.FACIAL, "facial_surface").bounds
    hand.take("facial_surface")
    pressed(page, "Outline it from one click")
    hand.click((left + right) / 2, bottom + 25)
    expect(page.locator(".notice")).to_contain_text("nearly black", timeout=20_000)


def test_the_photo_fits_again_in_another_window_and_the_baseline_is_wiped_across(at_work: tuple[Page, str, Path]) -> None:
    page, address, folder = at_work
    for file in (practice.FACIAL, practice.BARE):
        shutil.copy((practice.DEMO / file).with_suffix(".geojson"), (folder / file).with_suffix(".geojson"))
    hand = Hand(page, address, practice.CODE, "2019-05-13")
    before = hand.desk.get_attribute("data-view")
    page.set_viewport_size({"width": 800, "height": 900})
    expect(hand.desk).not_to_have_attribute("data-view", before or "", timeout=20_000)
    scale, left, _ = map(float, (hand.desk.get_attribute("data-view") or "").split())
    box = hand.canvas.bounding_box() or {"width": 0.0}
    assert left < 0 and left + box["width"] / scale > 0.98 * 1100  # all of it is in view
    photo = page.locator(".desk .photo")
    plain = seen(photo)
    pressed(page, "Wipe the baseline photo across this one")
    page.get_by_label("Where the wipe stands").wait_for(timeout=20_000)
    expect(page.locator(".desk .before")).not_to_have_attribute("aria-busy", "true", timeout=20_000)
    wiped = seen(photo)
    assert wiped["left"] != plain["left"] and wiped["right"] == plain["right"]
    pressed(page, "Wipe the baseline photo across this one")
    assert seen(photo) == plain


def seen(photo: Locator) -> dict[str, str]:
    """What the canvas shows left and right of its middle."""
    return photo.evaluate("""async (c) => { await new Promise(requestAnimationFrame); await new Promise(requestAnimationFrame);
        const g = c.getContext('2d'), half = (x) => Array.from(g.getImageData(x, c.height / 2, c.width * 0.4, 4).data).join();
        return { left: half(c.width * 0.08), right: half(c.width * 0.52) }; }""")  # type: ignore[no-any-return]
