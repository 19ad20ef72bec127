"""What every browser test holds against a page: no page error, no console error, no exception box, no other host."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager

from playwright.sync_api import Page, expect

READY = "[data-testid=stApp][data-test-script-state=notRunning]"
# Streamlit 1.67 asks for these two below the page's own path first when a page is opened by its address, and then at the root
UPSTREAM = re.compile(r"/\w+/_stcore/(health|host-config)$")


@contextmanager
def watching(page: Page, address: str, *, expected: str = "^$") -> Iterator[Page]:
    """A page that fails the test on any trouble but console errors that match `expected`."""
    troubles: list[str] = []
    own = (address, address.replace("http", "ws"), "data:", "blob:")
    page.on("pageerror", lambda error: troubles.append(str(error)))
    page.on("console", lambda m: troubles.append(m.text) if m.type == "error" and not _known(m.text, m.location["url"], expected) else None)
    page.on("request", lambda r: troubles.append(r.url) if not r.url.startswith(own) else None)
    yield page
    expect(page.locator("[data-testid=stException]")).to_have_count(0)
    assert troubles == []


def _known(text: str, url: str, expected: str) -> bool:
    return bool(UPSTREAM.search(url) or re.search(expected, text))


def open_page(page: Page, address: str) -> None:
    """Go there and wait until the script has run."""
    page.goto(address)
    page.wait_for_selector(READY, timeout=60_000)


def expect_fit(page: Page) -> None:
    """Nothing is wider than the window once everything is drawn; a chart takes its width a moment after it appears."""
    page.wait_for_function("(m => m && m.scrollWidth <= m.clientWidth + 1)(document.querySelector('[data-testid=stMain]'))", timeout=20_000)
