"""Published figures drawn beside the readings. They come from other methods and are for orientation only."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["LIMITS", "PublishedLimit", "limits_for"]

DIFFERENT_METHOD = "different method, for orientation"


@dataclass(frozen=True)
class PublishedLimit:
    """One published figure for a measurand, in the measurand's unit."""

    measurand: str
    value: float
    label: str
    source: str


LIMITS = (
    PublishedLimit(
        "widest_marginal_opening", 120.0, "120 µm, McLean 1971",
        "McLean and von Fraunhofer, Br Dent J 1971;131:107-111: 120 µm as the largest acceptable opening; 1000 restorations, 5 years.",
    ),
    PublishedLimit(
        "widest_marginal_opening", 250.0, "250 µm, Hickel 2010",
        "Hickel et al., Clin Oral Investig 2010;14:349-366: a gap under 250 µm is still sufficient, judged by explorer and eye.",
    ),
    PublishedLimit(
        "widest_radiographic_gap", 100.0, "100 µm, DZZ 1995",
        "Dtsch Zahnärztl Z 1995;(7), densitometry of marginal fit: between enamel edges a gap could be verified only from 100 µm on.",
    ),
)  # fmt: skip


def limits_for(measurand: str, highest: float) -> list[PublishedLimit]:
    """Limits to draw for a measurand: the lowest one always, a higher one once a bar has passed the one before it."""
    chosen: list[PublishedLimit] = []
    for limit in sorted((one for one in LIMITS if one.measurand == measurand), key=lambda one: one.value):
        if not chosen or highest > chosen[-1].value:
            chosen.append(limit)
    return chosen
