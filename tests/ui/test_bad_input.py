"""What goes wrong outside is told where it is seen, and nothing is lost: connection, address, files."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from pathlib import Path

import practice
import pytest
from hand import Hand, saved_marks
from playwright.sync_api import Page, expect
from watching import open_page, watching


@pytest.fixture
def at_work(page: Page, practice_served: tuple[str, Path]) -> Iterator[tuple[Page, str, Path]]:
    address, folder = practice_served
    with watching(page, address, expected="ERR_INTERNET_DISCONNECTED|ERR_FAILED|status of 400"):
        yield page, address, folder


def test_a_connection_lost_in_mid_trace_is_told_and_the_trace_arrives_later(at_work: tuple[Page, str, Path]) -> None:
    page, address, _ = at_work
    hand = Hand(page, address, practice.CODE, "2019-05-13")
    hand.take("gingival_margin")
    hand.click(300, 300)
    hand.settle()
    page.route("**/desk/marks*", lambda route: route.abort())
    hand.click(400, 320)
    expect(hand.desk).to_have_attribute("data-state", "lost", timeout=20_000)
    expect(page.locator(".notice")).to_contain_text("Your marks are kept in this browser")
    hand.click(500, 310)
    page.unroute("**/desk/marks*")
    hand.settle()
    shape = next(one for one in saved_marks(address, practice.BARE)["shapes"] if one["role"] == "gingival_margin")
    assert len(shape["parts"][0]) == 3
    page.get_by_role("button", name="Remove").click()
    hand.settle()


@pytest.mark.parametrize(
    ("where", "said"),
    [
        ("measure_photo?code=M99-999", "a restoration that is not here"),
        (f"measure_photo?code={practice.CODE}&visit=1999-01-01", "a visit that is not here; this is the latest"),
        (f"measure_photo?code={practice.CODE}&visit={practice.ON}&photo=none.jpg", "a photo that is not here; this is the first"),
        ("findings?code=M99-999", "a restoration that is not here"),
        ("settings?code=..%2F..", "a restoration that is not here"),
    ],
)
def test_an_address_of_nothing_is_told(at_work: tuple[Page, str, Path], where: str, said: str) -> None:
    page, address, _ = at_work
    open_page(page, f"{address}/{where}")
    expect(page.get_by_text(said)).to_be_visible(timeout=30_000)


def test_files_that_are_no_photographs_are_refused_in_their_row(at_work: tuple[Page, str, Path], tmp_path: Path) -> None:
    page, address, folder = at_work
    (tmp_path / "broken.jpg").write_bytes((practice.DEMO / practice.FACIAL).read_bytes()[:20_000])
    (tmp_path / "vast.png").write_bytes(png_header(20_000, 15_000))
    open_page(page, f"{address}/bring_in")
    page.locator("input[type=file]").set_input_files([tmp_path / "broken.jpg", tmp_path / "vast.png"])
    expect(page.get_by_text("2 of 2 arrived")).to_be_visible(timeout=20_000)
    told = page.get_by_role("alert").filter(has_text="cannot be used")
    expect(told).to_contain_text("JPEG must be complete", timeout=30_000)
    expect(told).to_contain_text("at most 120 megapixels")
    for name in ("broken.jpg", "vast.png"):
        (folder / "incoming" / name).unlink()


def png_header(width: int, height: int) -> bytes:
    """A PNG that promises more pixels than anybody should decode."""
    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    chunk = b"IHDR" + head
    return b"\x89PNG\r\n\x1a\n" + struct.pack(">I", len(head)) + chunk + struct.pack(">I", zlib.crc32(chunk)) + b"\0" * 64
