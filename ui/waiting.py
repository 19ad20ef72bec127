"""What is held back until the examiner has rated, and the two ways on: rate, or have it on record that it was seen before."""

from __future__ import annotations

from collections.abc import Mapping

import streamlit as st

from audit import api
from ui import session

__all__ = ["one", "several"]


def one(code: str, on: str, held: set[str]) -> None:
    """Say it of one visit."""
    left, middle, right = st.columns([5, 2, 2], vertical_alignment="center")
    left.markdown("▭ **Held back.** The examiner looks first: rate this visit, then what was measured of it is shown.")
    _rate(middle, code, on)
    right.button(
        "Show without a rating", on_click=api.mark_shown, args=(session.desk(), code, on, held), width="stretch",
        help="A rating given later will say that measurements had been seen.",
    )  # fmt: skip


def several(code: str, held: Mapping[str, set[str]]) -> None:
    """Say it of every visit of a restoration."""
    with st.container(border=True):
        st.markdown("▭ **Held back.** The examiner looks first. What is below rests on nothing measured of these until they are rated:")
        for on, measurands in held.items():
            left, middle, right = st.columns([5, 2, 2], vertical_alignment="center")
            left.markdown(f"**{on}**: " + ", ".join(sorted(map(api.measurand_words, measurands))))
            _rate(middle, code, on)
            right.button(
                "Show without a rating", key=f"show {on}", on_click=api.mark_shown, args=(session.desk(), code, on, measurands),
                width="stretch", help="A rating given later will say that measurements had been seen.",
            )  # fmt: skip


def _rate(at: st.delta_generator.DeltaGenerator, code: str, on: str) -> None:
    at.page_link("views/findings.py", label="Rate this visit", icon=":material/edit_note:", query_params={"code": code, "visit": on})
