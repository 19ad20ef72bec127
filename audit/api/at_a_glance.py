"""What a photo that has just arrived says of its reference, before anything is marked on it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Literal

from audit.api.desk import Desk
from audit.api.reference import unaided
from audit.errors import Refused
from audit.imaging.codec import read_image
from audit.intake import accept

__all__ = ["Glance", "reference_at_a_glance"]

_LEANS = ("reference_leans_too_much", "bad_tilt")


@dataclass(frozen=True)
class Glance:
    """Whether a rule or strip was found by itself, and in words what is to be said of it; another kind of reference finds nobody alone."""

    word: Literal["found", "leans", "not_found"]
    words: str


def reference_at_a_glance(desk: Desk, file: str) -> Glance:
    """Look for a rule or a printed strip, and whether it lies as it should.

    Raises
    ------
    ImageError
        The file cannot be read.
    """
    image = read_image(desk.image(file))
    photo = accept(image, radiograph=False, today=date.today())
    try:
        scale = unaided(image, photo)
    except Refused as refused:
        if refused.code in _LEANS:
            return Glance("leans", refused.message)
        return Glance("not_found", "No rule or strip was found by itself: see that the reference is in view.")
    if "reference_leans" in scale.flags:
        return Glance("leans", f"The {scale.reference} leans.")
    way = ", seen in the mirror: the tooth must be seen in it too" if scale.seen_in == "mirror" else ""
    return Glance("found", f"A {scale.reference} was found, {scale.mm_per_px.value * 1000:.1f} µm a pixel{way}.")
