"""Choosing a restoration, a visit and a photo, held in the address so that it can be linked to."""

from __future__ import annotations

from typing import Any

import streamlit as st

__all__ = ["code", "photo", "show", "visit", "words"]

_LIST = "choose"
_BELOW = {"code": ("visit", "photo"), "visit": ("photo",), "photo": ()}


def code(codes: list[str], *, label: str = "Restoration", at: Any = st) -> str | None:
    """The restoration asked for by the address or the list; ``None`` where the address names one that is not there."""
    return _chosen("code", label, codes, at, "The address names a restoration that is not here. Choose one from the list.")


def visit(days: list[str], *, at: Any = st) -> str | None:
    """The visit asked for, the latest by default."""
    return _chosen("visit", "Visit", sorted(days, reverse=True), at, "The address names a visit that is not here; this is the latest.")


def photo(cases: Any) -> Any:
    """The photo asked for by the address or three lists; ``None`` where there is none."""
    first, second, third = st.columns(3)
    chosen = code(sorted({one.restoration for one in cases.photos}), at=first)
    if chosen is None:
        return None
    on = visit(sorted({one.on for one in cases.photos if one.restoration == chosen}), at=second)
    if on is None:
        return None
    entries = {one.file: one for one in cases.photos if (one.restoration, one.on) == (chosen, on)}
    file = _chosen(
        "photo",
        "Photo",
        list(entries),
        third,
        "The address names a photo that is not here; this is the first of the visit.",
        lambda f: words(entries[f], f),
    )
    return entries.get(file) if file else None


def show(entry: Any) -> None:
    """Have the page show this photo from its next run on."""
    for key in [key for key in st.session_state if str(key).startswith(_LIST)]:
        del st.session_state[key]
    st.query_params.from_dict({"code": entry.restoration, "visit": entry.on, "photo": entry.file})


def words(entry: Any, file: str) -> str:
    """A photo in a list: what it shows and the name of its file."""
    return f"{entry.view.replace('_', ' ')} · {file.rpartition('/')[2]}"


def _let_go(name: str) -> None:
    """Another choice by hand: what the address says of it, and below it, is of the former one."""
    for former in (name, *_BELOW[name]):
        st.query_params.pop(former, None)


def _chosen(name: str, label: str, options: list[str], at: Any, missing: str, words: Any = str) -> str | None:
    """One of the options by a list whose choice stands in the address under `name`."""
    asked = st.query_params.get(name)
    known = asked in options
    index = options.index(asked) if known and asked is not None else None if asked is not None and name == "code" else 0
    key = f"{_LIST} {name} of {len(options)} {options[0]}"
    found: str | None = at.selectbox(
        label, options, index=index, placeholder="Choose", format_func=words, key=key, on_change=_let_go, args=(name,)
    )
    if found is None:
        st.warning(missing)
        return None
    if asked is not None and not known:
        st.warning(missing)
    if found != asked:
        st.query_params[name] = found
    return found
