"""A place to drop photographs: they are streamed to disk by a route, so two hundred need no more memory than one."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import streamlit as st

__all__ = ["drop_zone"]

HERE = Path(__file__).parent
HTML = """<div class="drop"><label>Choose photographs
<input type="file" multiple accept=".jpg,.jpeg,.png,.tif,.tiff,.heic,.heif,.dcm,image/*"></label>
<span>or drop them here. They are copied into this practice's folder, nowhere else.</span>
<progress hidden value="0" aria-label="Arrived"></progress><button type="button" class="stop" hidden>Stop</button>
<span class="told" role="status"></span></div>"""


def drop_zone() -> Any:
    """Draw it; the page runs again when files have arrived."""
    css, js = _sources()
    drop = st.components.v2.component("incoming", html=HTML, css=css, js=js)
    return drop(key="incoming", on_arrived_change=lambda: None)


@cache
def _sources() -> tuple[str, str]:
    return (HERE / "drop.css").read_text(encoding="utf-8"), (HERE / "drop.js").read_text(encoding="utf-8")
