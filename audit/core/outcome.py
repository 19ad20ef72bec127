"""What the years say of one restoration: the frozen results that analysis hands to report and page."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from audit.core.clinical import Event, Finding, Grade, Restoration, Visit
from audit.core.quantity import Quantity
from audit.core.records import Calibration, Reading, Refusal, Segment

__all__ = ["Change", "NextRecall", "PhotoRecord", "PlanCheck", "Status", "ToothRecord", "VisitRecord"]


@dataclass(frozen=True)
class PhotoRecord:
    """One photo of a restoration as the ledger holds it: readings, segments and refusals kept.

    `captured_on` is the date of the file; the visit's date orders the record. `file` is relative to the folder.
    """

    sha256: str
    file: str
    view: str
    captured_on: str | None
    date_certainty: str
    modality: str
    calibration: Calibration | None
    readings: tuple[Reading, ...]
    segments: tuple[Segment, ...]
    refusals: tuple[Refusal, ...]
    annotations: dict[str, Any] | None
    flags: tuple[str, ...] = ()
    width_px: int = 0
    height_px: int = 0


@dataclass(frozen=True)
class VisitRecord:
    """One visit with all that belongs to it; `months` counts from placement."""

    visit: Visit
    months: float
    findings: tuple[Finding, ...]
    grades: tuple[Grade, ...]
    photos: tuple[PhotoRecord, ...]
    events: tuple[Event, ...]


@dataclass(frozen=True)
class Change:
    """A measurand now against baseline.

    Parameters
    ----------
    measurand, view : str
    baseline_on, latest_on : str
        Visit dates.
    difference : Quantity or None
        Latest minus baseline from the signed values; common sources cancelled. ``None`` where it cannot be formed.
    smallest_detectable : float or None
        95 %, in the unit of the difference.
    basis : {'budget', 'posed_anew'}
        Where the smallest detectable change comes from; ``budget`` is a lower limit and says so.
    verdict : {'changed', 'no_change_distinguishable', 'cannot_tell'}
    sentence : str
        For a person, with the numbers.
    site : str
        What the sentence is about beside measurand and view; empty where the view says it all.
    brief : str
        The numbers of the sentence alone, for a table: the difference and its 95 % half width, the limits of detection, or why not.
    confirmed : bool
        Whether a second photograph shows the change too; until then 'changed' is not final.
    """

    measurand: str
    view: str
    baseline_on: str
    latest_on: str
    difference: Quantity | None
    smallest_detectable: float | None
    basis: Literal["budget", "posed_anew"]
    verdict: Literal["changed", "no_change_distinguishable", "cannot_tell"]
    sentence: str
    site: str = ""
    brief: str = ""
    confirmed: bool = False


@dataclass(frozen=True)
class PlanCheck:
    """A reading against the plan, judged from its interval and never from the point."""

    subject: str
    value: Quantity
    low: float | None
    high: float | None
    verdict: Literal["below", "within", "above", "cannot_tell"]
    sentence: str
    source: str


@dataclass(frozen=True)
class Status:
    """The line at the top of a report: a word for the shape beside it, and a sentence."""

    word: Literal["in_place", "attention", "event", "ended"]
    sentence: str


@dataclass(frozen=True)
class NextRecall:
    """When the tooth is due again and why, or why not at all (``due_on`` is ``None``)."""

    due_on: str | None
    sentence: str


@dataclass(frozen=True)
class ToothRecord:
    """All that a recall report says of one restoration, statistics done.

    ``compared_since`` is the intervention after which the baseline was taken anew. ``compared_until`` is the one that ended the stretch
    of time to which baseline and changes belong, where nobody has seen the tooth since; nothing of it asks for attention any more.
    """

    restoration: Restoration
    visits: tuple[VisitRecord, ...]
    events: tuple[Event, ...]
    status: Status
    baseline_on: str | None
    changes: tuple[Change, ...]
    plan_checks: tuple[PlanCheck, ...]
    attention: tuple[str, ...]
    not_assessed: tuple[str, ...]
    next_recall: NextRecall
    compared_until: Event | None = None
    compared_since: Event | None = None
