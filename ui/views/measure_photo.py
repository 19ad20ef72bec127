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
    try:
        actions = st.container()
        draw(cases, entry, mine)
        with actions:
            act(cases, entry, mine)
    except api.AuditError as error:
        st.error(error.message)
        st.write(error.hint)
        return
    results(cases, entry, mine)


def draw(cases: Any, entry: Any, mine: dict[str, Any]) -> None:
    """Show the canvas of one photo."""
    desk = session.desk()
    restoration = next(one for one in cases.restorations if one.code == entry.restoration)
    lengths = [length.name for length in restoration.known_lengths]
    held = api.held_back(desk, cases, entry.restoration, entry.on)
    before = api.baseline_photo(desk, cases, entry)
    own = [instrument.properties() for instrument in cases.instruments]
    marking_canvas(entry, lengths, own, mine.get(entry.file), held=held, load=st.session_state.get("load", 0), before=before)


def act(cases: Any, entry: Any, mine: dict[str, Any]) -> None:
    """Measure, confirm and go on; an unmarked photo is offered the marks of an earlier one."""
    desk = session.desk()
    now = api.draft_marks(desk, entry.file)
    source = None if now.body["shapes"] else api.earlier_photo(desk, cases, entry)
    who, first, second, third = st.columns([1, 1, 1, 1], vertical_alignment="bottom")
    reader = read_by(cases, who)
    if source:
        first.button("Carry the marks over", on_click=carry, args=(entry.file, source, mine, reader), width="stretch", type="primary")
    else:
        first.button("Measure", on_click=measure, args=(entry.file, mine, reader), width="stretch", type="primary")
    second.button("Confirm", on_click=confirm, args=(entry, mine.get(entry.file)), width="stretch", disabled=not is_current(entry, mine))
    queue(cases, entry, third)
    if said := st.session_state.pop("said", None):
        getattr(st, said[0])(said[1])
    if source:
        st.markdown(f"◇ Nothing is marked yet. The marks of {source.on} can be carried over; then look along every line and correct it.")
    elif entry.file not in mine:
        st.caption("Mark what you see, then measure. Nothing enters the record before you confirm.")
    elif not is_current(entry, mine):
        st.warning("The marks have changed since they were measured. Measure again.")
    if unfinished := api.incomplete_marks(now):
        st.warning("Left out, too few points: " + ", ".join(role.replace("_", " ") for role in unfinished) + ".")


def is_current(entry: Any, mine: dict[str, Any]) -> bool:
    """Whether the marks that are shown are those that were measured."""
    return entry.file in mine and mine[entry.file].revision == api.draft_marks(session.desk(), entry.file).revision


def queue(cases: Any, entry: Any, at: Any) -> None:
    """Say how many photos wait, and lead on from this one."""
    files = [one.file for one in api.waiting_marks(session.desk(), cases)]
    if not files:
        return
    here = entry.file in files
    words = f"◇ {files.index(entry.file) + 1} of {len(files)} that wait" if here else f"✓ Confirmed; {len(files)} others wait"
    at.caption(words)
    at.button("Later" if here else "Next that waits", on_click=later, args=(entry,), width="stretch", disabled=here and len(files) == 1)


def results(cases: Any, entry: Any, mine: dict[str, Any]) -> None:
    """Show what was measured, as far as the examiner has gone first."""
    if not is_current(entry, mine):
        return
    held = api.held_back(session.desk(), cases, entry.restoration, entry.on)
    shown = {reading.measurand for reading in mine[entry.file].document.readings}
    if held & shown:
        waiting.one(entry.restoration, entry.on, held & shown)
    api.mark_shown(session.desk(), entry.restoration, entry.on, shown - held)
    show_results(entry, mine[entry.file], held, take_over)


def read_by(cases: Any, at: Any) -> str:
    """Code of who marks; goes into the file of marks."""
    known = sorted({visit.examiner for visit in cases.visits if visit.examiner})
    said: str | None = at.selectbox(
        "Read by", known, index=None, placeholder="Code", accept_new_options=True, key="reader", persist_state="session"
    )  # fmt: skip
    if said and not re.fullmatch(r"[A-Za-z]{0,3}[0-9]+", said):
        at.caption("A code like M02, never a name. It was not taken.")
        return ""
    return said or ""


show()
