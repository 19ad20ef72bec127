"""Measure: choose a photo of a restoration, mark it, see what it says, confirm it into the record."""

from __future__ import annotations

import re
from typing import Any

import streamlit as st

from audit import api
from ui import choose, session
from ui.mark_actions import carry, confirm, measure, take_over
from ui.marking import marking_canvas
from ui.results import show_results


def show() -> None:
    """Draw the page."""
    st.title("Measure")
    cases = session.cases()
    if cases is None or not cases.photos:
        st.info("No photo is listed yet. Bring photographs in first: page **Bring in**.")
        return
    entry = choose.photo(cases)
    if entry is None:
        return
    restoration = next(one for one in cases.restorations if one.code == entry.restoration)
    mine = st.session_state.setdefault("measured", {})
    try:
        draw(entry, restoration, mine.get(entry.file))
    except api.AuditError as error:
        st.error(error.message)
        st.write(error.hint)
        return
    act(entry, mine)


def draw(entry: Any, restoration: Any, measured: Any) -> None:
    """Show the canvas of one photo; an unmarked one is offered the marks of an earlier photo."""
    desk = session.desk()
    if not api.draft_marks(desk, entry.file).body["shapes"] and (source := api.earlier_photo(desk, session.cases(), entry)):
        left, right = st.columns([3, 1], vertical_alignment="center")
        left.markdown(f"◇ Nothing is marked yet. The marks of {source.on} can be carried over; then look along every line and correct it.")
        right.button("Carry the marks over", on_click=carry, args=(entry.file, source), width="stretch")
    lengths = [length.name for length in restoration.known_lengths]
    marking_canvas(entry.file, entry.view, lengths, measured, st.session_state.get("load", 0))


def act(entry: Any, mine: dict[str, Any]) -> None:
    """Measure and confirm, and what came of it."""
    left, middle, who, right = st.columns([1, 1, 1, 2], vertical_alignment="center")
    reader = read_by(who)
    left.button("Measure", on_click=measure, args=(entry.file, mine, reader), width="stretch", type="primary")
    measured = mine.get(entry.file)
    now = api.draft_marks(session.desk(), entry.file)
    current = measured is not None and measured.revision == now.revision
    middle.button("Confirm", on_click=confirm, args=(entry.file, measured), width="stretch", disabled=not current)
    if said := st.session_state.pop("said", None):
        getattr(right, said[0])(said[1])
    elif measured is None:
        right.caption("Mark what you see, then measure. Nothing enters the record before you confirm.")
    elif not current:
        right.warning("The marks have changed since they were measured. Measure again.")
    if unfinished := api.incomplete_marks(now):
        st.warning("Left out, too few points: " + ", ".join(role.replace("_", " ") for role in unfinished) + ".")
    if current:
        held = api.held_back(session.desk(), session.cases(), entry.restoration, entry.on)
        shown = {reading.measurand for reading in measured.document.readings}
        if held & shown:
            hold(entry, held & shown)
        api.mark_shown(session.desk(), entry.restoration, entry.on, shown - held)
        show_results(entry, measured, held, take_over)


def read_by(at: Any) -> str:
    """Code of who marks; goes into the file of marks."""
    known = sorted({visit.examiner for visit in session.cases().visits if visit.examiner})
    said: str | None = at.selectbox(
        "Read by", known, index=None, placeholder="Read by: code", label_visibility="collapsed", accept_new_options=True, key="reader",
        persist_state="session",
    )  # fmt: skip
    if said and not re.fullmatch(r"[A-Za-z]{0,3}[0-9]+", said):
        at.caption("A code like M02, never a name. It was not taken.")
        return ""
    return said or ""


def hold(entry: Any, held: set[str]) -> None:
    """Say why readings are held back, and the two ways on."""
    left, middle, right = st.columns([3, 1, 1], vertical_alignment="center")
    left.markdown("▭ **Held back.** The examiner looks first: rate this visit, then what was measured of it is shown.")
    middle.page_link(
        "views/findings.py", label="Rate this visit", icon=":material/edit_note:",
        query_params={"code": entry.restoration, "visit": entry.on},
    )  # fmt: skip
    right.button(
        "Show without a rating", on_click=api.mark_shown, args=(session.desk(), entry.restoration, entry.on, held), width="stretch",
        help="A rating given later will say that measurements had been seen.",
    )  # fmt: skip


show()
