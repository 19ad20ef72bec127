"""The portfolio, read back by another program: its parts, no date, its tags, nothing beyond the edge; and its plates."""

from __future__ import annotations

import io
import re
from typing import Any

import fakes
import pytest
from pdf_words import places_of_words
from PIL import Image
from pypdf import PdfReader

from audit.exchange.leftovers import png_leftovers
from audit.report.competencies import competency_tables
from audit.report.portfolio import PICTURES_LINE, Portfolio, plate_pictures, portfolio_pdf
from audit.report.portfolio_case import PortfolioCase, month_of, undated
from audit.report.written import CASE_SECTIONS, COVER_SECTIONS, read_written

HOSTILE = '#eval("1") $x$ \\#image("/etc/passwd") <label> @ref'
STORY = "\n".join(f"## {name}\nWords on {name.lower()}.\n" for name in CASE_SECTIONS if name != "Diagnosis") + f"\n{HOSTILE}\n"


@pytest.fixture(scope="module")
def case() -> PortfolioCase:
    report = fakes.rich_report()
    return PortfolioCase(report.record, read_written(STORY, "x", CASE_SECTIONS), report.tiles)


@pytest.fixture(scope="module")
def portfolio(case: PortfolioCase) -> Portfolio:
    cover = read_written("## Title\nGold\n## Resident\nR07\n", "x", COVER_SECTIONS)
    second = PortfolioCase(fakes.stable_record(), read_written("", "x", CASE_SECTIONS))
    return Portfolio(cover, (case, second), "teaching", "2026-11-25")


@pytest.fixture(scope="module", params=["a4", "letter"])
def read(request: pytest.FixtureRequest, portfolio: Portfolio) -> PdfReader:
    return PdfReader(io.BytesIO(portfolio_pdf(portfolio, str(request.param))))


def words(reader: PdfReader) -> str:
    return re.sub(r"\s+", " ", " ".join(page.extract_text() for page in reader.pages))


def test_every_part_is_there(read: PdfReader) -> None:
    text = words(read)
    for needed in ("CASE PORTFOLIO", "Gold", "R07", "Contents", "Competencies across cases", "M01-004 · tooth 16 (Universal 3)",
                   "M03-002 · tooth 26", *CASE_SECTIONS, *(f"Words on {name.lower()}." for name in CASE_SECTIONS if name != "Diagnosis"),
                   "Not written yet.", "Stages", "Preoperative", "Preparation", "Die", "Casting on die", "Cementation",
                   "Radiographs before and after", "Baseline and follow-up", "no photograph on record", "Measured outcomes",
                   "changed, not yet confirmed by a second photograph: 130 ± 46 µm", "Findings and grades", "catches",
                   "came off and was recemented", "Supervisor’s sign-off, M01-004", "Signature",
                   "consent for teaching is on record"):  # fmt: skip
        assert needed in text, needed
    assert PICTURES_LINE in text and "examiner's" in text.replace("’", "'")


def test_what_the_resident_writes_is_words_and_never_commands(read: PdfReader) -> None:
    assert '#eval("1")$x$' in words(read).replace(" ", "").replace("“", '"').replace("”", '"')


def test_no_date_but_that_of_the_document(read: PdfReader) -> None:
    # 45 CFR 164.514(b)(2)(i)(C): all elements of dates except year
    assert set(re.findall(r"\d{4}-\d{2}-\d{2}", words(read))) == {"2026-11-25"}


def test_it_is_archival_accessible_and_its_pictures_have_words(read: PdfReader) -> None:
    # identification schemas of ISO 19005-2 (PDF/A) and ISO 14289-1 (PDF/UA)
    metadata = read.trailer["/Root"]["/Metadata"].get_object().get_data().decode()
    assert (
        re.search(r"pdfaid:part>2<", metadata) and re.search(r"pdfaid:conformance>A<", metadata) and re.search(r"pdfuaid:part>1<", metadata)
    )

    def figures(node: Any) -> list[str]:
        node = node.get_object()
        if isinstance(node, list):
            return [alt for kid in node for alt in figures(kid)]
        if not hasattr(node, "get") or not node.get("/S"):
            return []
        own = [str(node.get("/Alt", ""))] if node["/S"] == "/Figure" else []
        return own + (figures(node["/K"]) if "/K" in node else [])

    told = figures(read.trailer["/Root"]["/StructTreeRoot"]["/K"])
    assert told and all(told) and any("Baseline, facial, month 1; scale bar 5 mm" in alt for alt in told)


def test_no_word_lies_beyond_the_margins(read: PdfReader) -> None:
    for page in read.pages:
        width, height = float(page.mediabox.width), float(page.mediabox.height)
        places = places_of_words(page)
        assert places and all(28 <= x <= width - 30 and 20 <= y <= height - 20 for x, y in places)


def test_plates_are_300_dpi_and_hold_their_pixels_and_size_alone(case: PortfolioCase) -> None:
    plates = plate_pictures(case)
    assert set(plates) == {"M01-004-follow-up.png"}  # of the other two nothing is on record: no empty pictures
    picture = Image.open(io.BytesIO(plates["M01-004-follow-up.png"]))
    assert picture.info["dpi"] == pytest.approx((300, 300), abs=0.1)
    assert png_leftovers(plates["M01-004-follow-up.png"]) == ["chunk pHYs of 9 bytes"]
    # one tile at 3 : 1 of 36 px/mm is as wide on paper as its tooth is in mm times 3
    assert picture.width / 300 * 25.4 > 3 * case.tiles[0].width_px / 36.0


def test_competencies_are_counted_from_the_records(portfolio: Portfolio) -> None:
    table = competency_tables(portfolio.cases)[0]
    cells = {name: (values, total) for group in table["groups"] for name, values, total in group["rows"]}
    assert cells["seven-eighths crown"] == (["yes", "–"], "1 of 2") and cells["onlay"] == (["–", "yes"], "1 of 2")
    assert cells["upper molar"] == (["yes", "yes"], "2 of 2") and cells["stages photographed"][0] == ["0 of 5", "0 of 5"]
    assert cells["last recall graded"][0] == ["yes", "–"] and cells["sections written"][0] == ["7 of 8", "0 of 8"]


def test_ten_cases_need_a_second_table(case: PortfolioCase) -> None:
    assert [len(table["codes"]) for table in competency_tables((case,) * 10)] == [9, 1]


@pytest.mark.parametrize(
    ("on", "told"),
    [("2019-05-06", "at placement"), ("2019-05-01", "just before placement"), ("2019-04-05", "1 month before placement"),
     ("2019-03-06", "2 months before placement"), ("2020-05-06", "month 12")],
)  # fmt: skip
def test_time_is_told_from_placement(on: str, told: str) -> None:
    assert month_of(fakes.rich_record(), on) == told
    assert undated(fakes.rich_record(), f"Lost on {on}.") == f"Lost in {told}."
