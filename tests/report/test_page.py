"""The report page: every sentence of the record is there, escaped, in one file that fetches nothing."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from html.parser import HTMLParser

import fakes
import pytest

from audit.core.clinical import Event, Visit
from audit.core.limits import DIFFERENT_METHOD
from audit.core.outcome import Status, ToothRecord, VisitRecord
from audit.core.records import Refusal
from audit.report.cautions import CAUTIONS
from audit.report.document import Report, index_row, make_report
from audit.report.render import document_fragment, fragments, index_html, list_fragment, tooth_html

HOSTILE = "<script>alert('x')</script>\"><img src=x onerror=alert(1)>&{{ 7*7 }}"
VOID = {"meta", "img", "input", "br", "line", "path", "circle", "rect", "hr", "link"}


@pytest.fixture(scope="module")
def report() -> Report:
    return fakes.rich_report()


@pytest.fixture(scope="module")
def html(report: Report) -> str:
    return tooth_html(report)


class Reader(HTMLParser):
    """Text, addresses and ids of a page; fails where a tag is closed that was not opened."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.text: list[str] = []
        self.open: list[str] = []
        self.addresses: list[str] = []
        self.ids: list[str] = []
        self.images_without_alt = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        names = dict(attrs)
        self.addresses += [str(value) for name, value in attrs if name in ("src", "href", "xlink:href", "action", "data")]
        self.ids += [str(names["id"])] if "id" in names else []
        self.images_without_alt += tag == "img" and "alt" not in names
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        if tag not in VOID:
            assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def read(html: str) -> Reader:
    reader = Reader()
    reader.feed(html)
    assert not reader.open
    return reader


def words(html: str) -> str:
    return re.sub(r"\s+", " ", " ".join(read(html).text))


def sentences(record: ToothRecord) -> Iterator[str]:
    yield record.status.sentence
    yield record.next_recall.sentence
    yield from record.attention
    yield from record.not_assessed
    yield from (change.sentence for change in record.changes)
    yield from (check.sentence for check in record.plan_checks)
    yield from (check.source for check in record.plan_checks)
    for visit in record.visits:
        for photo in visit.photos:
            for refusal in photo.refusals:
                yield refusal.reason
                yield refusal.hint
            yield from (reading.method for reading in photo.readings)


def test_every_sentence_of_the_record_is_on_the_page(html: str) -> None:
    shown = words(html)
    for sentence in sentences(fakes.rich_record()):
        assert sentence in shown


@pytest.mark.parametrize("record", [fakes.ended_record(), fakes.stable_record()], ids=lambda r: r.status.word)
def test_every_sentence_of_a_short_record_is_on_the_page(record: ToothRecord) -> None:
    shown = words(tooth_html(make_report(record)))
    for sentence in sentences(record):
        assert sentence in shown


def test_page_one_comes_before_the_charts_and_holds_the_digest(report: Report, html: str) -> None:
    first = words(html.split('<h2 class="page-break">')[0] + "</body></html>")
    record = report.record
    for sentence in (record.status.sentence, record.next_recall.sentence, *record.attention, *record.not_assessed):
        assert sentence in first
    for change in record.changes:
        assert (change.sentence in first) == (change.verdict == "changed")
        assert change.brief in first
    assert "No change distinguishable from measurement error, since 2019-06-11:" in first
    assert "Metal height, facial 0.01 ± 0.10 mm" in first
    assert "from the measurement budget it is a lower limit" in first
    assert "2024-11-13" in first
    assert "Explorer, facial catches" in first
    assert "Retention: firm." in first
    assert "Not examined: pulp test" in first


def test_the_tooth_bears_both_numbers_and_no_name(html: str) -> None:
    # ISO 3950 to Universal, permanent quadrant 1: 9 - t, so 16 is 3
    assert "M01-004 · tooth 16 (Universal 3)" in words(html)


def test_all_cautions_are_there(html: str) -> None:
    for caution in CAUTIONS:
        assert caution in words(html)


def test_cautions_say_what_the_house_rules_ask() -> None:
    text = " ".join(CAUTIONS)
    for needed in (
        "licensed clinician", "not a diagnostic device", "consent and radiation", "No radiograph is taken for this tool's sake",
        "projection",
        "lower bound", "radiopaque luting agent or a lap joint hides it", "burn-out fakes one", "could not be seen is named",
    ):  # fmt: skip
        assert needed in text


def test_nothing_is_fetched_from_anywhere(html: str) -> None:
    index = index_html([index_row(fakes.rich_record(), "M01-004.html")], {}, [])
    for one in (html, index):
        assert "http" not in re.sub(r"base64,[\w+/=]+", "", one)
        assert "@import" not in one and "<script" not in one and "<iframe" not in one
    outside = [one for one in read(html).addresses if not one.startswith("data:image/")]
    assert outside == []
    assert [one for one in read(index).addresses if not one.startswith("data:image/")] == ["M01-004.html"]


def test_ids_are_unique_and_images_described(html: str) -> None:
    reader = read(html)
    assert len(reader.ids) == len(set(reader.ids))
    assert reader.images_without_alt == 0


def test_hostile_text_stays_text() -> None:
    record = fakes.rich_record()
    visit = record.visits[-1]
    photo = replace(visit.photos[0], refusals=(Refusal("visible_metal_height", HOSTILE, HOSTILE, HOSTILE),))
    hostile_visit = VisitRecord(
        Visit(HOSTILE, visit.visit.on, HOSTILE, HOSTILE, HOSTILE), visit.months,
        tuple(replace(f, value=HOSTILE, surface=HOSTILE, finding=HOSTILE) for f in visit.findings), visit.grades, (photo,), (),
    )  # fmt: skip
    record = replace(
        record,
        restoration=replace(record.restoration, code=HOSTILE, operator=HOSTILE), visits=(*record.visits[:-1], hostile_visit),
        events=(Event(HOSTILE, "2021-02-03", HOSTILE, HOSTILE),), status=Status("attention", HOSTILE), attention=(HOSTILE,),
        changes=tuple(replace(c, sentence=HOSTILE) for c in record.changes), not_assessed=(HOSTILE,),
    )  # fmt: skip
    report = make_report(record, generated_on=HOSTILE)
    row = index_row(record, "x.html")
    pages = [
        tooth_html(report), index_html([row], {HOSTILE: 1}, [HOSTILE], generated_on=HOSTILE, title=HOSTILE), list_fragment([row]),
        *fragments(report).values(),
    ]  # fmt: skip
    for html in pages:
        assert "<script" not in html and "<img src=x" not in html and "onerror=alert(1)>" not in html
    assert HOSTILE in words(pages[0]) and HOSTILE in words(pages[1])


def test_statuses_are_told_by_shape_and_word(html: str) -> None:
    for word in ("measured", "detected", "below detection", "refused"):
        assert word in words(html)
    listed = list_fragment([index_row(r) for r in (fakes.rich_record(), fakes.ended_record(), fakes.stable_record())])
    assert len({one for one in read(listed).addresses if one.startswith("data:")}) == 3
    for word in ("Needs attention", "Ended", "In place"):
        assert word in words(listed)


def test_published_figures_are_marked_as_another_method(html: str) -> None:
    assert f"Published figures ({DIFFERENT_METHOD})" in words(html)
    assert "Br Dent J 1971;131:107-111" in words(html)


def test_refusals_are_counted_with_their_next_step(html: str) -> None:
    shown = words(html)
    assert "Refused measurements (3)" in shown
    assert "Lay the rule beside the tooth." in shown


def test_a_record_without_anything_has_a_page_too() -> None:
    bare = replace(fakes.stable_record(), visits=())
    shown = words(tooth_html(make_report(bare)))
    for line in ("No visit is on record.", "Nothing to compare yet.", "No readings yet.", "No plan that can be compared is on record."):
        assert line in shown


def test_an_empty_club_says_what_to_do_next() -> None:
    assert "restoration-audit intake FOLDER" in words(index_html([], {}, []))


def test_the_index_counts_and_links() -> None:
    rows = [index_row(fakes.rich_record(), "M01-004.html"), index_row(fakes.ended_record(), "M02-001.html")]
    shown = words(index_html(rows, {"no_reference": 3, "soft": 5}, ["a.jpg: image must be readable; got 0 bytes. Hint: copy it again."]))
    assert "Needs attention: 1" in shown and "Ended: 1" in shown
    assert shown.index("5 soft") < shown.index("3 no reference")
    assert "(1): a.jpg: image must be readable" in shown
    assert "The facial margin has opened" in shown and "seven-eighths crown, gold" in shown and "16 (Universal 3)" in shown


def test_the_index_shows_three_lines_a_tooth_and_counts_the_others() -> None:
    lines = tuple(f"Point {number}." for number in range(8))
    shown = words(list_fragment([index_row(replace(fakes.rich_record(), attention=lines))]))
    assert [line in shown for line in lines] == [True] * 3 + [False] * 5
    assert "and 5 more in the report" in shown
    assert "more in the report" not in words(list_fragment([index_row(replace(fakes.rich_record(), attention=lines[:3]))]))


def test_a_long_record_stays_under_4_megabytes(report: Report, html: str) -> None:
    many = replace(report, tiles=report.tiles * 4, margins=report.margins * 2, series=report.series.iloc[:0])
    assert len(tooth_html(many).encode()) + len(html.encode()) < 4_000_000


def test_one_photo_shows_readings_and_refusals() -> None:
    shown = words(document_fragment(fakes.document()))
    assert "Readings (4)" in shown and "Refused (1)" in shown
    assert "0.43 mm (0.35 to 0.51 mm)" in shown
    assert "Outline the occlusal surface." in shown
