"""Settings: the caliper lengths and the recall interval of a restoration, kept in the tables of the practice."""

from __future__ import annotations

from typing import Any

import pandas as pd
import streamlit as st

from audit import api
from ui import choose, session

COLUMNS = {
    "name": st.column_config.TextColumn("Length", help="Between which landmarks, e.g. mesiodistal width"),
    "length_mm": st.column_config.NumberColumn("mm", min_value=0.5, max_value=60.0, step=0.01, format="%.2f"),
    "u_mm": st.column_config.NumberColumn("Standard uncertainty, mm", min_value=0.001, max_value=5.0, step=0.005, format="%.3f"),
}


def show() -> None:
    """Draw the page."""
    st.title("Settings")
    cases = session.cases()
    if cases is None or not cases.restorations:
        st.info("No restoration is listed yet. Add `restorations.csv` to the practice folder.")
        return
    code = choose.code([one.code for one in cases.restorations])
    if code is None:
        return
    if said := st.session_state.pop("said", None):
        getattr(st, said[0])(said[1])
    restoration = next(one for one in cases.restorations if one.code == code)
    st.subheader("Known lengths", divider="gray")
    st.caption("Taken on the die or the casting with a caliper, three times. Any photo that shows both landmarks can be scaled by them. "
               "A length that was used stays in the table; write a new name for a new length.")  # fmt: skip
    known = pd.DataFrame([vars(length) for length in restoration.known_lengths], columns=list(COLUMNS))
    typed = known.astype({"name": "str", "length_mm": "float", "u_mm": "float"})
    lengths = st.data_editor(typed, num_rows="add", hide_index=True, width="stretch", column_config=COLUMNS, key=f"lengths {code}")
    st.subheader("Recall", divider="gray")
    months = st.number_input(
        "Months between recalls", 1, 60, cases.recall_months.get(code), placeholder="12, the default", key=f"recall {code}"
    )
    st.button("Save", type="primary", on_click=save, args=(code, lengths, months))


def save(code: str, lengths: pd.DataFrame, months: Any) -> None:
    """Put both into the tables."""
    rows = [
        {"restoration": code, "name": str(row.name_).strip(), "length_mm": f"{row.length_mm:.3f}", "u_mm": f"{row.u_mm:.4f}"}
        for row in lengths.rename(columns={"name": "name_"}).dropna().itertuples()
    ]
    interval = [] if months is None else [{"code": code, "recall_months": str(int(months))}]
    try:
        api.put_rows(session.desk(), {"restorations.csv": interval, "known_lengths.csv": rows})
        st.session_state["said"] = ("success", "✓ Saved.")
    except api.AuditError as error:
        st.session_state["said"] = ("error", f"Nothing was saved. {error.message} {error.hint}")


show()
