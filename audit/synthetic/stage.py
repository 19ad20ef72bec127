"""One side of a mouth, built: what a photograph draws and what its truth is reckoned from."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from audit.synthetic.outlines import Margin
from audit.synthetic.relief import Relief

__all__ = ["EMPTY", "Stage", "lift", "own_middle", "seen_margin"]

EMPTY = np.empty((0, 3))
EMPTY.setflags(write=False)


@dataclass(frozen=True)
class Stage:
    """One side of a mouth.

    Parameters
    ----------
    relief : Relief
    middle : ndarray, shape (3,)
        Reference point of the tooth: its middle, in the plane at the mean height of the surface shown.
    surface : str
        Surface shown, in the words of the vocabulary.
    outline_role : str or None
        Role under which the surface is outlined.
    margin, along_mm : ndarray, shape (n, 3) and (n,)
        Restoration margin that is not under gingiva, and running length along it; empty where there is none.
    gingival_margin, cervical : ndarray, shape (m, 3), (k, 3)
        Gingival margin at the tooth, and the cervical stretch of the finish line.
    island : ndarray, shape (l, 3)
        Outline of an occlusal perforation.
    bevel : ndarray, shape (2, 3)
        Finish line and edge of the bevel over the mesiofacial cusp; empty where there is none.
    """

    relief: Relief
    middle: np.ndarray
    surface: str
    outline_role: str | None
    margin: np.ndarray = field(default_factory=lambda: EMPTY)
    along_mm: np.ndarray = field(default_factory=lambda: np.empty(0))
    gingival_margin: np.ndarray = field(default_factory=lambda: EMPTY)
    cervical: np.ndarray = field(default_factory=lambda: EMPTY)
    island: np.ndarray = field(default_factory=lambda: EMPTY)
    bevel: np.ndarray = field(default_factory=lambda: EMPTY)


def lift(relief: Relief, xy: np.ndarray) -> np.ndarray:
    """Points on the relief over (x, y), shape (n, 2) to (n, 3)."""
    return np.column_stack([xy, relief.at(np.ascontiguousarray(relief.form[..., 0]), xy[:, 0], xy[:, 1])])


def own_middle(relief: Relief, x_mm: float, y_mm: float) -> np.ndarray:
    """Reference point over (x, y) at the mean height of the audited surface."""
    own = (relief.ground[..., 0] > 0) & (relief.ground[..., 1] < 0)
    return np.array([x_mm, y_mm, float(relief.form[..., 0][own].mean())])


def seen_margin(relief: Relief, margin: Margin, from_outline_mm: float) -> tuple[Relief, np.ndarray, np.ndarray]:
    """The longest unbroken part of a margin that lies on the surface shown, off its outline and the gingiva.

    Returns
    -------
    Relief
        With running length counted from the first point of that part.
    points, along_mm : ndarray, shape (n, 3), (n,)
    """
    ground = relief.at(relief.ground, margin.xy[:, 0], margin.xy[:, 1])
    keep = _longest((ground[:, 0] > from_outline_mm) & (ground[:, 1] < -0.05))
    along = margin.along[keep]
    start = np.float32(along[0]) if along.size else np.float32(0.0)
    shifted = relief.ground.copy()
    shifted[..., 3] -= start
    return replace(relief, ground=shifted), lift(relief, margin.xy[keep]), along - start


def _longest(keep: np.ndarray) -> np.ndarray:
    """The first of the longest runs of a mask, as a mask: a reader traces one stretch and does not jump across metal."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], keep.astype(int), [0]])))
    out = np.zeros_like(keep)
    if edges.size:
        starts, ends = edges[::2], edges[1::2]
        best = int(np.argmax(ends - starts))
        out[starts[best] : ends[best]] = True
    return out
