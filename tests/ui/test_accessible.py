"""Every page against the rules of axe-core, in light and dark: nothing serious but what is named here and lies outside this project."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import axe_playwright_python
import practice
import pytest
from playwright.sync_api import Browser, Page, expect
from watching import open_page

from audit import api

AXE = (Path(axe_playwright_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
UPSTREAM = {
    "svg-img-alt": "Vega gives each group of points of a chart a role without a name; the chart itself carries its words",
    "empty-table-header": "Streamlit's table editor has a nameless column for choosing rows",
    "target-size": "parts of Streamlit's date field are small",
    "presentation-role-conflict": "Streamlit's file chooser",
}
OF_VISIT = f"code={practice.CODE}&visit={practice.ON}"
PAGES = (
    "",
    "at_the_chair",
    "bring_in",
    f"findings?{OF_VISIT}",
    f"measure_photo?{OF_VISIT}",
    f"tooth_record?{OF_VISIT}",
    f"settings?{OF_VISIT}",
)


OWN_COLOURS = ("", f"findings?{OF_VISIT}", f"measure_photo?{OF_VISIT}", f"tooth_record?{OF_VISIT}")


@pytest.fixture(scope="module")
def address(practice_served: tuple[str, Path]) -> str:
    """The practice with one photo in its record."""
    where, folder = practice_served
    desk = api.Desk(str(folder.parent / "ledger.sqlite"), folder)
    api.confirm_marks(desk, practice.FACIAL, api.measure_draft(desk, practice.FACIAL))
    return where


@pytest.fixture(scope="module")
def pages(browser: Browser) -> Iterator[dict[str, Page]]:
    """A page in each theme."""
    contexts = {one: browser.new_context(viewport={"width": 1400, "height": 1000}, color_scheme=one) for one in ("light", "dark")}
    yield {name: context.new_page() for name, context in contexts.items()}
    for context in contexts.values():
        context.close()


@pytest.mark.parametrize(("theme", "where"), [*(("light", one) for one in PAGES), *(("dark", one) for one in OWN_COLOURS)])
def test_a_page_has_no_serious_finding(pages: dict[str, Page], address: str, theme: str, where: str) -> None:
    page = pages[theme]
    open_page(page, f"{address}/{where}")
    expect(page.locator("h1").first).to_be_visible(timeout=30_000)
    if where.startswith("measure_photo"):
        page.locator(".tool").first.click()
        expect(page.locator(".fields h2")).to_be_visible()
    expect(page.locator("[data-testid=stException]")).to_have_count(0)
    page.evaluate(AXE)
    found = page.evaluate("axe.run(document, { resultTypes: ['violations'] })")["violations"]
    grave = [one for one in found if one["impact"] in ("serious", "critical") and one["id"] not in UPSTREAM]
    assert [(one["id"], one["nodes"][0]["html"][:200]) for one in grave] == []
