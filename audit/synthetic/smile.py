"""The smile from the front: the upper arch between the lips, the audited tooth far back at its side.

Notes
-----
Simplified: a parabolic arch, each crown as in the facial view but narrowed by its turn away from the
camera; lips and skin are one smooth surface; no tongue, no lower teeth. The audited tooth is drawn in
place, with its metal, as far as it is turned to the camera.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np

from audit.imaging.smooth import gaussian
from audit.synthetic.crown import Crown, Row
from audit.synthetic.gum import gum_line
from audit.synthetic.outlines import facial_margin
from audit.synthetic.relief import Grid, assemble
from audit.synthetic.spec import Mouth
from audit.synthetic.stage import Stage, own_middle

__all__ = ["build_smile"]

GRID = Grid(left_mm=-48.0, top_mm=-36.0, per_mm=12.0, columns=1152, rows=864)
# width and height (mm), level of the tip, of the teeth from the midline to the first molar
TEETH = ((8.6, 10.4, 0.0), (6.7, 9.2, -0.7), (7.7, 10.0, 0.1), (7.1, 8.5, -0.5), (6.8, 7.8, -0.8), (10.3, 7.3, -1.0))
BLUNT = (1.0, 0.9, 0.3, 0.1, 0.1, 0.0)


def _arch(mouth: Mouth) -> Row:
    """Crowns of the arch from the audited side round to the other, and which is audited."""
    rng = np.random.default_rng([mouth.seed, 3])
    grow = rng.normal(1.0, 0.02, (2, len(TEETH)))
    half: list[list[Crown]] = []
    for side in (0, 1):
        at, depth, turn, made = 0.06, 0.0, 0.08, []
        for index, (width, height, tip) in enumerate(TEETH):
            wide = width * float(grow[side, index])
            turn = min(turn + (0.05, 0.20, 0.32, 0.24, 0.10, 0.06)[index], 1.12)
            shown = wide * np.cos(turn)
            sign = 1.0 if side else -1.0
            tall, back = height * float(grow[side, index]), depth + 0.5 * wide * float(np.sin(turn))
            lean, tint = -0.8 * sign * float(np.tan(turn)), float(rng.normal(0.0, 0.2))
            made.append(Crown(sign * (at + shown / 2), float(shown), tall, tip + 5.0, back, lean, index == 5, tint, BLUNT[index]))
            at, depth = at + shown + 0.03, depth + wide * np.sin(turn)
        half.append(made)
    crowns = (*half[0][::-1], *half[1])
    return Row(crowns, 0 if mouth.kind == "molar" else 1)


@lru_cache(maxsize=2)
def build_smile(mouth: Mouth) -> Stage:
    """The smile of a mouth."""
    row = _arch(mouth)
    x, y = GRID.mesh()
    crowns = np.stack([crown.surface(x, y, -45.0) for crown in row.crowns])
    owner, teeth = crowns.argmax(axis=0), crowns.max(axis=0)
    margin = None if mouth.prepared else facial_margin(mouth, row)
    metal = along = np.full(x.shape, -99.0)
    if margin is not None:
        near = np.abs(x - row.tooth.x_mm) < 0.7 * row.tooth.width_mm
        metal, along = metal.copy(), along.copy()
        metal[near], along[near] = margin.distance(x[near], y[near])
    line = gum_line(row, GRID.left_mm + np.arange(GRID.columns) / GRID.per_mm, mouth.recession_mm)
    into = line[None, :] - y
    gum = gaussian(np.maximum(teeth, -30.0).astype(np.float32), 8.0) + 0.6 * (1 - np.exp(-np.clip(into, 0, None) / 0.4))
    height = np.where(into > 0, np.maximum(gum, teeth + 0.03), teeth)
    insides = np.stack([crown.inside(x, y) for crown in row.crowns])
    here = np.take_along_axis(insides, owner[None], 0)[0]
    own = np.where(owner == row.audited, insides[row.audited], np.minimum(insides[row.audited], 0.0))
    level = np.take_along_axis(np.stack([(y - c.neck_mm) / c.height_mm for c in row.crowns]), owner[None], 0)[0]
    tint = np.array([c.tint for c in row.crowns])[owner]
    relief = assemble(GRID, np.maximum(height, -45.0), (own, into, metal, along), (here, level, tint, np.zeros_like(x)))
    relief = replace(relief, dim_mm=22.0)
    tooth = row.tooth
    return Stage(relief, own_middle(relief, tooth.x_mm, tooth.tip_mm - 0.5 * tooth.height_mm), "facial", "facial_surface")
