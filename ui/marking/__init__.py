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
PARTS = ("model", "pictures", "saver", "paint", "panel", "hands", "editor")  # one module, in this order


def marking_canvas(
    file: str, view: str, known_lengths: list[str], measured: Any = None, held: Set[str] = frozenset(), load: int = 0
) -> None:
    """Show a photo of the practice with its marks, to be drawn and corrected.

    Parameters
    ----------
    file : str
        Relative to the practice folder.
    view : str
        What the photo shows: decides which marks are offered.
    known_lengths : list of str
        Names of the restoration's caliper lengths.
    measured : Measured or None
        Its findings are drawn as long as the marks are those that were measured.
    held : set of str
        Measurands that wait for the examiner: nothing of them is drawn.
    load : int
        Another number makes the canvas read its marks again.
    """
    from ui import session

    photo = api.shown(session.desk().image(file))
    data = {
        "file": file, "doc": f"{file} {load}", "width": photo.width_px, "height": photo.height_px, "sha256": photo.sha256,
        "tools": tools_for(view, known_lengths), "pens": _pens(),
        "found": [] if measured is None else api.found_lines(measured, held),
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
