"""What was found on a photo as plain lines in its pixels, for a canvas that draws for itself."""

from __future__ import annotations

from typing import Any

import numpy as np

from audit.core.picture import PENS, Pen
from audit.imaging.draw import Layer
from audit.imaging.overlay import Frame, Marks, draw_marks

__all__ = ["found_on"]

_MARKED = ("facial_surface", "occlusal_surface", "gingival_margin", "fit_site", "margin", "landmark")


def found_on(marks: Marks) -> list[dict[str, Any]]:
    """Lines that were found: ``{"pen", "xy", "closed"}``; what the reader drew is left out."""
    lines = _Lines()
    draw_marks(lines, marks, Frame(np.zeros(2), 1.0))
    return lines.drawn


class _Lines(Layer):
    """A layer that keeps the lines instead of drawing them."""

    def __init__(self) -> None:
        super().__init__(1, 1)
        self.drawn: list[dict[str, Any]] = []

    def line(self, xy: np.ndarray, pen: Pen, closed: bool = False) -> None:
        name = next(name for name, one in PENS.items() if one is pen)
        if name not in _MARKED:
            self.drawn.append({"pen": name, "xy": np.round(xy, 2).tolist(), "closed": closed})

    def cross(self, x: float, y: float, pen: Pen, arm_px: float = 9.0) -> None:
        """Crosses are the reader's own points."""
