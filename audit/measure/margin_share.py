"""Says what share of the assessed margin is continuous, and from what width on an opening counts.

Notes
-----
The share is of the assessed length and holds at a stated threshold: stretches open by less count as continuous, because the photo
could not have shown all of them. The threshold is the finest rung that 95 % of the assessed margin could have shown and at which the
photo decides: what is open for certain and what may be open there differ by a tenth of the length at most. Up to 250 um, the
coarsest limit of the 2010 FDI criteria, no rung may do; a share that stays between two thirds and nothing is refused.

Two visits are compared at the coarser of their thresholds (`core.continuous_margin`). Length that could not be assessed is counted once
as continuous and once as open in `details`.

References
----------
Hickel et al., Clin Oral Investig 2010;14:349-366, https://doi.org/10.1007/s00784-010-0432-8
"""

from __future__ import annotations

from typing import Any

import numpy as np

from audit.core.continuous_margin import continuous_fraction_at, counted_from
from audit.core.quantity import Quantity, source
from audit.core.records import Reading
from audit.errors import Refused
from audit.measure.detection import OPEN
from audit.measure.margin_readings import DRAWS, MAY_BE_REFLECTION, METHOD, SEED, Margin
from audit.measure.reflections import MAY_BE_OPEN
from audit.measure.runs import runs

__all__ = ["COARSEST_UM", "THRESHOLDS_UM", "continuous_share"]

THRESHOLDS_UM = (40.0, 50.0, 75.0, 100.0, 125.0, 150.0, 200.0, 250.0, 300.0, 400.0, 500.0)
COARSEST_UM = 250.0
"""A stretch that could hide a wider opening is not assessed, and no share counts from beyond: coarsest limit of the 2010 FDI criteria."""
DECIDED, UNDECIDED = 0.1, 2.0 / 3.0
"""Widest interval of a share that the photo decides, and from which on it says nothing; common practice, no published source."""
ONE_SIDED = 1.645
TAPER_MM = 0.4
"""Ends of an opening that read as continuous because it tapers there; common practice, no published source."""


def continuous_share(margin: Margin) -> Reading:
    """Share of the assessed length that is continuous, at the finest threshold at which the photo decides.

    Raises
    ------
    Refused
        ``undecided_opening``: at no threshold.
    """
    stations = margin.table()
    shares = [_share_at(margin, threshold, stations) for threshold in _rungs(margin)]
    decided = next((share for share in shares if _breadth(share) <= DECIDED), min(shares, key=_breadth))
    if _breadth(decided) > UNDECIDED:
        low, high = decided.interval95
        width = f"{decided.details['threshold']:g} {decided.details['threshold_unit']}"
        raise Refused(
            "undecided_opening",
            f"continuous_margin_fraction must be told at some width of opening; got a dark line that may or may not be wider than {width}, "
            f"so that {100 * low:.0f} to {100 * high:.0f} % may be continuous.",
            "See the interval of the widest opening; probe there, and photograph it larger and sharper.",
        )
    return decided


def _breadth(share: Reading) -> float:
    return share.interval95[1] - share.interval95[0]


def _rungs(margin: Margin) -> list[float]:
    """Thresholds from the finest that 95 % of the assessed margin could have shown, up to the coarsest of use."""
    limit = float(np.quantile(margin.limit[margin.assessed], 0.95))
    if margin.calibration is None:
        return [float(np.ceil(limit))]
    able = [rung for rung in THRESHOLDS_UM if rung >= limit] or [THRESHOLDS_UM[-1]]
    return [rung for rung in able if rung <= COARSEST_UM] or able[:1]


def _share_at(margin: Margin, threshold: float, stations: list[dict[str, Any]]) -> Reading:
    photo, length = margin.photo.identity, margin.length[margin.assessed]
    opened = (margin.state == OPEN) & (margin.opening > threshold)
    spread = _spread(margin, threshold)
    edges = max(1, len(runs(opened.astype(int))) - 1)
    parts = {
        source("noise", photo): float(spread.std()),
        source("boundary", f"{photo}:margin"): float(np.median(length)) / 12**0.5 * edges**0.5 / float(length.sum()),
    }
    open_length = float(margin.length[opened].sum())
    total, blind = float(margin.length.sum()), float(margin.length[~margin.assessed].sum())
    details = {
        "threshold": threshold, "threshold_unit": "um" if margin.calibration is not None else "px", "stations": stations,
        "if_unassessed_continuous": 1.0 - open_length / total, "if_unassessed_open": 1.0 - (open_length + blind) / total,
        "limit_median": float(np.median(margin.limit[margin.assessed])),
    }  # fmt: skip
    share = Quantity(continuous_fraction_at({"stations": stations}, threshold), "1", parts)
    low, high = _between(margin, threshold, share)
    low, high = min(low, 1.0 - float(np.quantile(spread, 0.975))), max(high, 1.0 - float(np.quantile(spread, 0.025)))
    if margin.may_hide_an_opening:
        low = min(low, _if_hidden_is_open(margin, threshold, open_length))
    low, high = max(0.0, low), min(1.0, high)
    share = share.reaching(low, high, source("model", f"{photo}:margin"))
    doubts = ((MAY_BE_REFLECTION, opened), ("may_be_stain", opened & margin.pigment))
    flags = (*margin.flags, *(flag for flag, where in doubts if where.any()))
    flags = (*flags, "threshold_in_px" if margin.calibration is None else counted_from(threshold))
    return Reading("continuous_margin_fraction", "1", "measured", share, (low, high), METHOD, share, flags, details)


def _spread(margin: Margin, threshold: float) -> np.ndarray:
    """Open share of the assessed length as noise and model error may make it, shape (draws,)."""
    common = np.random.default_rng(SEED).normal(size=(DRAWS, 1)) * margin.systematic
    drawn = (margin.opening + margin.draws + common > threshold) & (margin.state == OPEN)
    length = margin.length[margin.assessed]
    return np.asarray((drawn[:, margin.assessed] * length).sum(axis=1) / length.sum())


def _between(margin: Margin, threshold: float, share: Quantity) -> tuple[float, float]:
    """The share's interval, with what is open for certain at most and all that may be open at least counted as open.

    Where width and level are not told apart, noise and model error come on top of what the light may be; elsewhere the draws hold them.
    """
    low, high = share.interval()
    total = margin.length[margin.assessed].sum()
    u = ONE_SIDED * np.hypot(margin.draws.std(axis=0), margin.systematic) * (margin.greatest > margin.least)
    surely, maybe = (
        float(margin.length[margin.assessed & (reach > threshold)].sum() / total) for reach in (margin.least - u, margin.greatest + u)
    )  # fmt: skip
    opened = 1.0 - share.value
    return low - max(0.0, maybe - opened), high + max(0.0, opened - surely)


def _if_hidden_is_open(margin: Margin, threshold: float, open_length: float) -> float:
    """The share if every stretch that may hide an opening is one, tapered ends included."""
    hidden = np.array([word in MAY_BE_OPEN for trace in margin.traces for word in trace.found.why])
    tapers = 2.0 * TAPER_MM * sum(kind for _, _, kind in runs(hidden.astype(int)))
    maybe = float(margin.length[margin.assessed & (margin.greatest > threshold)].sum())
    blind, total = float(margin.length[~margin.assessed].sum()), float(margin.length.sum())
    return max(0.0, 1.0 - (max(open_length, maybe) + blind + tapers) / total)
