"""Recall list: every restoration, how it stands and when it is due."""

from __future__ import annotations

import streamlit as st

from audit import api
from ui import session

SHOW = {"all": "All", "attention": "Needs attention", "due": "Due first"}


def show() -> None:
    """Draw the page."""
    st.title("Recall list")
    url = session.ledger_url()
    if url is None:
        st.info("No ledger is open. Start the pages with `restoration-audit app --ledger URL`, or with `make app` for the demo club.")
        return
    try:
        rows = session.rows()
    except api.AuditError as error:
        st.info(f"{error.message} {error.hint}")
        return
    if not rows:
        st.info("The ledger is empty. Take in a practice folder first: `restoration-audit intake FOLDER --ledger URL`.")
        return
    members = sorted({row.member for row in rows})
    left, right = st.columns([3, 1], vertical_alignment="bottom")
    choice = left.segmented_control("Show", list(SHOW), format_func=SHOW.__getitem__, default="all")
    member = right.selectbox("Member", ["all", *members])
    chosen = [row for row in rows if member in ("all", row.member)]
    if choice == "attention":
        chosen = [row for row in chosen if row.status == "attention"]
    elif choice == "due":
        chosen = sorted((row for row in chosen if row.next_due), key=lambda row: row.next_due)
    if chosen:
        st.html(api.list_fragment(chosen))
    else:
        st.info("No restoration of this kind. Choose another list or another member.")
    st.caption(f"{len(chosen)} of {len(rows)} restorations. Tooth by ISO 3950, Universal number beside it. A code opens its record.")


show()
