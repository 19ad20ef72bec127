"""The form of findings: every question by tap, every tap saved, "not examined" always an answer."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import streamlit as st

from audit import api
from ui import session

__all__ = ["ask", "ask_number", "answers", "restore"]

KIND = "findings"
BY_SURFACE = ("explorer", "caries_at_margin", "marginal_discoloration", "probing_depth_mm", "bleeding", "plaque", "recession_mm")
PROXIMAL = ("proximal_contact", "food_impaction")
_NUMBERS = {"probing_depth_mm": [str(mm) for mm in range(1, 11)], "recession_mm": [str(mm) for mm in range(-2, 7)]}


def restore(subject: str, recorded: dict[str, str]) -> None:
    """Put what was tapped before, else what is on record, under the widgets of this visit; once a visit and session."""
    if st.session_state.get("form of") == subject and any(str(name).startswith("ask ") for name in st.session_state):
        return  # after another page the answers are gone from the session, and are read again
    draft = api.load_draft(session.desk(), KIND, subject)
    st.session_state["form of"], st.session_state["form revision"] = subject, draft.revision
    for name in [name for name in st.session_state if str(name).startswith("ask ")]:
        del st.session_state[name]
    tapped = {name: value for name, value in draft.body.items() if value}
    for name, value in (recorded | tapped).items():
        st.session_state[f"ask {name}"] = value


def answers() -> dict[str, str]:
    """Every answer given so far, by the name of its question; also those that are not on the screen now."""
    return {str(name)[4:]: value or "" for name, value in st.session_state.items() if str(name).startswith("ask ")}


def ask(name: str, words: str, options: Sequence[str], *, at: Any = st, help_: str | None = None) -> str | None:
    """One question with its answers side by side."""
    key = f"ask {name}"
    given = st.session_state.get(key)
    every = [*options, api.NOT_EXAMINED]
    if given and given not in every:
        every.insert(0, given)
    found: str | None = at.segmented_control(
        words, every, format_func=_score if name.startswith("fdi/") else api.plain, key=key, on_change=_save, help=help_
    )
    return found


def _score(answer: str) -> str:
    return f"{answer} {api.FDI_SCORES[answer]}" if answer in api.FDI_SCORES else str(api.plain(answer))


def ask_number(name: str, words: str, *, at: Any = st) -> str | None:
    """A number of whole millimetres; another that is on record stays among the answers."""
    kind = name.split("/")[0]
    return ask(name, f"{words}, mm", _NUMBERS[kind], at=at)


def _save() -> None:
    """Keep the tap at once; of two windows the later is told."""
    subject, revision = st.session_state["form of"], st.session_state["form revision"]
    try:
        draft = api.save_draft(session.desk(), KIND, subject, revision, answers())
        st.session_state["form revision"] = draft.revision
    except api.AuditError as error:
        st.session_state["said"] = ("error", f"Not saved: these findings were changed in another window. Load the page again. {error.hint}")
