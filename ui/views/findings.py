"""Findings: what the examiner saw and felt at one visit, entered before anything measured of it is shown."""

from __future__ import annotations

from datetime import date
from typing import Any

import streamlit as st

from audit import api
from ui import choose, finding_form, record_findings, session
from ui.finding_form import BY_SURFACE, PROXIMAL, ask, ask_number


def show() -> None:
    """Draw the page."""
    st.title("Findings")
    cases = session.cases()
    if cases is None or not cases.restorations:
        st.info("No restoration is listed yet. Add `restorations.csv` to the practice folder.")
        return
    first, second, third = st.columns([1, 1, 1], vertical_alignment="bottom")
    code = choose.code([one.code for one in cases.restorations], at=first)
    if code is None:
        return
    days = sorted({visit.on for visit in cases.visits if visit.restoration == code})
    with third.popover("New visit", width="stretch"):
        new_visit(cases, code)
    if not days:
        st.info("This restoration has no visit yet. Add one: **New visit**.")
        return
    on = choose.visit(days, at=second)
    if on is None:
        return
    if said := st.session_state.pop("said", None):
        getattr(st, said[0])(said[1])
    finding_form.restore(f"{code} {on}", record_findings.on_record(cases, code, on))
    if pending := record_findings.pending(cases, code, on):
        st.info(f"{pending} {'answer is' if pending == 1 else 'answers are'} kept here but not in the record yet: **Enter** at the foot.")
    by_surface(cases, code, on)
    whole_tooth()
    ratings(cases, code, on)
    enter(cases, code, on)


def new_visit(cases: Any, code: str) -> None:
    """Add a visit."""
    day = st.date_input("Day", date.today(), max_value=date.today())
    restoration = next(one for one in cases.restorations if one.code == code)
    stages = list(api.STAGES)
    likely = stages.index(api.stage_of(cases, restoration, day.isoformat()))
    stage = st.selectbox("It is a", stages, index=likely, format_func=api.plain)
    st.button("Add", on_click=record_findings.add_visit, args=(code, day.isoformat(), stage))


def by_surface(cases: Any, code: str, on: str) -> None:
    """Ask what is asked surface by surface."""
    st.header("Surface by surface", divider="gray")
    if whole := record_findings.without_surface(cases, code, on):
        st.caption("On record without a surface, so for all of them: " + "; ".join(whole) + ". An answer here is entered for its surface.")
    for tab, surface in zip(st.tabs(list(api.SURFACES)), api.SURFACES, strict=True):
        left, right = tab.columns(2)
        for number, name in enumerate(BY_SURFACE + (PROXIMAL if surface in ("mesial", "distal") else ())):
            at = left if number < 4 else right
            question = f"{name}/{surface}"
            if name.endswith("_mm"):
                ask_number(question, api.finding_words(name), at=at)
            else:
                ask(question, api.finding_words(name), api.FINDINGS[name], at=at)


def whole_tooth() -> None:
    """Ask what is asked of the tooth and the casting as a whole."""
    st.header("Tooth and casting", divider="gray")
    columns = st.columns(2)
    whole = [name for name in api.FINDINGS if name not in BY_SURFACE + PROXIMAL and api.FINDINGS[name]]
    for number, name in enumerate(whole):
        ask(f"{name}/", api.finding_words(name), api.FINDINGS[name], at=columns[number * 2 // len(whole)])


def ratings(cases: Any, code: str, on: str) -> None:
    """Ask for the examiner's ratings; what was measured stands beside one that is on record."""
    st.header("Your rating", divider="gray")
    st.caption("Rate what you saw and felt: what the tool measured of it is shown afterwards.")
    words, scores = st.tabs(["Ryge's words", "FDI scores"])
    for criterion, scale in api.GRADES["ryge"].items():
        left, right = words.columns(2)
        ask(f"ryge/{criterion}", api.plain(criterion), scale, at=left)
        if criterion in api.HELD_UNTIL:
            right.html(record_findings.beside(cases, code, on, criterion))
    scores.caption("The list of 2010. The question mark tells what each score says; 4 and 5 are worded from memory, your own copy decides.")
    for criterion, said in api.FDI_WORDS.items():
        left, right = scores.columns(2)
        meaning = "\n".join(f"- **{score} {word}**: {line}" for (score, word), line in zip(api.FDI_SCORES.items(), said, strict=True))
        ask(f"fdi/{criterion}", api.plain(criterion), list(api.FDI_SCORES), at=left, help_=meaning)
        if criterion in api.HELD_UNTIL:
            right.html(record_findings.beside(cases, code, on, criterion))


def enter(cases: Any, code: str, on: str) -> None:
    """Enter everything into the record."""
    known = sorted({visit.examiner for visit in cases.visits if visit.examiner})
    left, middle, right = st.columns([1, 2, 1], vertical_alignment="bottom")
    examiner = left.selectbox("Examiner", known, index=None, accept_new_options=True, placeholder="Code, never a name", key="examiner code")
    changed = record_findings.changed_ratings(cases, code, on, examiner or "")
    reason = middle.text_input("Why the rating changes", key="reason") if changed else ""
    ready = bool(examiner) and (not changed or bool(reason))
    right.button(
        "Enter", type="primary", width="stretch", disabled=not ready, on_click=record_findings.enter, args=(code, on, examiner, reason)
    )
    if not ready:
        st.caption("Say who examined" + (" and why the rating changes." if changed else "."))


show()
