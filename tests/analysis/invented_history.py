"""Invented visits for the tests of the statistics."""

from __future__ import annotations

import hashlib
from itertools import count

from audit.core.clinical import Event, Finding, Plan, Restoration, Visit
from audit.core.dates import months_between
from audit.core.outcome import PhotoRecord, VisitRecord
from audit.core.quantity import Quantity
from audit.core.records import Calibration, Reading, Refusal
from audit.core.tooth import Tooth

CODE, PLACED = "M01-001", "2020-01-15"
BASELINE, RECALL = "2020-02-20", "2021-02-20"
_SERIAL = count()


def restoration(design: str = "seven_eighths", plan: Plan | None = None) -> Restoration:
    return Restoration(CODE, Tooth.parse("16", "iso3950"), "iso3950", design, "gold", PLACED, "M01", plan or Plan())


def measured(
    value: float, parts: dict[str, float] | float, measurand: str = "visible_metal_height", unit: str = "mm", *, site: str = "",
    **details: object,
) -> Reading:  # fmt: skip
    flags = (f"surface:{site}",) if site else ()
    given = parts if isinstance(parts, dict) else {f"pose/{next(_SERIAL)}": parts}
    return Reading.measured(measurand, Quantity(value, unit, given), "m@1", flags=flags, details=details, non_negative=False)


def below(limit: float, signed: float | None = 0.0, measurand: str = "widest_marginal_opening") -> Reading:
    estimate = None if signed is None else Quantity(signed, "um", {f"blur/{next(_SERIAL)}": limit / 2})
    return Reading(measurand, "um", "below_detection", None, (0.0, limit), "m@1", estimate)


def photo(
    *readings: Reading,
    view: str = "facial",
    name: str = "",
    refusals: tuple[Refusal, ...] = (),
    calibration: Calibration | None = None,
    **more: object,
) -> PhotoRecord:
    sha = hashlib.sha256(repr((readings, view, name)).encode()).hexdigest()
    modality = "radiograph" if view == "bitewing" else "photo"
    return PhotoRecord(sha, f"{name or sha[:6]}.jpg", view, None, "unknown", modality, calibration, readings, (), refusals, None, **more)


def visit(
    on: str, *photos: PhotoRecord, stage: str = "recall", findings: dict[str, str] | tuple[Finding, ...] = (), events: tuple[str, ...] = (),
) -> VisitRecord:  # fmt: skip
    found = tuple(Finding(CODE, on, name, value) for name, value in findings.items()) if isinstance(findings, dict) else findings
    happened = tuple(Event(CODE, *event.split(" ")) for event in events)
    return VisitRecord(Visit(CODE, on, stage, "E1"), months_between(PLACED, on), found, (), photos, happened)


def two_visits(before: Reading, now: Reading, view: str = "facial") -> tuple[VisitRecord, VisitRecord]:
    return visit(BASELINE, photo(before, view=view, name="a"), stage="baseline"), visit(RECALL, photo(now, view=view, name="b"))
