"""Where the words of a PDF page lie, by an independent reader (pypdf)."""

from __future__ import annotations

from typing import Any

from pypdf import PageObject

__all__ = ["places_of_words"]


def places_of_words(page: PageObject) -> list[tuple[float, float]]:
    """Beginning of every run of text, points from the lower left corner."""
    places: list[tuple[float, float]] = []

    def visit(text: str, cm: list[float], tm: list[float], *_: Any) -> None:
        if text.strip():
            places.append((cm[0] * tm[4] + cm[2] * tm[5] + cm[4], cm[1] * tm[4] + cm[3] * tm[5] + cm[5]))

    page.extract_text(visitor_text=visit)
    return places
