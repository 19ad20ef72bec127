"""The look that all pages share beside the theme: close headings, and the report's parts in the dark."""

from __future__ import annotations

import streamlit as st

__all__ = ["dress"]

_CLOSE = """
[data-testid=stMainBlockContainer] { padding-top: 4.2rem; padding-bottom: 2.5rem; max-width: 1500px; }
[data-testid=stMainBlockContainer] h1 { font-size: 1.75rem; padding: 0 0 .4rem; }
[data-testid=stMainBlockContainer] h2, [data-testid=stMainBlockContainer] h3 { font-size: 1.15rem; padding: .9rem 0 .25rem; }
[data-testid=stHeading] [data-testid=stMarkdownContainer] { margin-bottom: 0; }
[data-testid=stHeading] hr { margin: .2rem 0 .6rem; }
[data-testid=stButtonGroup] > div, [data-testid=stButtonGroup] [role=radiogroup] { flex-wrap: wrap; overflow: visible; mask-image: none; }
[data-testid=stCaptionContainer] p, [data-testid=stCaptionContainer] li { color: #55626b; }
[data-testid=stCaptionContainer] { opacity: 1; }
[data-testid=stButton] p, [data-testid=stDownloadButton] p { white-space: normal; overflow: visible; }
[data-testid=stMainBlockContainer] code { color: inherit; font-size: .92em; }
@media (max-width: 900px) { .report .list th:nth-child(4), .report .list td:nth-child(4) { display: none; }
  .report .list td:nth-child(6) { min-width: 15rem; } .report .list td:last-child { white-space: normal; } }
@media (max-width: 900px) { [data-testid=stMainBlockContainer] { padding-left: 1.2rem; padding-right: 1.2rem; } }
"""
_DARK = """
[data-testid=stCaptionContainer] p, [data-testid=stCaptionContainer] li { color: #a3b0b8; }
[data-testid=stButtonGroup] [data-selected=true] p, [data-testid=stTabs] [aria-selected=true] p { color: #86c9ce; }
div.report { --ink: #dfe6ea; --quiet: #a3b0b8; --line: #38424a; --wash: #1e2428; --paper: #14181b; --main: #86c9ce;
  --in-place: #7fd0bc; --attention: #f0b070; --event: #c3b3ee; --ended: #b4bec5; }
[data-testid=stVegaLiteChart] { background: #f4f6f7; box-shadow: 0 0 0 9px #f4f6f7; margin: 9px; }
div.report .shape { filter: brightness(1.9) saturate(.85); }
"""


def dress() -> None:
    """Put the styles into the page; the reader's own light or dark theme decides which."""
    dark = st.context.theme.type == "dark"
    st.html(f"<style>{_CLOSE}{_DARK if dark else ''}</style>")
