"""The marking canvas: a component of our own; its marks travel by the routes of `ui.routes`, not through the page."""

from __future__ import annotations

from collections.abc import Set
from functools import cache
from pathlib import Path
from typing import Any

import streamlit as st

from audit import api
from ui.marking.tools import tools_for

__all__ = ["marking_canvas"]

HERE = Path(__file__).parent
PARTS = ("model", "pictures", "saver", "paint", "brush", "before", "panel", "hands", "editor")  # one module, in this order


def marking_canvas(
    entry: Any,
    known_lengths: list[str],
    instruments: list[dict[str, Any]],
    measured: Any = None,
    held: Set[str] = frozenset(),
    load: int = 0,
    before: Any = None,
) -> None:  # fmt: skip
    """Show a photo of the practice with its marks, to be drawn and corrected.

    Parameters
    ----------
    entry : PhotoEntry
        The photo; its view decides which marks are offered.
    known_lengths : list of str
        Names of the restoration's caliper lengths.
    instruments : list of dict
        The practice's own references as properties of a mark; a new reference begins as the first of them.
    measured : Measured or None
        Its findings are drawn as long as the marks are those that were measured.
    held : set of str
        Measurands that wait for the examiner: nothing of them is drawn.
    load : int
        Another number makes the canvas read its marks again.
    before : PhotoEntry or None
        The earlier photo that this one may be compared with.
    """
    from ui import session

    file, view = entry.file, entry.view
    photo = api.shown(session.desk().image(file))
    data = {
        "file": file, "doc": f"{file} {load}", "width": photo.width_px, "height": photo.height_px, "sha256": photo.sha256,
        "tools": tools_for(view, known_lengths, instruments), "pens": _pens(),
        "found": [] if measured is None else api.found_lines(measured, held),
        "before": None if before is None else {"on": before.on, "file": before.file},
        "found_revision": -1 if measured is None else measured.revision,
    }  # fmt: skip
    _component()(key="marking", data=data)


def _component() -> Any:
    html, css, js = _sources()
    return st.components.v2.component("marking", html=html, css=css, js=js)


@cache
def _sources() -> tuple[str, str, str]:
    js = "\n".join((HERE / f"{part}.js").read_text(encoding="utf-8") for part in PARTS)
    return '<div class="marking"></div>', (HERE / "style.css").read_text(encoding="utf-8"), js


@cache
def _pens() -> dict[str, Any]:
    return {
        name: {"words": pen.words, "colour": pen.colour, "width": pen.width, "dash": pen.dash, "double": pen.double}
        for name, pen in api.PENS.items()
    }
