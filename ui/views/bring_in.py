"""Bring in: photographs arrive, each is guessed, one table says what they show, then they are entered."""

from __future__ import annotations

from typing import Any
from urllib.parse import quote

import pandas as pd
import streamlit as st

from audit import api
from ui import session
from ui.incoming import drop_zone

COLUMNS = {
    "enter": st.column_config.CheckboxColumn("Enter", width=78),
    "picture": st.column_config.ImageColumn("Photo", width=120),
    "restoration": None,
    "on": st.column_config.TextColumn("Date", help="Year-month-day", width=110),
    "certainty": st.column_config.TextColumn("How sure", width=90, disabled=True),
    "remarks": st.column_config.TextColumn("Remarks", disabled=True),
    "file": st.column_config.TextColumn("File", disabled=True),
}


def show() -> None:
    """Draw the page."""
    st.title("Bring in")
    cases = session.cases()
    if cases is None:
        st.info("No table of restorations yet. Add `restorations.csv` to this folder, or open another: `restoration-audit app --folder`.")
        return
    drop_zone()
    st.caption(f"Photographs that lie anywhere in `{session.folder()}` already are found too: copy a card there, load this page again.")
    if said := st.session_state.pop("said", None):
        getattr(st, said[0])(said[1])
    files = api.waiting_photos(session.desk())
    if not files:
        st.info("Nothing waits. Choose photographs above, or go on to **Measure**.")
        return
    guessed = guesses(cases, files)
    if bad := [guess for guess in guessed if not guess.usable]:
        st.warning(f"✕ {len(bad)} cannot be used:\n" + "\n".join(f"- {' '.join(guess.remarks)}" for guess in bad))
    if len(bad) == len(guessed):
        st.info("Nothing else waits. Choose photographs above, or go on to **Measure**.")
        return
    table = pd.DataFrame([row(guess) for guess in guessed if guess.usable])
    st.header(f"{len(table)} waiting", divider="gray")
    edited = st.data_editor(
        table, key=f"waiting {hash(tuple(files))}", hide_index=True, width="stretch", row_height=76, column_config=COLUMNS | lists(cases),
        column_order=["enter", "picture", "on", "certainty", "restoration", "view", "stage", "remarks", "file"],
    )  # fmt: skip
    chosen = edited[edited["enter"]]
    missing = chosen[(chosen[["on", "restoration", "view", "stage"]].fillna("") == "").any(axis=1)]
    st.button(
        f"Enter {len(chosen)} photographs", type="primary", disabled=chosen.empty or not missing.empty, on_click=enter, args=(chosen,)
    )
    if not missing.empty:
        st.caption(f"{len(missing)} of them still need a date, restoration, view or stage. Untick what is not to be entered.")


def lists(cases: Any) -> dict[str, Any]:
    """Columns to choose from."""
    codes = [one.code for one in cases.restorations]
    return {
        "restoration": st.column_config.SelectboxColumn("Restoration", options=codes, width=110),
        "view": st.column_config.SelectboxColumn("View", options=list(api.VIEWS), width=110),
        "stage": st.column_config.SelectboxColumn(
            "Visit is", options=list(api.STAGES), help="Used where the day is no visit yet", width=110
        ),
    }


def guesses(cases: Any, files: tuple[str, ...]) -> list[Any]:
    """What each file seems to show; judged once, with progress."""
    known = st.session_state.setdefault("guesses", {})
    stamps = {file: (session.desk().image(file).stat().st_mtime_ns, file) for file in files}
    unknown = [file for file in files if stamps[file] not in known]
    bar = st.progress(0.0, "Looking at the photographs ...") if unknown else None
    for done, file in enumerate(unknown, 1):
        known[stamps[file]] = api.guess_photo(session.desk(), cases, file)
        if bar is not None:
            bar.progress(done / len(unknown), f"{done} of {len(unknown)} looked at")
    if bar is not None:
        bar.empty()
    return [known[stamps[file]] for file in files]


def row(guess: Any) -> dict[str, Any]:
    """A guess as a row of the table."""
    whole = bool(not guess.twin and len(guess.on) == 10 and guess.restoration and guess.view and guess.stage)
    remarks = ", ".join(remark.replace("_", " ") for remark in guess.remarks)
    if guess.twin:
        remarks = f"the same picture as {guess.twin}, which is entered already"
    picture = f"/desk/overview?file={quote(guess.file)}&s=240"
    return {"enter": whole, "picture": picture, "on": guess.on, "restoration": guess.restoration or None, "view": guess.view or None,
            "stage": guess.stage or None, "certainty": guess.certainty, "remarks": remarks, "file": guess.file}  # fmt: skip


def enter(chosen: pd.DataFrame) -> None:
    """Enter the ticked photos."""
    try:
        names = api.take_in(session.desk(), chosen[["file", "restoration", "on", "view", "stage"]].to_dict("records"))
        st.session_state["said"] = ("success", f"✓ {len(names)} photographs entered. Next: **Measure**.")
    except api.AuditError as error:
        st.session_state["said"] = ("error", f"Nothing was entered. {error.message} {error.hint}")


show()
