"""At the chair: a watched folder; every photograph that arrives is usable or to be taken again, large enough to read across the room."""

from __future__ import annotations

import time
from html import escape
from pathlib import Path
from typing import Any
from urllib.parse import quote

import streamlit as st

from audit import api
from ui import session

EVERY_S = 2.0
SHOWN = 6
# flag of intake -> what to do about it; the first that holds is said
RETAKE = {
    "soft": "the photograph is soft: focus on the margin, hold still, stop down",
    "clipped": "too much is white: less flash, or dry the tooth",
    "dark": "too dark: more flash",
    "low_jpeg_quality": "saved too coarsely: set the camera to its finest JPEG",
    "jpeg_damaged": "the file is damaged: send it again",
    "resampled": "not the camera's own size: send the original",
}


def show() -> None:
    """Draw the page."""
    st.title("At the chair")
    if session.cases() is None:
        st.info("Open a practice folder first: `restoration-audit app --folder FOLDER`.")
        return
    st.caption(
        f"Watches `{Path(session.folder()) / 'incoming'}`: let the camera's tether, a card or a phone put its files there. Judged here: "
        "focus, exposure, the file itself, and how a rule or strip lies. Whether the margin is dry and free is for your own eyes."
    )
    st.session_state.setdefault("since", time.time() - 120)
    watch()


@st.fragment(run_every=EVERY_S)
def watch() -> None:
    """Show the newest arrivals; runs by itself."""
    arrived = newest(Path(session.folder()) / "incoming", st.session_state["since"])
    if not arrived:
        st.html(f"{STYLE}<div class='verdict waiting'><b>Waiting for a photograph</b></div>")
        return
    known = st.session_state.setdefault("judged", {})
    for path, stamp in arrived:
        if (path.name, stamp) not in known:
            known[path.name, stamp] = judged(path.relative_to(session.folder()).as_posix())
    latest, *earlier = (known[path.name, stamp] for path, stamp in arrived)
    st.html(STYLE + verdict(latest))
    if earlier:
        st.html("<div class='earlier'>" + "".join(verdict(one, small=True) for one in earlier) + "</div>")


def judged(file: str) -> tuple[Any, Any]:
    """What intake says of a photo, and what is seen of its reference; a radiograph needs none."""
    guess = api.guess_photo(session.desk(), session.cases(), file)
    needs_one = guess.usable and guess.view not in ("bitewing", "smile_front", "smile_oblique", "stage")
    return guess, api.reference_at_a_glance(session.desk(), file) if needs_one else None


def newest(folder: Path, since: float) -> list[tuple[Path, int]]:
    """Whole image files that arrived since, the newest first; one that is still being written is left for the next look."""
    if not folder.is_dir():
        return []
    found = [(path, path.stat()) for path in folder.iterdir() if path.suffix.lower() in SUFFIXES and not path.name.startswith(".")]
    fresh = [(path, stat) for path, stat in found if stat.st_mtime >= since and time.time() - stat.st_mtime > 0.4]
    return [(path, stat.st_mtime_ns) for path, stat in sorted(fresh, key=lambda one: -one[1].st_mtime)[:SHOWN]]


SUFFIXES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".heic", ".heif", ".dcm")
STYLE = """<style>
.verdict { display: flex; gap: 28px; align-items: center; padding: 26px 30px; border: 3px solid; border-radius: 8px; margin: 6px 0 14px; }
.verdict b { display: block; font-size: clamp(2.6rem, 7vw, 5.4rem); line-height: 1.05; font-weight: 700; }
.verdict span { font-size: clamp(1.3rem, 2.6vw, 2.1rem); line-height: 1.25; }
.verdict small { display: block; opacity: .75; font-size: .95rem; margin-top: 8px; }
.verdict img { width: 300px; max-width: 34%; border-radius: 4px; background: #191c1f; }
.usable { color: #1f6b5c; border-color: #1f6b5c; }
.retake { color: #9a4a00; border-color: #9a4a00; border-style: dashed; }
.waiting { opacity: .6; border-style: dotted; }
.earlier { display: grid; grid-template-columns: repeat(auto-fill, minmax(300px, 1fr)); gap: 10px; }
.earlier .verdict { padding: 10px 14px; gap: 12px; border-width: 2px; margin: 0; }
.earlier b { font-size: 1.3rem; } .earlier span { font-size: .95rem; }
.earlier img { width: 96px; }
.dark .usable { color: #7fd0bc; border-color: #7fd0bc; } .dark .retake { color: #f0b070; border-color: #f0b070; }
</style>"""


def verdict(arrived: tuple[Any, Any], *, small: bool = False) -> str:
    """One photograph's card: usable, or retake with the first reason, and what is seen of its reference."""
    guess, glance = arrived
    name = escape(guess.file.rpartition("/")[2])
    if not guess.usable:
        kind, word, reason = "retake", "✕ Retake", "the file cannot be read: " + guess.remarks[0]
    elif reasons := [words for flag, words in RETAKE.items() if flag in guess.remarks]:
        kind, word, reason = "retake", "✕ Retake", reasons[0]
    elif glance is not None and glance.word == "leans":
        kind, word, reason = "retake", "✕ Retake", "the reference lies in another plane: lay it flat beside the tooth"
    else:
        kind, word, reason = "usable", "✓ Usable", "in focus and well exposed"
    picture = f"<img alt='' src='/desk/overview?file={quote(guess.file)}&s={200 if small else 640}'>" if guess.usable else ""
    seen = f"{escape(glance.words)}<br>" if glance is not None and not small else ""
    theme = "dark" if st.context.theme.type == "dark" else ""
    said = f"<div><b>{word}</b><span>{escape(reason)}</span><small>{seen}{name}</small></div>"
    return f"<div class='{theme}'><div class='verdict {kind}'>{picture}{said}</div></div>"


show()
