"""Settings: lengths and recall of a restoration, the practice's measured references, its examiners; kept in the tables of the practice."""

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
INSTRUMENTS = {
    "name": st.column_config.TextColumn("Its mark", help="What is engraved on it, or a label: the same one in every photo"),
    "kind": st.column_config.SelectboxColumn("Kind", options=["rule", "rod", "probe"]),
    "size_mm": st.column_config.TextColumn("mm", help="One graduation of a rule, the diameter of a rod, all marks of a probe from its tip"),
    "u_mm": st.column_config.NumberColumn("Standard uncertainty, mm", min_value=0.0001, max_value=1.0, format="%.4f"),
}


def show() -> None:
    """Draw the page."""
    st.title("Settings")
    cases = session.cases()
    if cases is None or not cases.restorations:
        st.info("No restoration is listed yet. Add `restorations.csv` to the practice folder.")
        return
    if said := st.session_state.pop("said", None):
        getattr(st, said[0])(said[1])
    one, practice, examiners = st.tabs(["A restoration", "Probes, rods and rules", "Examiners"])
    with one:
        of_restoration(cases)
    with practice:
        of_practice(cases)
    with examiners:
        of_examiners(cases)


def of_restoration(cases: Any) -> None:
    """Known lengths and recall interval of one restoration."""
    code = choose.code([one.code for one in cases.restorations])
    if code is None:
        return
    restoration = next(one for one in cases.restorations if one.code == code)
    st.header("Known lengths", divider="gray")
    st.caption("Taken on the die or the casting with a caliper, three times. Any photo that shows both landmarks can be scaled by them. "
               "A length that was used stays in the table; write a new name for a new length.")  # fmt: skip
    known = pd.DataFrame([vars(length) for length in restoration.known_lengths], columns=list(COLUMNS))
    typed = known.astype({"name": "str", "length_mm": "float", "u_mm": "float"})
    lengths = st.data_editor(typed, num_rows="add", hide_index=True, width="stretch", column_config=COLUMNS, key=f"lengths {code}")
    st.header("Recall", divider="gray")
    months = st.number_input(
        "Months between recalls", 1, 60, cases.recall_months.get(code), placeholder="12, the default", key=f"recall {code}"
    )
    st.button("Save", type="primary", on_click=save, args=(code, lengths, months))


def of_practice(cases: Any) -> None:
    """References that the practice has measured itself."""
    st.caption("Measured with a caliper or micrometer, once. A new reference on a photo begins as the first of them.")
    rows = [{**vars(one), "size_mm": " ".join(f"{size:g}" for size in one.size_mm)} for one in cases.instruments]
    table = pd.DataFrame(rows, columns=list(INSTRUMENTS)).astype({"name": "str", "kind": "str", "size_mm": "str", "u_mm": "float"})
    edited = st.data_editor(table, num_rows="add", hide_index=True, width="stretch", column_config=INSTRUMENTS, key="instruments")
    st.button("Save these", type="primary", on_click=save_instruments, args=(edited,))


def of_examiners(cases: Any) -> None:
    """Who examined, by code."""
    st.caption("By code, never by name. A code is known from its first visit on: enter it at **Findings**.")
    seen = pd.DataFrame([{"examiner": one.examiner, "on": one.on} for one in cases.visits if one.examiner], columns=["examiner", "on"])
    counted = seen.groupby("examiner")["on"].agg(["count", "min", "max"]).reset_index()
    names = {"examiner": "Examiner", "count": "Visits", "min": "First", "max": "Latest"}
    st.dataframe(counted.rename(columns=names), hide_index=True, width="stretch")


def save_instruments(table: pd.DataFrame) -> None:
    """Put the practice's references into their table."""
    rows = [
        {
            "name": str(row.name_).strip(),
            "kind": row.kind,
            "size_mm": str(row.size_mm).strip(),
            "u_mm": "" if pd.isna(row.u_mm) else f"{row.u_mm:g}",
        }
        for row in table.rename(columns={"name": "name_"}).dropna(subset=["name_", "kind", "size_mm"]).itertuples()
    ]
    put({"instruments.csv": rows})


def save(code: str, lengths: pd.DataFrame, months: Any) -> None:
    """Put both into the tables."""
    rows = [
        {"restoration": code, "name": str(row.name_).strip(), "length_mm": f"{row.length_mm:.3f}", "u_mm": f"{row.u_mm:.4f}"}
        for row in lengths.rename(columns={"name": "name_"}).dropna().itertuples()
    ]
    interval = [] if months is None else [{"code": code, "recall_months": str(int(months))}]
    put({"restorations.csv": interval, "known_lengths.csv": rows})


def put(rows: dict[str, Any]) -> None:
    """Put rows into the tables, all or none, and say so."""
    try:
        api.put_rows(session.desk(), rows)
        st.session_state["said"] = ("success", "✓ Saved.")
    except api.AuditError as error:
        st.session_state["said"] = ("error", f"Nothing was saved. {error.message} {error.hint}")


show()
