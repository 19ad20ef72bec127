"""Measure a photo: an upload with its annotation file, the readings and refusals, and the document to keep."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path
from typing import Any

import streamlit as st

from audit import api

SUFFIXES = ["jpg", "jpeg", "png", "tif", "tiff", "heic", "heif", "dcm"]


def show() -> None:
    """Draw the page."""
    st.title("Measure a photo")
    left, right = st.columns(2)
    photo = left.file_uploader("Photo or bitewing", type=SUFFIXES)
    marks = right.file_uploader("Annotations of that photo (GeoJSON)", type=["geojson", "json"])
    if photo is None:
        st.info("Choose a photo. With its annotation file beside it the tooth is measured; without one only what needs no marks is said.")
        return
    try:
        annotations = None if marks is None else json.loads(marks.getvalue().decode("utf-8"))
    except (ValueError, RecursionError):
        st.error("The annotation file must be JSON; got something else. Save the annotations again as GeoJSON.")
        return
    with tempfile.TemporaryDirectory() as scratch:
        path = Path(scratch) / ("photo" + Path(photo.name).suffix.lower())
        path.write_bytes(photo.getbuffer())
        try:
            with st.spinner("Measuring ..."):
                document = api.measure_photo(path, annotations=annotations)
                picture = api.overlay_png(path, annotations, document)
        except api.AuditError as error:
            st.error(error.message)
            st.write(error.hint)
            return
    st.image(picture, width="stretch", alt="The photo with what was marked and measured drawn over it")
    calibration(document)
    st.html(api.document_fragment(document))
    st.download_button(
        "Document as JSON",
        json.dumps(document.to_json(), indent=1),
        file_name="measurement.json",
        mime="application/json",
        on_click="ignore",
    )


def calibration(document: Any) -> None:
    """Say what the scale is, or that there is none."""
    found = document.calibration
    if found is None:
        st.warning("No scale: only what needs none was measured. Mark the reference that stands in the same photo.")
        return
    scale = found.mm_per_px
    st.caption(f"Scale from a {found.reference.replace('_', ' ')}: {scale.value * 1000:.2f} µm a pixel, standard uncertainty "
               f"{100 * scale.u / scale.value:.1f} %. Method {found.method}.")  # fmt: skip


show()
