"""Stretches of equal state along a margin."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

__all__ = ["runs"]


def runs(state: np.ndarray) -> list[tuple[int, int, int]]:
    """Stretches of equal state: (first, last + 1, state)."""
    edges = np.flatnonzero(np.diff(state)) + 1
    bounds = [0, *edges.tolist(), len(state)]
    return [(a, b, int(state[a])) for a, b in pairwise(bounds)]
