"""A hand on the marking canvas: clicks at positions of the photo, whatever the zoom."""

from __future__ import annotations

import json
import re
import urllib.parse
import urllib.request
from collections.abc import Iterable
from typing import Any

from playwright.sync_api import Page, expect
from watching import open_page

__all__ = ["Hand", "saved_marks"]


def saved_marks(address: str, file: str) -> Any:
    """The draft as the server has it."""
    with urllib.request.urlopen(f"{address}/desk/marks?file={urllib.parse.quote(file)}", timeout=10) as answer:
        return json.load(answer)


class Hand:
    """Marks one photo through the page."""

    def __init__(self, page: Page, address: str, code: str, on: str) -> None:
        self.page = page
        open_page(page, f"{address}/measure_photo?code={code}&visit={on}")
        self.desk = page.locator(".desk")
        self.canvas = page.locator(".desk .over")
        self.settle()

    def settle(self) -> None:
        """Wait until everything is saved."""
        expect(self.desk).to_have_attribute("data-state", "saved", timeout=20_000)
        expect(self.desk).to_have_attribute("data-view", re.compile(r"\d"), timeout=20_000)

    def at(self, x: float, y: float) -> Any:
        """Position on the canvas of a position on the photo."""
        scale, left, top = map(float, (self.desk.get_attribute("data-view") or "").split())
        return {"x": (x - left) * scale, "y": (y - top) * scale}

    def click(self, x: float, y: float) -> None:
        self.canvas.click(position=self.at(x, y))

    def drag(self, start: tuple[float, float], end: tuple[float, float]) -> None:
        box = self.canvas.bounding_box() or {"x": 0, "y": 0}
        (a, b) = self.at(*start), self.at(*end)
        self.page.mouse.move(box["x"] + a["x"], box["y"] + a["y"])
        self.page.mouse.down()
        self.page.mouse.move(box["x"] + b["x"], box["y"] + b["y"], steps=4)
        self.page.mouse.up()

    def take(self, role: str) -> None:
        """Choose a tool; marks of its role that are there are removed first."""
        tool = self.page.locator(f".tool[data-role={role}]")
        tool.click()
        if "being drawn" not in tool.inner_text():
            self.page.get_by_role("button", name="Remove").click()
            tool.click()

    def draw(self, role: str, points: Iterable[tuple[float, float]]) -> None:
        """Draw one mark and end it."""
        self.take(role)
        for x, y in points:
            self.click(x, y)
        self.canvas.press("Enter")
        self.settle()

    def look_near(self, x: float, y: float) -> None:
        """Zoom in there with the wheel; whoever has done so is not asked whether the marks were looked at."""
        self.canvas.hover(position=self.at(x, y))
        with self.page.expect_response("**/desk/looked*"):
            self.page.mouse.wheel(0, -600)

    def fill(self, name: str, value: str) -> None:
        """Say something of the chosen mark."""
        field = self.page.locator(f".desk [data-field={name}]")
        if field.evaluate("e => e.tagName") == "SELECT":
            field.select_option(value)
        else:
            field.fill(value)
            field.press("Enter")
        self.settle()
