"""What the buttons beside the canvas do: measure, confirm and go on, take over what was proposed, carry over what was drawn before."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import streamlit as st

from audit import api
from ui import choose, session

__all__ = ["carry", "confirm", "later", "measure", "put_off", "take_over"]


def measure(file: str, mine: dict[str, Any], reader: str) -> None:
    """Measure the draft as it stands."""
    mine.pop(file, None)
    try:
        mine[file] = api.measure_draft(session.desk(), file, reader)
    except api.AuditError as error:
        _say("error", f"{error.message} {error.hint}")


def confirm(entry: Any, measured: Any) -> None:
    """Put marks and readings into the record, then show the next photo that waits; asks once where nobody has looked from near."""
    asked = st.session_state.setdefault("asked to look", set())
    if entry.file not in asked and not api.looked_near(session.desk(), entry.file):
        asked.add(entry.file)
        _say("warning", "Nobody has looked at these marks from near yet. Zoom in and follow the margin, or confirm again as it is.")
        return
    try:
        document = api.confirm_marks(session.desk(), entry.file, measured)
    except api.AuditError as error:
        _say("error", f"{error.message} {error.hint}")
        return
    count, refused = len(document.readings), len(document.refusals)
    _say("success", f"✓ {choose.words(entry, entry.file)} confirmed: {count} readings and {refused} refusals are in the record.")
    _go_on(entry)


def later(entry: Any) -> None:
    """Put a photo off and show the next one that waits."""
    put_off().add(entry.file)
    if not _go_on(entry):
        put_off().clear()
        _say("info", "No other photo waits.")


def put_off() -> set[str]:
    """Files that are left for later in this session."""
    found: set[str] = st.session_state.setdefault("put off", set())
    return found


def carry(file: str, source: Any, mine: dict[str, Any], reader: str) -> None:
    """Put the marks of an earlier photo where the tooth lies on this one, and measure with them."""
    if _into_the_marks(api.carry_marks, file, source):
        measure(file, mine, reader)


def take_over(file: str, measured: Any) -> None:
    """Put the proposed outline of metal into the marks, to be corrected or kept."""
    _into_the_marks(api.add_proposed_metal, file, measured)


def _go_on(entry: Any) -> bool:
    """Show the next photo that waits, if one does."""
    waiting = api.waiting_marks(session.desk(), session.cases())
    following = api.next_waiting(waiting, entry, put_off())
    if following is not None:
        choose.show(following)
    return following is not None


def _into_the_marks(put: Callable[[Any, str, Any], Any], file: str, what: Any) -> bool:
    """Change the draft behind the canvas and have the canvas read it again."""
    try:
        put(session.desk(), file, what)
    except api.AuditError as error:
        _say("error", f"{error.message} {error.hint}")
        return False
    st.session_state["load"] = st.session_state.get("load", 0) + 1
    return True


def _say(kind: str, words: str) -> None:
    st.session_state["said"] = (kind, words)
