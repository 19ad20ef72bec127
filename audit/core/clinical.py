"""What the clinician records: restorations, visits, findings, grades, events, and which photo shows what.

Each is one row of a plain CSV table in the practice folder and one row of the ledger.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from audit.core.tooth import Tooth

__all__ = ["CaseFolder", "Event", "Finding", "Grade", "Instrument", "KnownLength", "PhotoEntry", "Plan", "Restoration", "Visit"]


@dataclass(frozen=True)
class Plan:
    """What was planned for a restoration; ``None`` where nothing was.

    Parameters
    ----------
    bevel_mm : tuple of float or None
        Lowest and highest planned height of the finishing bevel on the uncovered mesiofacial cusp.
    supragingival : bool or None
        Whether the finish line was to stay off the gingiva.
    extent_mm : float or None
        Planned mesiodistal extent of facial metal, at most.
    source : str
        Where the figures come from, shown beside them.
    """

    bevel_mm: tuple[float, float] | None = None
    supragingival: bool | None = None
    extent_mm: float | None = None
    source: str = ""


DEFAULT_SEVEN_EIGHTHS_PLAN = Plan(bevel_mm=(0.3, 0.5), supragingival=True, source="common practice, no published source")


@dataclass(frozen=True)
class KnownLength:
    """A length of the tooth or casting taken with a caliper, to calibrate any photo that shows it."""

    name: str
    length_mm: float
    u_mm: float


@dataclass(frozen=True)
class Instrument:
    """A reference that the practice has measured and uses again; `name` is its mark, and makes it the same one in every photo.

    Parameters
    ----------
    kind : {'rule', 'rod', 'probe'}
    size_mm : tuple of float
        One graduation of a rule, the diameter of a rod, the marks of a probe from the tip.
    u_mm : float or None
        Standard uncertainty of the size.
    """

    name: str
    kind: str
    size_mm: tuple[float, ...]
    u_mm: float | None = None

    def properties(self) -> dict[str, Any]:
        """What a ``reference`` feature says of it."""
        size = {"rule": "tick_mm", "rod": "diameter_mm", "probe": "marks_mm"}[self.kind]
        u = {} if self.u_mm is None else {"u_mm": self.u_mm}
        return {"kind": self.kind, "id": self.name, size: list(self.size_mm) if self.kind == "probe" else self.size_mm[0], **u}


@dataclass(frozen=True)
class Restoration:
    """One casting on one tooth, under a pseudonymous code.

    Parameters
    ----------
    code : str
        Case code, e.g. ``M01-004``; never a name.
    tooth : Tooth
    tooth_notation : str
        Notation that the tooth was written in.
    design, alloy : str
        Words of the vocabulary.
    placed_on : str
        ISO 8601 date of placement.
    operator : str
        Code of who placed it; the part before the first hyphen of `code` is the club member.
    plan : Plan
    known_lengths : tuple of KnownLength
    """

    code: str
    tooth: Tooth
    tooth_notation: str
    design: str
    alloy: str
    placed_on: str
    operator: str = ""
    plan: Plan = Plan()
    known_lengths: tuple[KnownLength, ...] = ()


@dataclass(frozen=True)
class Visit:
    """A stage or a recall of one restoration on one day."""

    restoration: str
    on: str
    stage: str
    examiner: str = ""
    note: str = ""


@dataclass(frozen=True)
class Finding:
    """What the examiner found; `value` is a word of the vocabulary, a number as text, or ``not_examined``."""

    restoration: str
    on: str
    finding: str
    value: str
    surface: str = ""
    examiner: str = ""


@dataclass(frozen=True)
class Grade:
    """An examiner's rating of one criterion, with whether measurements had been seen before it was given."""

    restoration: str
    on: str
    system: str
    criterion: str
    grade: str
    examiner: str = ""
    seen_before: bool = False


@dataclass(frozen=True)
class Event:
    """Something that happened to a restoration; `kind` is a word of the vocabulary."""

    restoration: str
    on: str
    kind: str
    note: str = ""


@dataclass(frozen=True)
class PhotoEntry:
    """Which restoration, visit and view an image file shows.

    Parameters
    ----------
    file : str
        Path relative to the folder, with forward slashes; its annotations stand beside it as ``.geojson``.
    """

    file: str
    restoration: str
    on: str
    view: str


@dataclass(frozen=True)
class CaseFolder:
    """A practice folder, read and checked.

    Parameters
    ----------
    refused_rows : tuple of str
        One line for each row that was refused, with its hint.
    refused_of : mapping of str to tuple of str
        Those of `refused_rows` that name a restoration, by its code.
    """

    restorations: tuple[Restoration, ...]
    visits: tuple[Visit, ...] = ()
    findings: tuple[Finding, ...] = ()
    grades: tuple[Grade, ...] = ()
    events: tuple[Event, ...] = ()
    photos: tuple[PhotoEntry, ...] = ()
    refused_rows: tuple[str, ...] = ()
    refused_of: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    recall_months: Mapping[str, int] = field(default_factory=dict)
    bitewing_months: Mapping[str, int] = field(default_factory=dict)
    instruments: tuple[Instrument, ...] = ()
