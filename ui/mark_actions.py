"""What the buttons beside the canvas do: measure, confirm, take over what was proposed, carry over what was drawn before."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import streamlit as st

from audit import api
from ui import session

__all__ = ["carry", "confirm", "measure", "take_over"]


def measure(file: str, mine: dict[str, Any], reader: str) -> None:
    """Measure the draft as it stands."""
    mine.pop(file, None)
    try:
        mine[file] = api.measure_draft(session.desk(), file, reader)
    except api.AuditError as error:
        st.session_state["said"] = ("error", f"{error.message} {error.hint}")


def confirm(file: str, measured: Any) -> None:
    """Write the marks beside the photo and the readings into the record."""
    try:
        document = api.confirm_marks(session.desk(), file, measured)
    except api.AuditError as error:
        st.session_state["said"] = ("error", f"{error.message} {error.hint}")
        return
    count, refused = len(document.readings), len(document.refusals)
    st.session_state["said"] = ("success", f"Confirmed: {count} readings and {refused} refusals are in the record.")


def carry(file: str, source: Any) -> None:
    """Put the marks of an earlier photo where the tooth lies on this one."""
    _into_the_marks(api.carry_marks, file, source)


def take_over(file: str, measured: Any) -> None:
    """Put the proposed outline of metal into the marks, to be corrected or kept."""
    _into_the_marks(api.add_proposed_metal, file, measured)


def _into_the_marks(put: Callable[[Any, str, Any], Any], file: str, what: Any) -> None:
    """Change the draft behind the canvas and have the canvas read it again."""
    try:
        put(session.desk(), file, what)
        st.session_state["load"] = st.session_state.get("load", 0) + 1
    except api.AuditError as error:
        st.session_state["said"] = ("error", f"{error.message} {error.hint}")
