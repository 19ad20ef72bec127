"""What a photo said, one line a reading: measured, below detection, proposed or refused, told apart by shape and word."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from html import escape
from typing import Any

import streamlit as st

from audit import api
from ui.tables import TABLE_STYLE

__all__ = ["SIGNS", "show_results"]

# word -> (shape, what it means); the one language of all pages
SIGNS: Mapping[str, tuple[str, str]] = {
    "measured": ("●", "a value with its uncertainty"),
    "detected": ("◐", "it is there, too small to be sized"),
    "below detection": ("○", "nothing seen; up to the limit it could be hidden"),
    "proposed": ("◇", "rests on an outline that nobody has confirmed"),
    "refused": ("✕", "not measured, and why"),
    "confirmed": ("✓", "in the record"),
    "held back": ("▭", "shown after the examiner's own rating"),
}


def show_results(entry: Any, measured: Any, held: set[str], take_over: Callable[[str, Any], None]) -> None:
    """Draw readings and refusals of one photo, and offer its proposed outline.

    Parameters
    ----------
    entry : PhotoEntry
    measured : Measured
    held : set of str
        Measurands that are held back until the examiner has rated what they speak of.
    take_over : callable
        Puts the proposed outline into the marks.
    """
    document = measured.document
    if document.calibration is None:
        st.warning("No scale: only what needs none was measured.")
    if any(reading.details.get("by") == "proposal" for reading in document.readings):
        left, right = st.columns([3, 1], vertical_alignment="center")
        left.markdown(
            "◇ **Proposed.** The dashed outline of the metal is the tool's. Look closely; take it over to correct it, or draw it."
        )
        right.button("Take the outline over", on_click=take_over, args=(entry.file, measured), width="stretch")
    lines = [_reading(reading, held) for reading in document.readings] + [_refusal(refusal) for refusal in document.refusals]
    head = "<thead><tr><th>How</th><th>What</th><th>Reading, 95 % interval</th><th>Remarks</th></tr></thead>"
    st.html(f"{TABLE_STYLE}<table class='said'>{head}<tbody>{''.join(lines)}</tbody></table>")


def _reading(reading: Any, held: set[str]) -> str:
    if reading.measurand in held:
        return _line("held back", api.measurand_words(reading.measurand), "—", "Rate this visit first.")
    proposed = reading.details.get("by") == "proposal"
    word = "proposed" if proposed else reading.status.replace("_", " ")
    value = reading.value
    number, u = (None, None) if value is None else (value.value, value.u)
    said = api.reading_words(reading.status, number, u, *reading.interval95, reading.unit, reading.measurand)
    remarks = ", ".join(flag.replace("_", " ").replace(":", ": ") for flag in reading.flags)
    return _line(word, api.measurand_words(reading.measurand), said, remarks)


def _refusal(refusal: Any) -> str:
    return _line("refused", api.measurand_words(refusal.measurand), refusal.reason, refusal.hint)


def _line(word: str, what: str, said: str, remarks: str) -> str:
    shape, meaning = SIGNS[word]
    return (
        f"<tr><td class='sign' title='{escape(meaning)}'><b aria-hidden='true'>{shape}</b>{word}</td><td>{escape(what)}</td>"
        f"<td>{escape(said)}</td><td><small>{escape(remarks)}</small></td></tr>"
    )
