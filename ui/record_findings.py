"""From the form of findings to the tables of the practice, and what was measured beside what was rated."""

from __future__ import annotations

from html import escape
from typing import Any

import streamlit as st

from audit import api
from ui import finding_form, session

__all__ = ["add_visit", "beside", "changed_ratings", "enter", "on_record", "pending", "without_surface"]


_ASKED_BY_SURFACE = frozenset({*finding_form.BY_SURFACE, *finding_form.PROXIMAL})


def on_record(cases: Any, code: str, on: str) -> dict[str, str]:
    """Answers in the tables for a visit, by their questions; one about the whole tooth counts whatever surface its row names."""
    rows = [one for one in cases.findings if (one.restoration, one.on) == (code, on)]
    found = {f"{one.finding}/{one.surface if one.finding in _ASKED_BY_SURFACE else ''}": one.value for one in rows}
    rated = {f"{one.system}/{one.criterion}": one.grade for one in cases.grades if (one.restoration, one.on) == (code, on)}
    return found | rated


def pending(cases: Any, code: str, on: str) -> int:
    """How many answers on the form are not what the record says."""
    before = on_record(cases, code, on)
    return sum(bool(value) and value != before.get(question) for question, value in finding_form.answers().items())


def without_surface(cases: Any, code: str, on: str) -> list[str]:
    """Findings on record that are asked surface by surface but name none, in words."""
    rows = [one for one in cases.findings if (one.restoration, one.on, one.surface) == (code, on, "")]
    return [f"{api.finding_words(one.finding)}: {api.plain(one.value)}" for one in rows if one.finding in _ASKED_BY_SURFACE]


def changed_ratings(cases: Any, code: str, on: str, examiner: str) -> list[tuple[str, str, str]]:
    """Ratings of this examiner that now differ from the record: criterion, before, now."""
    now = finding_form.answers()
    return [
        (one.criterion, one.grade, value)
        for one in cases.grades
        if (one.restoration, one.on, one.examiner) == (code, on, examiner)
        and (value := now.get(f"{one.system}/{one.criterion}", "")) not in ("", api.NOT_EXAMINED, one.grade)
    ]


def beside(cases: Any, code: str, on: str, criterion: str) -> str:
    """What was measured of a criterion at a visit; held back until it has been rated or examined."""
    measurands = api.HELD_UNTIL[criterion]
    if set(measurands) & api.held_back(session.desk(), cases, code, on):
        return "<small>▭ held back: rate it, enter, then it is shown</small>"
    shown = [(photo.view, reading) for photo in _photos(code, on) for reading in photo.readings if reading.measurand in measurands]
    if not shown:
        return "<small>Nothing measured of it at this visit.</small>"
    api.mark_shown(session.desk(), code, on, {reading.measurand for _, reading in shown})
    lines = (f"{api.measurand_words(one.measurand)}, {view}: <b>{escape(_said(one))}</b>" for view, one in shown)
    return "<div style='font-size:.82rem;line-height:1.4'>" + "<br>".join(lines) + "</div>"


def _said(reading: Any) -> str:
    value = reading.value
    number, u = (None, None) if value is None else (value.value, value.u)
    return str(api.reading_words(reading.status, number, u, *reading.interval95, reading.unit, reading.measurand))


def _photos(code: str, on: str) -> list[Any]:
    try:
        record = session.record(code)
    except api.AuditError:
        return []
    return [photo for visit in record.visits if visit.visit.on == on for photo in visit.photos]


def add_visit(code: str, on: str, stage: str) -> None:
    """Add a visit to the tables."""
    try:
        api.put_rows(session.desk(), {"visits.csv": [{"restoration": code, "on": on, "stage": stage}]})
        st.query_params["visit"] = on
    except api.AuditError as error:
        st.session_state["said"] = ("error", f"{error.message} {error.hint}")


def enter(code: str, on: str, examiner: str, reason: str) -> None:
    """Put all answers into the tables; a rating says whether measurements had been shown before."""
    desk, cases = session.desk(), session.cases()
    before, shown = on_record(cases, code, on), api.was_shown(desk, code, on)
    findings, grades = [], []
    for question, value in finding_form.answers().items():
        name, _, place = question.partition("/")
        if not value or value == before.get(question):
            continue
        common = {"restoration": code, "on": on, "examiner": examiner}
        if name not in api.GRADES:
            findings.append({**common, "finding": name, "surface": place, "value": value})
        elif value != api.NOT_EXAMINED:
            seen = "yes" if api.was_seen(shown, place) else "no"
            grades.append({**common, "system": name, "criterion": place, "grade": value, "seen_before": seen})
    try:
        visits = _noted(cases, code, on, examiner, reason)
        api.put_rows(desk, {"visits.csv": visits, "findings.csv": findings, "grades.csv": grades})
        st.session_state["said"] = ("success", f"✓ Entered: {len(findings)} findings and {len(grades)} ratings of {on}.")
    except api.AuditError as error:
        st.session_state["said"] = ("error", f"Nothing was entered. {error.message} {error.hint}")


def _noted(cases: Any, code: str, on: str, examiner: str, reason: str) -> list[dict[str, str]]:
    """The visit's row with the reason of a changed rating in its note; none where nothing was changed."""
    changed = changed_ratings(cases, code, on, examiner)
    visit = next((one for one in reversed(cases.visits) if (one.restoration, one.on) == (code, on)), None)
    if not changed or visit is None:
        return []
    said = "; ".join(f"{api.plain(criterion)} {was} to {now}" for criterion, was, now in changed)
    note = "; ".join(filter(None, [visit.note, f"rating changed by {examiner}: {said}: {reason}"]))
    return [{"restoration": code, "on": on, "stage": visit.stage, "examiner": visit.examiner, "note": note}]
