"""The examiner looks first: what is measured of a criterion is held back until that criterion has been rated.

What had been shown before a rating is on record, so that a rating given after it says so. A visit that nobody has rated stands in the
record of the tooth without those readings, and nothing is concluded from them, until it is rated or somebody asks to see them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import dataclass, field, replace
from typing import Protocol

from audit.api.desk import Desk, all_drafts, load_draft, save_draft
from audit.core.clinical import CaseFolder, Finding, Grade
from audit.core.outcome import PhotoRecord, VisitRecord
from audit.core.records import Document, Reading, Segment
from audit.ledger.store import open_ledger

__all__ = ["HELD_UNTIL", "SeenSoFar", "held_back", "held_visits", "mark_shown", "seen_so_far", "was_seen", "was_shown", "without"]

# criterion -> what is measured of it
HELD_UNTIL: Mapping[str, tuple[str, ...]] = {
    "marginal_adaptation": (
        "continuous_margin_fraction", "widest_marginal_opening", "mean_marginal_opening", "radiographic_gap_width",
        "widest_radiographic_gap", "radiographic_step",
    ),
    "anatomic_form": ("perforation_area",),
}  # fmt: skip
# criterion that speaks of what is measured for another one
_SPEAKS_OF = {"radiographic_examination": "marginal_adaptation"}
_FINDING = {"marginal_adaptation": "explorer", "anatomic_form": "perforation"}
_KIND = "shown"


class Judged(Protocol):
    """Whatever has readings and segments of one photo."""

    @property
    def readings(self) -> tuple[Reading, ...]: ...
    @property
    def segments(self) -> tuple[Segment, ...]: ...


@dataclass(frozen=True)
class SeenSoFar:
    """Criteria of which measurements have been shown, by ``code day``."""

    shown: Mapping[str, frozenset[str]] = field(default_factory=dict)

    def held(self, code: str, on: str, findings: Iterable[Finding], grades: Iterable[Grade]) -> frozenset[str]:
        """Criteria of a visit that wait for the examiner."""
        rated = {grade.criterion for grade in grades} | self.shown.get(_subject(code, on), frozenset())
        examined = {finding.finding for finding in findings}
        return frozenset(name for name in HELD_UNTIL if name not in rated and _FINDING[name] not in examined)

    def held_readings(self, code: str, visit: VisitRecord) -> set[str]:
        """Measurands that were measured at a visit and wait for the examiner."""
        waiting = _measurands(self.held(code, visit.visit.on, visit.findings, visit.grades))
        return {reading.measurand for photo in visit.photos for reading in photo.readings} & waiting

    def let_through(self, code: str, visits: Sequence[VisitRecord]) -> tuple[VisitRecord, ...]:
        """The visits without what waits for the examiner."""
        return tuple(self._visit(code, visit) for visit in visits)

    def _visit(self, code: str, visit: VisitRecord) -> VisitRecord:
        held = self.held_readings(code, visit)
        if not held:
            return visit
        return replace(visit, photos=tuple(_photo(photo, held) for photo in visit.photos))


def seen_so_far(desk: Desk) -> SeenSoFar:
    """What has been shown of every visit."""
    return SeenSoFar({subject: frozenset(draft.body.get("criteria", ())) for subject, draft in all_drafts(desk, _KIND).items()})


def held_back(desk: Desk, cases: CaseFolder, code: str, on: str) -> set[str]:
    """Measurands of a visit that are not to be shown yet: nobody has rated or examined what they speak of."""
    seen = SeenSoFar({_subject(code, on): frozenset(was_shown(desk, code, on))})
    grades = (grade for grade in cases.grades if (grade.restoration, grade.on) == (code, on))
    findings = (finding for finding in cases.findings if (finding.restoration, finding.on) == (code, on))
    return _measurands(seen.held(code, on, findings, grades))


def held_visits(ledger_url: str, code: str, seen: SeenSoFar) -> dict[str, set[str]]:
    """What was measured at the visits of a restoration and waits for the examiner, by day; days without any are left out."""
    with open_ledger(ledger_url, must_exist=True) as ledger:
        held = ((visit.visit.on, seen.held_readings(code, visit)) for visit in ledger.history(code))
        return {on: measurands for on, measurands in held if measurands}


def was_shown(desk: Desk, code: str, on: str) -> set[str]:
    """Criteria of a visit of which measurements have been shown."""
    return set(load_draft(desk, _KIND, _subject(code, on)).body.get("criteria", ()))


def was_seen(shown: set[str], criterion: str) -> bool:
    """Whether measurements that a criterion speaks of are among those that have been shown."""
    return _SPEAKS_OF.get(criterion, criterion) in shown


def mark_shown(desk: Desk, code: str, on: str, measurands: set[str]) -> None:
    """Record that these measurands of a visit have been shown."""
    draft = load_draft(desk, _KIND, _subject(code, on))
    before = set(draft.body.get("criteria", ()))
    now = before | {name for name, held in HELD_UNTIL.items() if measurands & set(held)}
    if now != before:
        save_draft(desk, _KIND, _subject(code, on), draft.revision, {"criteria": sorted(now)})


def without(document: Document, held: Set[str]) -> Document:
    """A document without what waits for the examiner: neither its readings nor the states of its margin."""
    readings, segments = _kept(document, held)
    return replace(document, readings=readings, segments=segments)


def _photo(photo: PhotoRecord, held: Set[str]) -> PhotoRecord:
    readings, segments = _kept(photo, held)
    return replace(photo, readings=readings, segments=segments)


def _kept(judged: Judged, held: Set[str]) -> tuple[tuple[Reading, ...], tuple[Segment, ...]]:
    readings = tuple(reading for reading in judged.readings if reading.measurand not in held)
    return readings, () if held & set(HELD_UNTIL["marginal_adaptation"]) else judged.segments


def _measurands(criteria: Iterable[str]) -> set[str]:
    return {measurand for name in criteria for measurand in HELD_UNTIL[name]}


def _subject(code: str, on: str) -> str:
    return f"{code} {on}"
