"""A plain table of words in the look of all pages; what is in it is escaped."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

import streamlit as st

__all__ = ["TABLE_STYLE", "plain_table"]

TABLE_STYLE = """<style>
.said { width: 100%; border-collapse: collapse; font-size: .92rem; font-variant-numeric: tabular-nums; }
.said td, .said th { text-align: left; vertical-align: top; padding: 6px 14px 6px 0; border-bottom: 1px solid rgba(128,140,150,.35); }
.said th { font-size: .8rem; font-weight: 600; opacity: .85; }
.said .sign { white-space: nowrap; width: 1%; } .said .sign b { display: inline-block; width: 1.3em; font-weight: 400; }
.said small { display: block; opacity: .8; font-size: .82rem; }
@media (max-width: 700px) { .said thead { display: none; }
  .said tr { display: block; padding: 6px 0; border-bottom: 1px solid rgba(128,140,150,.35); }
  .said td { display: block; border: 0; padding: 1px 0; } }
</style>"""


def plain_table(headings: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    """Draw it."""
    head = "".join(f"<th scope='col'>{escape(one)}</th>" for one in headings)
    body = "".join("<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>" for row in rows)
    st.html(f"{TABLE_STYLE}<table class='said'><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>")
