"""A plain sheet: sections of sentences, tables and drawings, the same content as a page and on paper."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from audit import __version__
from audit.report.cautions import CAUTIONS
from audit.report.render import page
from audit.report.typeset import check_paper, pdf

__all__ = ["Drawing", "Sheet", "SheetSection", "SheetTable", "sheet_html", "sheet_pdf"]


@dataclass(frozen=True)
class SheetTable:
    """Rows of words under their heads; columns named in `numbers` are set to the right."""

    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: tuple[int, ...] = ()
    links: Mapping[str, str] | None = None
    """Addresses of first cells, for the page."""


@dataclass(frozen=True)
class Drawing:
    """A drawing as SVG, with its content in words."""

    svg: str
    alt: str


@dataclass(frozen=True)
class SheetSection:
    """A heading, sentences above, a table or a drawing, and what must be read with them."""

    title: str
    sentences: tuple[str, ...] = ()
    tables: tuple[SheetTable, ...] = ()
    drawings: tuple[Drawing, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Sheet:
    """A sheet of sections."""

    kind: str
    title: str
    facts: str
    sections: tuple[SheetSection, ...]
    generated_on: str = ""


def sheet_html(sheet: Sheet) -> str:
    """The sheet as one self-contained page; all words are escaped."""
    return page("sheet.html").render(sheet=sheet, software=__version__, cautions=CAUTIONS)


def sheet_pdf(sheet: Sheet, paper: str = "a4") -> bytes:
    """The sheet as PDF/A-2a and PDF/UA-1."""
    check_paper(paper)
    files = {
        f"drawing-{number}-{place}.svg": drawing.svg.encode()
        for number, section in enumerate(sheet.sections)
        for place, drawing in enumerate(section.drawings)
    }
    data: dict[str, Any] = {
        "paper": paper, "title": sheet.title, "code": sheet.title, "generated_on": sheet.generated_on, "software": __version__,
        "kind": sheet.kind, "facts": sheet.facts, "cautions": list(CAUTIONS),
        "sections": [_section(number, section) for number, section in enumerate(sheet.sections)],
    }  # fmt: skip
    return pdf("sheet.typ", data, files, sheet.generated_on)


def _section(number: int, section: SheetSection) -> dict[str, Any]:
    return {
        "title": section.title, "sentences": list(section.sentences), "notes": list(section.notes),
        "tables": [{"heads": t.heads, "rows": t.rows, "numbers": t.numbers} for t in section.tables],
        "drawings": [{"file": f"drawing-{number}-{place}.svg", "alt": d.alt} for place, d in enumerate(section.drawings)],
    }  # fmt: skip
