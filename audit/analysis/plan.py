"""Readings against what was planned for the restoration, judged from the interval and never from the point.

Notes
-----
Only what can be compared is compared: the height of the bevel over the uncovered mesiofacial cusp, the mesiodistal extent of facial
metal, and the distance of the margin from the gingiva. The readings are projections into the photograph. The height of metal over a
covered distal half is not the bevel: without a reading of the mesiofacial cusp itself it bounds the bevel from above only. Supragingival
means that the least distance along the margin is above zero.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import pandas as pd

from audit.analysis.occasions import Occasion, Site, occasions
from audit.analysis.wording import number, plus_minus, under
from audit.core.clinical import Restoration
from audit.core.outcome import PlanCheck, VisitRecord
from audit.core.quantity import Quantity
from audit.core.vocabulary import DESIGNS

__all__ = ["plan_checks", "to_frame"]

MESIOFACIAL = "mesiofacial"
Verdict = Literal["below", "within", "above", "cannot_tell"]
_VERDICT_WORDS = {"below": "below the plan", "within": "within the plan", "above": "above the plan", "cannot_tell": "cannot be told"}


@dataclass(frozen=True)
class _Planned:
    subject: str
    low: float | None
    high: float | None
    words: str


def plan_checks(restoration: Restoration, visits: Sequence[VisitRecord]) -> tuple[PlanCheck, ...]:
    """What the first facial photograph since baseline shows of the plan; nothing where nothing was planned or measured.

    Parameters
    ----------
    restoration : Restoration
    visits : sequence of VisitRecord
        From the baseline on.
    """
    plan = restoration.plan
    first = {site: found[0] for site, found in occasions(visits).items() if site.view == "facial"}
    checks: list[PlanCheck | None] = []
    if plan.bevel_mm is not None:
        low, high = plan.bevel_mm
        planned = _Planned("bevel over the mesiofacial cusp", low, high, f"planned {low:g} to {high:g} mm")
        checks.append(_bevel(restoration, first, planned))
    if plan.extent_mm is not None:
        planned = _Planned("mesiodistal extent of facial metal", None, plan.extent_mm, f"planned at most {plan.extent_mm:g} mm")
        found = _of(first, "visible_metal_extent")
        checks.append(None if found is None else _check(restoration, planned, found, found.reading.signed))
    if plan.supragingival:
        planned = _Planned("margin above the gingiva", 0.0, None, "planned supragingival")
        found = _of(first, "margin_to_gingiva")
        checks.append(None if found is None else _check(restoration, planned, found, _least(found)))
    return tuple(check for check in checks if check is not None)


def to_frame(checks: Sequence[PlanCheck]) -> pd.DataFrame:
    """One row a check."""
    rows = [(c.subject, c.value.value, c.value.u, c.value.unit, c.low, c.high, c.verdict, c.source) for c in checks]
    return pd.DataFrame(rows, columns=["subject", "value", "u", "unit", "low", "high", "verdict", "source"])


def _of(first: dict[Site, Occasion], measurand: str, site: str = "") -> Occasion | None:
    """The reading of a measurand; of those the one whose site has `site` in its name, where one is asked for."""
    return next((o for s, o in first.items() if s.measurand == measurand and site in s.site), None)


def _bevel(restoration: Restoration, first: dict[Site, Occasion], planned: _Planned) -> PlanCheck | None:
    at_cusp = _of(first, "visible_metal_height", MESIOFACIAL)
    if at_cusp is not None:
        return _check(restoration, planned, at_cusp, at_cusp.reading.signed)
    anywhere = _of(first, "visible_metal_height")
    if anywhere is None:
        return None
    check = _check(restoration, planned, anywhere, anywhere.reading.signed)
    if check is None or check.verdict == "below" or DESIGNS[restoration.design].facial_metal != "distal_half":
        return check
    words = f"greatest height of all facial metal {_shown(check.value)}; over the mesiofacial cusp alone it was not read"
    sentence = f"{planned.subject[0].upper()}{planned.subject[1:]}: cannot be told from the photograph of {anywhere.on} ({words})."
    return PlanCheck(planned.subject, check.value, planned.low, planned.high, "cannot_tell", sentence, check.source)


def _least(occasion: Occasion) -> Quantity | None:
    """Least distance along the margin: the mean's uncertainty at the least value."""
    signed, least = occasion.reading.signed, occasion.reading.details.get("least_mm")
    if signed is None or not isinstance(least, int | float):
        return signed
    return Quantity(float(least), signed.unit, signed.parts, signed.dof)


def _check(restoration: Restoration, planned: _Planned, occasion: Occasion, value: Quantity | None) -> PlanCheck | None:
    if value is None:
        return None
    low, high = value.interval()
    if occasion.reading.status == "below_detection":
        low, high = occasion.reading.interval95
    verdict = _judge(low, high, planned.low, planned.high)
    shown = under(high, value.unit) if occasion.reading.status == "below_detection" else _shown(value)
    head = f"{planned.subject[0].upper()}{planned.subject[1:]}"
    sentence = f"{head}: {_VERDICT_WORDS[verdict]} ({shown} as projected on {occasion.on}; {planned.words})."
    return PlanCheck(planned.subject, value, planned.low, planned.high, verdict, sentence, restoration.plan.source)


def _shown(value: Quantity) -> str:
    half = 1.959964 * value.u
    return plus_minus(value.value, half, value.unit) if half > 0 else number(value.value, value.unit, half)


def _judge(low: float, high: float, least: float | None, most: float | None) -> Verdict:
    if least is not None and high < least:
        return "below"
    if most is not None and low > most:
        return "above"
    inside = (least is None or low >= least) and (most is None or high <= most)
    return "within" if inside else "cannot_tell"
