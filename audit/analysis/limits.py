"""Readings beside published limits, for orientation: other methods found them, on other things.

Notes
-----
The verdict comes from the 95 % interval and never from the point (JCGM 106:2012, guard bands): ``below`` where all of it lies under
the limit, ``above`` where all of it lies over, else ``cannot_tell``. A projected opening is not the gap of a section.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Literal

import pandas as pd

from audit.core.records import Reading

__all__ = ["DIFFERENT_METHOD", "LIMITS", "Orientation", "PublishedLimit", "orient", "to_frame"]

DIFFERENT_METHOD = "different method, for orientation"


@dataclass(frozen=True)
class PublishedLimit:
    """A figure of the literature: what it was said of, in `unit`, and by whom."""

    value: float
    unit: str
    words: str
    source: str


_HICKEL = "Hickel et al., Clin Oral Investig 2010;14:349-366. https://doi.org/10.1007/s00784-010-0432-8"
LIMITS = (
    PublishedLimit(
        120.0, "um", "largest marginal opening found clinically acceptable",
        "McLean & von Fraunhofer, Br Dent J 1971;131:107-111 (figure from memory, quoted by later texts)",
    ),
    PublishedLimit(150.0, "um", "marginal gap of FDI 2010 score 2 (good) stays under it", _HICKEL),
    PublishedLimit(250.0, "um", "marginal gap of FDI 2010 score 3 (sufficient) stays under it", _HICKEL),
)  # fmt: skip
_APPLIES_TO = ("widest_marginal_opening",)


@dataclass(frozen=True)
class Orientation:
    """A reading beside one limit."""

    measurand: str
    low: float
    high: float
    limit: PublishedLimit
    verdict: Literal["below", "cannot_tell", "above"]
    label: str = DIFFERENT_METHOD


def orient(reading: Reading) -> tuple[Orientation, ...]:
    """The published limits of a reading's kind, each with where its interval lies; none for other measurands."""
    if reading.measurand not in _APPLIES_TO:
        return ()
    low, high = reading.interval95
    return tuple(Orientation(reading.measurand, low, high, limit, _verdict(low, high, limit.value)) for limit in LIMITS)


def to_frame(orientations: Iterable[Orientation]) -> pd.DataFrame:
    """One row a limit."""
    return pd.json_normalize([asdict(o) for o in orientations], sep="_")


def _verdict(low: float, high: float, limit: float) -> Literal["below", "cannot_tell", "above"]:
    if high < limit:
        return "below"
    return "above" if low > limit else "cannot_tell"
