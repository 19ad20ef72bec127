"""Study club: what became of all restorations of the ledger, with numbers at risk, and its members beside one another."""

from __future__ import annotations

from typing import Any

import pandas as pd
import streamlit as st

from audit import api
from ui import session
from ui.tables import plain_table

UNTIL = {"success": "still a success", "survival": "still in place"}
BY = {"": "all together", "design": "design", "tooth_group": "group of teeth", "arch": "jaw", "alloy": "alloy", "operator": "operator"}


def show() -> None:
    """Draw the page."""
    st.title("Study club")
    if session.ledger_url() is None:
        st.info("No ledger is open. Start the pages with `restoration-audit app --ledger URL`, or with `make app` for the demo club.")
        return
    left, right = st.columns([2, 1], vertical_alignment="bottom")
    until = left.segmented_control("Counted as long as a restoration is", list(UNTIL), format_func=UNTIL.__getitem__, default="success")
    by = right.selectbox("Side by side", list(BY), format_func=BY.__getitem__)
    try:
        found = session.outcomes(until or "success", (by,) if by else ())
    except api.AuditError as error:
        st.info(f"{error.message} {error.hint}")
        return
    if found.followed.empty:
        st.info("No restoration is followed yet. Take in a practice folder first: `restoration-audit intake FOLDER --ledger URL`.")
        return
    for note in found.notes:
        st.caption(note)
    words = dict(zip(found.meaning["event"], found.meaning["words"], strict=True))
    over_time(found.survival)
    ends(found.rates, words)
    members(found.members)
    followed(found.followed, words)


def over_time(table: Any) -> None:
    """How many are left after how many years."""
    st.header("Over the years", divider="gray")
    rows = [
        (row.stratum.replace("_", " "), f"{row.years:g}", str(row.at_risk), share(row.kaplan_meier), interval(row),
         f"{share(row.turnbull_low)} to {share(row.turnbull_high)}")
        for row in table.itertuples()
    ]  # fmt: skip
    plain_table(
        ("Group", "Years", "Seen that long", "Left, Kaplan-Meier", "95 % by patients", "Left, whole interval since last seen"), rows
    )
    for why in sorted(set(table["why_no_interval"]) - {""}):
        st.caption(f"✕ Refused interval: {why}")


def ends(table: Any, words: dict[str, str]) -> None:
    """What ended it."""
    st.header("What ended it", divider="gray")
    rows = [
        (words.get(row.end, row.end), str(row.events), f"{row.years:.1f}", f"{row.per_100_years:.1f} ({row.low:.1f} to {row.high:.1f})")
        for row in table.itertuples()
    ]
    if rows:
        plain_table(("End", "How many", "Restoration-years", "In 100 restoration-years, 95 %"), rows)
    else:
        st.info("Nothing has ended yet.")


def members(table: Any) -> None:
    """Members beside one another, each against what would be expected of all."""
    st.header("Members", divider="gray")
    if table.empty:
        st.info("Members cannot be compared yet: it takes at least two with restorations that were followed.")
        return
    rows = [
        (row.member, str(row.restorations), f"{row.years:.1f}", str(row.observed), f"{row.expected:.1f}",
         f"{row.low:.2f} to {row.high:.2f}", share(row.power))
        for row in table.itertuples()
    ]  # fmt: skip
    plain_table(("Member", "Restorations", "Years", "Ends seen", "Expected", "Seen to expected, 95 %", "Chance to notice a doubling"), rows)
    st.caption("No ranking: an interval that reaches across 1 tells nothing apart.")


def followed(table: Any, words: dict[str, str]) -> None:
    """Every restoration that was counted, with its record."""
    with st.expander(f"The {len(table)} restorations that were counted"):
        for row in table.itertuples():
            said = "nothing ended it" if pd.isna(row.found) else f"{words.get(row.end, row.end)} after at most {row.found:.1f} years"
            left, right = st.columns([1, 4])
            left.page_link("views/tooth_record.py", label=row.restoration, query_params={"code": row.restoration})
            right.markdown(f"{row.design.replace('_', ' ')}, {row.alloy}; seen free of it for {row.free:.1f} years; {said}")


def interval(row: Any) -> str:
    """An interval in words, or that it was refused."""
    return "✕ refused" if row.why_no_interval else f"{share(row.low)} to {share(row.high)}"


def share(value: float) -> str:
    """A share as a percentage."""
    return f"{value:.0%}"


show()
