"""Tooth record: the recall report of one restoration, live from the ledger."""

from __future__ import annotations

from typing import Any

import streamlit as st

from audit import api
from ui import session, waiting

SECTIONS = {
    "comparisons": "Every comparison with baseline",
    "plan": "Plan and measurement",
    "findings": "Findings at every visit",
    "refused": "Refused measurements",
}


def show() -> None:
    """Draw the page."""
    url = session.ledger_url()
    try:
        codes = api.tooth_codes(url) if url else []
    except api.AuditError as error:
        st.title("Tooth record")
        st.info(f"{error.message} {error.hint}")
        return
    if not codes:
        st.title("Tooth record")
        st.info("No restoration is on record. Take in a practice folder first: `restoration-audit intake FOLDER --ledger URL`.")
        return
    code = choose(codes)
    if code is None:
        return
    try:
        report, parts, charts, held = session.shown(code)
    except api.AuditError as error:
        st.error(error.message)
        st.write(error.hint)
        return
    heading(report, code)
    if held:
        waiting.several(code, held)
    st.html(parts["summary"])
    over_time(charts, parts["how_to_read"])
    for name, title in (("photographs", "Photographs at equal scale"), ("margins", "Margin unrolled")):
        if parts[name]:
            st.header(title, divider="gray")
            st.html(parts[name])
    for name, title in SECTIONS.items():
        st.header(title, divider="gray")
        st.html(parts[name])
    readings(report, code)


def choose(codes: list[str]) -> str | None:
    """The restoration asked for by the address or the list; ``None`` where the address names one that is not there."""
    asked = st.query_params.get("code", codes[0])
    known = asked in codes
    chosen = st.selectbox("Restoration", codes, index=codes.index(asked) if known else None, placeholder="Choose a restoration")
    if chosen is None:
        st.warning("The address names a restoration that is not in this ledger. Choose one from the list.")
        return None
    if chosen != st.query_params.get("code"):
        st.query_params["code"] = chosen
    return chosen


def heading(report: Any, code: str) -> None:
    """Name the tooth and offer the report as a file."""
    restoration = report.record.restoration
    left, right = st.columns([4, 1], vertical_alignment="bottom")
    left.title(f"{code} · tooth {restoration.tooth.iso3950} (Universal {restoration.tooth.universal})")
    left.caption(f"{restoration.tooth.name} · placed {restoration.placed_on} · {len(report.record.visits)} visits")
    right.download_button(
        "Report as HTML", session.paper(code), file_name=f"{code}.html", mime="text/html", on_click="ignore", width="stretch"
    )


def over_time(charts: Any, how_to_read: str) -> None:
    """Draw the charts, as many a row as fit."""
    st.header("Over time", divider="gray")
    if not charts:
        st.info("No readings yet. Measure a photo of this tooth, or take in its folder again with annotations.")
        return
    st.html(how_to_read)
    rows = st.container(horizontal=True)
    for chart in charts:
        rows.container(width=590).vega_lite_chart(chart.spec, theme=None, width="stretch", height=390, alt=chart.alt)


def readings(report: Any, code: str) -> None:
    """List every reading and offer the table as a file."""
    table = report.series
    st.header(f"All readings ({len(table)})", divider="gray")
    if len(table) == 0:
        st.info("None on record.")
        return
    st.dataframe(table.drop(columns=["restoration", "sha256"]), hide_index=True, width="stretch")
    st.download_button("Readings as CSV", table.to_csv(index=False), file_name=f"{code}-readings.csv", mime="text/csv", on_click="ignore")


show()
