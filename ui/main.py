"""Frame of the pages: navigation on top, cautions below."""

from __future__ import annotations

from pathlib import Path

import streamlit as st

from audit import api
from ui.look import dress

VIEWS = Path(__file__).parent / "views"

st.set_page_config(page_title="Recall audit", layout="wide")
page = st.navigation(
    [
        st.Page(VIEWS / "recall_list.py", title="Recall list", default=True),
        st.Page(VIEWS / "at_the_chair.py", title="At the chair", url_path="at_the_chair"),
        st.Page(VIEWS / "bring_in.py", title="Bring in", url_path="bring_in"),
        st.Page(VIEWS / "findings.py", title="Findings", url_path="findings"),
        st.Page(VIEWS / "measure_photo.py", title="Measure", url_path="measure_photo"),
        st.Page(VIEWS / "tooth_record.py", title="Tooth record", url_path="tooth_record"),
        st.Page(VIEWS / "study_club.py", title="Study club", url_path="study_club"),
        st.Page(VIEWS / "settings.py", title="Settings", url_path="settings"),
    ],
    position="top",
)
dress()
page.run()
with st.expander("Cautions: read before acting on a number"):
    for caution in api.CAUTIONS:
        st.markdown(f"- {caution}")
