"""When the visits of the invented club were, and what holds at each."""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any, TypeVar

import numpy as np

from audit.synthetic.club_cases import BASELINE, PLACEMENT, PREPARATION, Case

__all__ = ["at_month", "seed_of", "stage_of", "visit_day"]

Key = TypeVar("Key")


def visit_day(case: Case, month: int) -> str:
    """ISO date of a visit: never on a weekend, within ten days of when it was due; baseline at 3 to 6 weeks."""
    placed = date.fromisoformat(case.placed_on)
    draw = np.random.default_rng(seed_of(case.code, month, "day"))
    if month == PREPARATION:
        day = placed - timedelta(days=int(draw.integers(14, 24)))
    elif month == PLACEMENT:
        return case.placed_on
    elif month == BASELINE:
        day = placed + timedelta(days=int(draw.integers(21, 41)))
    else:
        years, months = divmod(placed.month - 1 + month, 12)
        due = date(placed.year + years, months + 1, min(placed.day, 28))
        day = due + timedelta(days=int(draw.integers(-8, 9)))
    weekend = max(0, day.isoweekday() - 5)
    return (day + timedelta(days=3 - weekend if weekend else 0)).isoformat()


def stage_of(case: Case, month: int) -> str:
    """Stage of a visit, a word of the vocabulary."""
    if month == BASELINE or month in case.baselines:
        return "baseline"
    return {PREPARATION: "preparation", PLACEMENT: "placement"}.get(month, "recall")


def at_month(held: Mapping[int, Mapping[Key, Any]], month: int) -> dict[Key, Any]:
    """What holds at a month: entries of that month and earlier, later ones winning."""
    merged: dict[Key, Any] = {}
    for since in sorted(held):
        if since <= month:
            merged.update(held[since])
    return merged


def seed_of(*words: object) -> int:
    """A seed from words, the same on every machine."""
    return zlib.crc32("/".join(map(str, words)).encode())
