"""What a resident writes: every word is kept or refused, none is a command."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.errors import ReportError
from audit.report.written import CASE_SECTIONS, read_written, template


def read(text: str) -> object:
    return read_written(text, "M01-004.md", CASE_SECTIONS)


def test_a_fresh_template_says_nothing() -> None:
    assert read_written(template("M01-004", CASE_SECTIONS), "x", CASE_SECTIONS).missing == tuple(CASE_SECTIONS)


def test_blocks_keep_their_kind_and_style() -> None:
    # CommonMark 0.31.2: sections 5.2 list items, 6.2 emphasis
    blocks = read_written("## History\nA **b** *c* `d`\n\n- e\n- f\n\n1. g\n\n> h\n", "x", CASE_SECTIONS).blocks["History"]
    assert [block["kind"] for block in blocks] == ["paragraph", "bullet_list", "ordered_list", "quote"]
    assert [run for run in blocks[0]["runs"] if run[1]] == [["b", "strong"], ["c", "em"], ["d", "code"]]
    assert len(blocks[1]["items"]) == 2


def test_pictures_pages_and_links_are_words() -> None:
    words = read_written("## History\n![x](/etc/passwd) <script>a</script> [b](https://c)\n", "x", CASE_SECTIONS).words["History"]
    assert "/etc/passwd" in words and "<script>" in words and "(https://c)" in words


@pytest.mark.parametrize(
    ("text", "got"),
    [("A word\n## History\n", "A word"), ("## Histroy\n", "Histroy"), ("## History\n## history\n", "history"), ("### Mine\nword", "Mine")],
)
def test_what_would_be_lost_is_refused(text: str, got: str) -> None:
    with pytest.raises(ReportError, match=got):
        read(text)


@given(st.text(alphabet=st.characters(codec="utf-8", categories=("L", "N", "P", "S", "Zs")), max_size=60))
def test_no_letter_is_lost(text: str) -> None:
    if "<!--" in text:
        return
    said = read_written(f"## History\nA{text}\n", "x", CASE_SECTIONS).words["History"]
    assert [c for c in said if c.isalnum()] == [c for c in f"A{text}" if c.isalnum()]
