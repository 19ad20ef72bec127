"""The report on paper, read back by another program: its words, its tags, its fonts, and nothing beyond the edge of the page."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import fakes
import pytest
from pdf_words import places_of_words
from pypdf import PdfReader

from audit.core.clinical import Visit
from audit.core.limits import DIFFERENT_METHOD
from audit.core.outcome import VisitRecord
from audit.errors import ReportError
from audit.report.cautions import CAUTIONS
from audit.report.document import Report, make_report
from audit.report.recall_pdf import recall_pdf

HOSTILE = '#eval("1") $x$ *bold* \\ #image("/etc/passwd") <label> @ref'


@pytest.fixture(scope="module")
def report() -> Report:
    return fakes.rich_report()


@pytest.fixture(scope="module", params=["a4", "letter"])
def paper(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture(scope="module")
def read(report: Report, paper: str) -> PdfReader:
    return PdfReader(io.BytesIO(recall_pdf(report, paper)))


def words(reader: PdfReader, page: int | None = None) -> str:
    pages = reader.pages if page is None else [reader.pages[page]]
    return re.sub(r"\s+", " ", " ".join(one.extract_text() for one in pages))


def tags(node: Any) -> Iterator[Any]:
    node = node.get_object()
    if isinstance(node, list):
        for kid in node:
            yield from tags(kid)
    elif hasattr(node, "get") and node.get("/S"):
        yield node
        yield from tags(node["/K"]) if "/K" in node else ()


def test_two_to_four_pages_of_the_paper_asked_for(read: PdfReader, paper: str) -> None:
    # ISO 216: A4 is 210 x 297 mm; ANSI/ASME Y14.1: Letter is 8.5 x 11 in
    size = {"a4": (595.28, 841.89), "letter": (612.0, 792.0)}[paper]
    assert 2 <= len(read.pages) <= 4
    for page in read.pages:
        assert (float(page.mediabox.width), float(page.mediabox.height)) == pytest.approx(size, abs=0.1)


def test_page_one_holds_status_findings_changes_and_what_is_due(read: PdfReader, report: Report) -> None:
    first, record = words(read, 0), report.record
    for sentence in (record.status.sentence, record.next_recall.sentence, *record.attention, *record.not_assessed):
        assert sentence in first
    for needed in ("tooth 16 (Universal 3)", "Explorer, facial catches", "Retention: firm.", "Metal height, facial 0.01 ± 0.10 mm",
                   "wider by 130 ± 46 µm", "Bitewing.", "2022-05-16, 36 months after placement",
                   "came off and was recemented"):  # fmt: skip
        assert needed in first, needed


def test_the_rest_follows_and_nothing_is_left_out(read: PdfReader, report: Report) -> None:
    text = words(read)
    for needed in (*CAUTIONS, *(check.sentence for check in report.record.plan_checks), "margin_profile@1", "McLean and von Fraunhofer",
                   DIFFERENT_METHOD, "examiner E1", "given after measurements were seen", "CSV tables"):  # fmt: skip
        assert needed in text, needed


def test_every_page_says_which_it_is(read: PdfReader) -> None:
    for number in range(len(read.pages)):
        assert f"page {number + 1} of {len(read.pages)}" in words(read, number)
        assert "M01-004 · generated on 2024-05-14 by restoration-audit" in words(read, number)


def test_it_is_archival_and_accessible(read: PdfReader) -> None:
    # identification schemas of ISO 19005-2 (PDF/A) and ISO 14289-1 (PDF/UA)
    metadata = read.trailer["/Root"]["/Metadata"].get_object().get_data().decode()
    assert re.search(r"pdfaid:part>2<", metadata) and re.search(r"pdfaid:conformance>A<", metadata)
    assert re.search(r"pdfuaid:part>1<", metadata)
    assert read.trailer["/Root"]["/MarkInfo"]["/Marked"] and read.trailer["/Root"]["/Lang"] == "en"
    assert "Recall report M01-004" in (read.metadata.title or "")


def test_every_picture_and_plot_has_words_for_who_cannot_see_it(read: PdfReader, report: Report) -> None:
    figures = [tag for tag in tags(read.trailer["/Root"]["/StructTreeRoot"]["/K"]) if tag["/S"] == "/Figure"]
    told = [str(tag.get("/Alt", "")) for tag in figures]
    assert figures and all(told)
    for tile in report.tiles:
        assert any(tile.alt in alt for alt in told)
    assert any("2024-05-13: 168 µm (135 to 201 µm)" in alt for alt in told)


def test_fonts_are_inside(read: PdfReader) -> None:
    seen = 0
    for page in read.pages:
        for font in page["/Resources"].get("/Font", {}).values():
            font = font.get_object()
            inner = font["/DescendantFonts"][0].get_object() if "/DescendantFonts" in font else font
            assert {"/FontFile", "/FontFile2", "/FontFile3"} & set(inner["/FontDescriptor"].get_object())
            seen += 1
    assert seen


def test_no_word_lies_beyond_the_margins(read: PdfReader) -> None:
    for page in read.pages:
        width, height = float(page.mediabox.width), float(page.mediabox.height)
        places = places_of_words(page)
        assert places and all(28 <= x <= width - 30 and 20 <= y <= height - 20 for x, y in places)


def test_notes_are_words_and_never_commands() -> None:
    record = fakes.rich_record()
    visits = (*record.visits[:-1], VisitRecord(Visit(fakes.CODE, "2024-05-13", "recall", "E1", HOSTILE), 60.2, (), (), (), ()))
    made = PdfReader(io.BytesIO(recall_pdf(make_report(replace(record, visits=visits)))))
    assert HOSTILE.replace(" ", "") in words(made).replace(" ", "").replace("’", "'")


@pytest.mark.parametrize("record", [fakes.ended_record(), fakes.stable_record()], ids=lambda r: r.status.word)
def test_a_short_record_fits_too(record: Any) -> None:
    made = PdfReader(io.BytesIO(recall_pdf(make_report(record))))
    assert len(made.pages) <= 2 and record.status.sentence in words(made)


def test_another_paper_is_refused(report: Report) -> None:
    with pytest.raises(ReportError, match="paper must be one of a4, letter; got 'a5'"):
        recall_pdf(report, "a5")
