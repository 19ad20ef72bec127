"""Measure: choose a photo of a restoration, mark it, see what it says, confirm it into the record."""

from __future__ import annotations

import re
from typing import Any

import streamlit as st

from audit import api
from ui import choose, session, waiting
from ui.mark_actions import carry, confirm, later, measure, take_over
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
    mine = st.session_state.setdefault("measured", {})
    queue(cases, entry)
    try:
        draw(cases, entry, mine)
    except api.AuditError as error:
        st.error(error.message)
        st.write(error.hint)
        return
    act(cases, entry, mine)


def queue(cases: Any, entry: Any) -> None:
    """Say how many photos wait, and lead on from this one."""
    waiting = [one.file for one in api.waiting_marks(session.desk(), cases)]
    if not waiting:
        return
    here = entry.file in waiting
    left, right = st.columns([4, 1], vertical_alignment="center")
    place = f"{waiting.index(entry.file) + 1} of {len(waiting)} that wait" if here else f"confirmed already; {len(waiting)} others wait"
    left.caption(f"{'◇' if here else '✓'} This photo is {place}. Confirming shows the next one.")
    right.button(
        "Later" if here else "Next that waits", on_click=later, args=(entry,), width="stretch", disabled=here and len(waiting) == 1
    )


def draw(cases: Any, entry: Any, mine: dict[str, Any]) -> None:
    """Show the canvas of one photo; an unmarked one is offered the marks of an earlier photo."""
    desk = session.desk()
    said_here()
    if not api.draft_marks(desk, entry.file).body["shapes"] and (source := api.earlier_photo(desk, cases, entry)):
        left, right = st.columns([3, 1], vertical_alignment="center")
        left.markdown(f"◇ Nothing is marked yet. The marks of {source.on} can be carried over; then look along every line and correct it.")
        reader = st.session_state.get("reader") or ""
        right.button("Carry the marks over", on_click=carry, args=(entry.file, source, mine, reader), width="stretch", type="primary")
    restoration = next(one for one in cases.restorations if one.code == entry.restoration)
    lengths = [length.name for length in restoration.known_lengths]
    held = api.held_back(desk, cases, entry.restoration, entry.on)
    marking_canvas(entry.file, entry.view, lengths, mine.get(entry.file), held, st.session_state.get("load", 0))


def said_here() -> None:
    """Say what came of the last press."""
    if said := st.session_state.pop("said", None):
        getattr(st, said[0])(said[1])


def act(cases: Any, entry: Any, mine: dict[str, Any]) -> None:
    """Measure and confirm, and what came of it."""
    left, middle, who, right = st.columns([1, 1, 1, 2], vertical_alignment="center")
    reader = read_by(cases, who)
    left.button("Measure", on_click=measure, args=(entry.file, mine, reader), width="stretch", type="primary")
    measured = mine.get(entry.file)
    now = api.draft_marks(session.desk(), entry.file)
    current = measured is not None and measured.revision == now.revision
    middle.button("Confirm", on_click=confirm, args=(entry, measured), width="stretch", disabled=not current)
    if measured is None:
        right.caption("Mark what you see, then measure. Nothing enters the record before you confirm.")
    elif not current:
        right.warning("The marks have changed since they were measured. Measure again.")
    if unfinished := api.incomplete_marks(now):
        st.warning("Left out, too few points: " + ", ".join(role.replace("_", " ") for role in unfinished) + ".")
    if measured is not None and current:
        held = api.held_back(session.desk(), cases, entry.restoration, entry.on)
        shown = {reading.measurand for reading in measured.document.readings}
        if held & shown:
            waiting.one(entry.restoration, entry.on, held & shown)
        api.mark_shown(session.desk(), entry.restoration, entry.on, shown - held)
        show_results(entry, measured, held, take_over)


def read_by(cases: Any, at: Any) -> str:
    """Code of who marks; goes into the file of marks."""
    known = sorted({visit.examiner for visit in cases.visits if visit.examiner})
    said: str | None = at.selectbox(
        "Read by", known, index=None, placeholder="Read by: code", label_visibility="collapsed", accept_new_options=True, key="reader",
        persist_state="session",
    )  # fmt: skip
    if said and not re.fullmatch(r"[A-Za-z]{0,3}[0-9]+", said):
        at.caption("A code like M02, never a name. It was not taken.")
        return ""
    return said or ""


show()
