"""A report as one self-contained HTML page: styles, charts and pictures inside, nothing fetched."""

from __future__ import annotations

import base64
import json
import re
from collections.abc import Mapping, Sequence
from functools import cache
from html import escape
from typing import Any

import jinja2
import vl_convert

from audit import __version__
from audit.core.limits import DIFFERENT_METHOD, LIMITS
from audit.core.picture import PENS, Pen
from audit.core.records import Document
from audit.report import words
from audit.report.cautions import CAUTIONS, HOW_TO_READ
from audit.report.charts import Chart, charts, read_once
from audit.report.document import IndexRow, Report, finding_matrix, refusal_groups
from audit.report.first_page import first_page
from audit.report.used import methods_used, pens_used

__all__ = ["chart_svg", "document_fragment", "fragments", "index_html", "list_fragment", "page", "tooth_html"]

_SVG = "http://www.w3.org/2000/svg"
_STATUS_SHAPES = {
    "in_place": ('<circle r="7"/>', "#1f6b5c"),
    "attention": ('<path d="M0-8L8.5 7H-8.5Z"/>', "#9a4a00"),
    "event": ('<path d="M0-8.5L8.5 0L0 8.5L-8.5 0Z"/>', "#5d4a86"),
    "ended": ('<path d="M-7-7H7V7H-7Z"/>', "#4a535a"),
}


def tooth_html(report: Report) -> str:
    """The recall report of one restoration.

    Notes
    -----
    Everything that came from a file or a person is escaped by the template; pictures are data addresses.
    """
    drawn = charts(report)
    views = dict.fromkeys(tile.view for tile in report.tiles)
    return page("tooth.html").render(
        report=report,
        record=report.record,
        first=first_page(report.record),
        matrix=finding_matrix(report.record),
        charts=[chart_svg(chart, f"c{number}") for number, chart in enumerate(drawn)],
        undrawn=read_once(report),
        limits=[one for one in LIMITS if one.measurand in set(report.series["measurand"])],
        different_method=DIFFERENT_METHOD,
        strips=[(view, [tile for tile in report.tiles if tile.view == view]) for view in views],
        readings=report.series.to_dict("records"),
        refusals=refusal_groups(report.record),
        methods=methods_used(report),
        pens_used=pens_used(report),
        cautions=CAUTIONS,
        how_to_read=HOW_TO_READ,
    )


def index_html(
    rows: Sequence[IndexRow], counts: Mapping[str, int], refused: Sequence[str] = (), *, generated_on: str = "",
    title: str = "Recall audit", beside: Mapping[str, str] | None = None,
) -> str:  # fmt: skip
    """The club's list of restorations.

    Parameters
    ----------
    rows : sequence of IndexRow
        Shown in this order.
    counts : mapping of str to int
        Refusals by code.
    refused : sequence of str
        One line for each file or table row that was not taken in, with its hint.
    generated_on : str
        ISO 8601 date.
    title : str
        Heading.
    beside : mapping of str to str, optional
        Other pages by their address, with their names.
    """
    return page("index.html").render(
        rows=rows, counts=sorted(counts.items(), key=lambda item: (-item[1], item[0])), refused=refused, generated_on=generated_on,
        title=title, software=__version__, cautions=CAUTIONS, tally=_tally(rows), beside=beside or {},
    )  # fmt: skip


def fragments(report: Report) -> dict[str, str]:
    """Parts of the report for a page that has its own headings and charts.

    Returns
    -------
    dict of str to str
        HTML by name: ``how_to_read``, ``summary``, ``photographs``, ``margins``, ``comparisons``, ``plan``, ``findings``,
        ``refused``; empty where there is nothing.
    """
    sections: Any = page("sections.html").module
    views = dict.fromkeys(tile.view for tile in report.tiles)
    strips = [(view, [tile for tile in report.tiles if tile.view == view]) for view in views]
    pens = pens_used(report)
    parts = {
        "how_to_read": sections.how_to_read(HOW_TO_READ),
        "summary": sections.summary(report.record, first_page(report.record), report.refused_rows),
        "photographs": sections.photographs(strips, pens) if strips else "",
        "margins": sections.margins(report.margins, pens) if report.margins else "",
        "comparisons": sections.comparisons(report.record.changes),
        "plan": sections.plan(report.record),
        "findings": sections.findings(finding_matrix(report.record), report.record),
        "refused": sections.refused(refusal_groups(report.record), report.refused_rows),
    }
    return {name: _styled(str(part)) if part else "" for name, part in parts.items()}


def list_fragment(rows: Sequence[IndexRow]) -> str:
    """The table of `index_html` alone, for a page that has its own headings."""
    sections: Any = page("sections.html").module
    return _styled(str(sections.restorations(rows)))


def document_fragment(document: Document) -> str:
    """Readings and refusals of one photo as tables, for a page that has its own headings."""
    sections: Any = page("sections.html").module
    return _styled(str(sections.measured(document)))


def chart_svg(chart: Chart, prefix: str) -> str:
    """A chart as inline SVG with a title for screen readers; `prefix` keeps its ids apart from those of its neighbours."""
    svg = vl_convert.vegalite_to_svg(json.dumps(chart.spec))
    svg = re.sub(r'\sxmlns(:\w+)?="[^"]*"', "", svg)
    svg = re.sub(r'\bid="', f'id="{prefix}-', svg)
    svg = re.sub(r"url\(#", f"url(#{prefix}-", svg)
    head = f'<svg role="img" aria-labelledby="{prefix}-title {prefix}-desc" '
    names = f'<title id="{prefix}-title">{escape(chart.title)}</title><desc id="{prefix}-desc">{escape(chart.alt)}</desc>'
    svg = re.sub(r"^<svg ", head, svg, count=1)
    return re.sub(r"^(<svg[^>]*>)", lambda found: found.group(1) + names, svg, count=1)


@cache
def _environment() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("audit.report"), autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.globals.update(
        design_words=words.design_words, tooth_words=words.tooth_words, event_words=words.event_words, plain=words.plain,
        finding_words=words.finding_words, finding_value=words.finding_value, measurand_words=words.measurand_words,
        reading_words=words.reading_words, status_words_of=words.STATUS_WORDS, amount=words.amount, view_words=words.VIEW_WORDS, pens=PENS,
        data_address=_data_address, pen_picture=_pen_picture, status_picture=_status_picture,
    )  # fmt: skip
    return environment


def _styled(part: str) -> str:
    style = _environment().get_template("style.css").render()
    return f'<style>{style}</style><div class="report">{part}</div>'


def page(name: str) -> jinja2.Template:
    """A template of the house by its name."""
    return _environment().get_template(name)


def _data_address(content: bytes, kind: str) -> str:
    return f"data:image/{kind};base64,{base64.b64encode(content).decode('ascii')}"


def _pen_picture(pen: Pen) -> str:
    """A pen for the legend, drawn as it is drawn on the pictures."""
    dash = f' stroke-dasharray="{" ".join(f"{d / 2:g}" for d in pen.dash)}"' if pen.dash else ""
    heights = (5, 11) if pen.double else (8,)
    colour = "#{:02x}{:02x}{:02x}".format(*pen.colour)
    lines = "".join(
        f'<line x1="2" x2="42" y1="{y}" y2="{y}" stroke="{ink}" stroke-width="{pen.width * 0.7 + extra:g}"{dash}/>'
        for ink, extra in (("#20242a", 2.0), (colour, 0.0))
        for y in heights
    )
    return _svg_address(f'<svg xmlns="{_SVG}" viewBox="0 0 44 16"><rect width="44" height="16" rx="3" fill="#565a5e"/>{lines}</svg>')


def _status_picture(word: str) -> str:
    """The shape of a status: circle, triangle, diamond or square."""
    shape, colour = _STATUS_SHAPES[word]
    return _svg_address(f'<svg xmlns="{_SVG}" viewBox="-9 -9 18 18" fill="{colour}">{shape}</svg>')


def _svg_address(svg: str) -> str:
    """Address of a drawing; as an image it also passes pages that let no inline SVG through."""
    return _data_address(svg.encode(), "svg+xml")


def _tally(rows: Sequence[IndexRow]) -> list[tuple[str, int]]:
    order = ("attention", "event", "in_place", "ended")
    return [(word, sum(row.status == word for row in rows)) for word in order if any(row.status == word for row in rows)]
