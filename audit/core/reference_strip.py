"""The printable reference strip as geometry, millimetres: what the sheet prints is what a photograph is compared with.

x runs along the strip from its tip, y across it from the graduated edge, which faces the tooth. Only the head
(`HEAD_MM` from the tip) is ever looked for; the rest is a handle that keeps the strip from being a loose piece.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

__all__ = [
    "CHECK_MM", "GREYS_MM", "HEAD_MM", "LENGTH_MM", "MARKERS", "MARKER_MM", "SLANT_DEG", "WIDTH_MM", "Patch", "head_patches",
    "marker_corners", "slanted_edges",
]  # fmt: skip

LENGTH_MM = 150.0
WIDTH_MM = 8.0
HEAD_MM = 30.4
CHECK_MM = 100.0
"""Distance between the two check marks, in either direction of the sheet, if the printer did not rescale it."""
MARKER_MM = 3.6
SLANT_DEG = 5.0
"""Turn of the dark squares whose edges tell the blur, as the slanted-edge method wants it (ISO 12233: about 5 degrees)."""
GREYS_MM = (13.55, 16.85)
"""From where to where along the strip the neutral patches lie."""
_MARKER_TOP = 3.4
_CELLS = 6
_SQUARE_MM = 2.6
_SQUARES = ((7.2, SLANT_DEG), (23.2, -SLANT_DEG))
_GREYS = (0.75, 0.5, 0.25)
_TICK_MM = 0.16
_TICK_FROM = 0.4

MARKERS: Mapping[int, tuple[float, tuple[str, ...]]] = MappingProxyType(
    {
        33: (1.4, ("1111", "0000", "1100", "1011")),
        27: (9.4, ("1010", "0101", "0101", "0100")),
        7: (17.4, ("1100", "0100", "1111", "0010")),
        6: (25.4, ("1001", "1110", "0010", "1110")),
    }
)
"""Identity in OpenCV's dictionary ``DICT_4X4_50``: left edge along the strip in mm, and its inner cells, 1 is white.

These four differ by at least four cells from one another however they are turned, and by at least three from every
mirror image, so that a strip seen in a mirror is known to be mirrored.
"""


@dataclass(frozen=True)
class Patch:
    """A filled polygon, corners of shape (n, 2) in mm, of an encoded grey from 0 (black) to 1 (white)."""

    corners: np.ndarray
    grey: float


def marker_corners(identity: int) -> np.ndarray:
    """Corners of one fiducial, shape (4, 2), mm, in the order in which OpenCV lists them (clockwise from its top left)."""
    left = MARKERS[identity][0]
    return _rectangle(left, _MARKER_TOP, left + MARKER_MM, _MARKER_TOP + MARKER_MM)


def head_patches() -> list[Patch]:
    """All that is printed on the head, in the order of printing; bare stock is white."""
    patches = [Patch(_rectangle(x - _TICK_MM / 2, _TICK_FROM, x + _TICK_MM / 2, _TICK_FROM + _tick_length(x)), 0.0) for x in range(1, 31)]
    for identity in MARKERS:
        patches += _marker(identity)
    patches += [Patch(_square(x, turn), 0.0) for x, turn in _SQUARES]
    height = MARKER_MM / len(_GREYS)
    for row, grey in enumerate(_GREYS):
        patches.append(Patch(_rectangle(GREYS_MM[0], _MARKER_TOP + row * height, GREYS_MM[1], _MARKER_TOP + (row + 1) * height), grey))
    return patches


def slanted_edges() -> list[np.ndarray]:
    """The eight slanted edges, each of shape (2, 2), mm, dark on the right hand of the direction of travel (y down)."""
    edges: list[np.ndarray] = []
    for x, turn in _SQUARES:
        corners = _square(x, turn)
        edges += [corners[[k, (k + 1) % 4]] for k in range(4)]
    return edges


def _tick_length(x: int) -> float:
    return 2.4 if x % 10 == 0 else 1.8 if x % 5 == 0 else 1.2


def _marker(identity: int) -> list[Patch]:
    """A black square and its white cells as runs along and across, which overlap so that no seam shows between cells."""
    left, rows = MARKERS[identity]
    cell = MARKER_MM / _CELLS
    runs = [(match.start(), j, match.end(), j + 1) for j, row in enumerate(rows) for match in re.finditer("1+", row)]
    runs += [
        (i, match.start(), i + 1, match.end()) for i, column in enumerate(map("".join, zip(*rows))) for match in re.finditer("11+", column)
    ]
    white = [
        Patch(_rectangle(left + (1 + i) * cell, _MARKER_TOP + (1 + j) * cell, left + (1 + k) * cell, _MARKER_TOP + (1 + n) * cell), 1.0)
        for i, j, k, n in runs
    ]  # fmt: skip
    return [Patch(marker_corners(identity), 0.0), *white]


def _rectangle(x0: float, y0: float, x1: float, y1: float) -> np.ndarray:
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])


def _square(x: float, turn_deg: float) -> np.ndarray:
    cos, sin = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    corners = _rectangle(-1.0, -1.0, 1.0, 1.0) * _SQUARE_MM / 2
    return np.asarray(corners @ np.array([[cos, sin], [-sin, cos]]) + np.array([x, _MARKER_TOP + MARKER_MM / 2]))
