"""What page one shows: the findings in one paragraph, what changed in full, all else in a line each."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from audit.core.clinical import Grade
from audit.core.outcome import Change, ToothRecord, VisitRecord
from audit.core.vocabulary import NOT_EXAMINED
from audit.report.document import FindingLine, finding_line, grade_answer
from audit.report.words import brief_words, event_words, finding_words, plain

__all__ = ["ComparedLine", "FirstPage", "first_page"]


@dataclass(frozen=True)
class ComparedLine:
    """One comparison in one line of a table: what was compared, and its numbers."""

    subject: str
    numbers: str


@dataclass(frozen=True)
class FirstPage:
    """What a reader takes in within 30 seconds.

    Parameters
    ----------
    last_visit : VisitRecord or None
        The latest visit at which the tooth was examined or photographed.
    not_sound : tuple of FindingLine
        The answers of that visit that are not the sound one of their list.
    otherwise : tuple of str
        All other answers, one sentence a subject: ``Probing depth: 2 mm (mesial, facial), 3 mm (distal).``
    grades : tuple of str
        One sentence a grading system.
    not_examined : tuple of str
        Subjects that the examiner marked so.
    against : str
        What the changes are against, and until when.
    changed : tuple of str
        Sentences of what changed and is not yet said under what needs attention.
    changed_above : int
        How many changes are said there.
    share_of_metal : bool
        Whether both the share of metal and the distance of the gingiva changed: the share depends on how much tooth shows.
    beyond_alone : tuple of str
        Sentences of what would exceed the measurement error by itself but not among so many comparisons.
    by_difference : tuple of ComparedLine
        No change distinguishable: the difference and its 95 % half width.
    below_detection : tuple of ComparedLine
        No change distinguishable: below what the images resolve at both visits, with the limits.
    cannot_tell : tuple of ComparedLine
    half_width : str
        What stands after ± and where it comes from.
    """

    last_visit: VisitRecord | None
    not_sound: tuple[FindingLine, ...]
    otherwise: tuple[str, ...]
    grades: tuple[str, ...]
    not_examined: tuple[str, ...]
    against: str
    changed: tuple[str, ...]
    changed_above: int
    share_of_metal: bool
    beyond_alone: tuple[str, ...]
    by_difference: tuple[ComparedLine, ...]
    below_detection: tuple[ComparedLine, ...]
    cannot_tell: tuple[ComparedLine, ...]
    half_width: str


def first_page(record: ToothRecord) -> FirstPage:
    """The digest of page one; of what changed it repeats the record's own sentences."""
    last = max(record.visits, key=lambda v: v.visit.on, default=None)
    found = () if last is None else last.findings
    lines = [finding_line(f) for f in found if f.value != NOT_EXAMINED]
    changed = sorted((c for c in record.changes if c.verdict == "changed"), key=lambda c: c.measurand == "visible_metal_fraction")
    same = [c for c in record.changes if c.verdict == "no_change_distinguishable"]
    alone = [c for c in same if _beyond_alone(c)]
    resolved = [c for c in same if c.difference is not None and c not in alone]
    return FirstPage(
        last_visit=last,
        not_sound=tuple(line for line in lines if not line.sound),
        otherwise=_paragraph(line for line in lines if line.sound),
        grades=() if last is None else _graded(last.grades),
        not_examined=tuple(" ".join(filter(None, (finding_words(f.finding), f.surface))) for f in found if f.value == NOT_EXAMINED),
        against=_against(record),
        changed=tuple(c.sentence for c in changed if c.sentence not in record.attention),
        changed_above=sum(c.sentence in record.attention for c in changed),
        share_of_metal={"visible_metal_fraction", "margin_to_gingiva"} <= {c.measurand for c in changed},
        beyond_alone=tuple(c.sentence for c in alone),
        by_difference=tuple(_line(c, record) for c in resolved),
        below_detection=tuple(_line(c, record) for c in same if c.difference is None),
        cannot_tell=tuple(_line(c, record) for c in record.changes if c.verdict == "cannot_tell"),
        half_width=_half_width(resolved),
    )


def _against(record: ToothRecord) -> str:
    since, until = record.compared_since, record.compared_until
    when = [
        record.baseline_on or "",
        f"taken anew: {event_words(since.kind)} on {since.on}" if since and record.baseline_on else "",
        f"until {event_words(until.kind)} on {until.on}" if until else "",
    ]
    return f"Against baseline ({', '.join(filter(None, when))})" if any(when) else "Against baseline"


def _beyond_alone(change: Change) -> bool:
    return change.difference is not None and abs(change.difference.value) > (change.smallest_detectable or 0.0)


def _line(change: Change, record: ToothRecord) -> ComparedLine:
    """One line; where the comparison begins later than the baseline of the record, it says so."""
    since = "" if change.baseline_on == record.baseline_on else f"; since {change.baseline_on}"
    posed = "; photographs posed anew" if change.basis == "posed_anew" else ""
    return ComparedLine(brief_words(change.measurand, change.view, change.site), f"{change.brief or change.sentence}{since}{posed}")


def _half_width(changes: Iterable[Change]) -> str:
    bases = {change.basis for change in changes}
    if not bases:
        return ""
    words = "± is the 95 % half width, the smallest detectable change"
    return f"{words}; from the measurement budget it is a lower limit." if "budget" in bases else f"{words}, from photographs posed anew."


def _paragraph(lines: Iterable[FindingLine]) -> tuple[str, ...]:
    """One sentence a subject, surfaces of one answer together, in the order of the record."""
    subjects: dict[str, dict[str, list[str]]] = {}
    for line in lines:
        subjects.setdefault(line.subject, {}).setdefault(line.answer, []).append(line.surface)
    sentences = []
    for subject, answers in subjects.items():
        parts = [" ".join(filter(None, (answer, _in_brackets(surfaces)))) for answer, surfaces in answers.items()]
        sentences.append(f"{subject[:1].upper()}{subject[1:]}: {', '.join(parts)}.")
    return tuple(sentences)


def _in_brackets(surfaces: Iterable[str]) -> str:
    named = [surface for surface in dict.fromkeys(surfaces) if surface]
    return f"({', '.join(named)})" if named else ""


def _graded(grades: Iterable[Grade]) -> tuple[str, ...]:
    systems: dict[str, list[str]] = {}
    for grade in grades:
        systems.setdefault(grade.system, []).append(f"{plain(grade.criterion)} {grade_answer(grade)}")
    return tuple(f"{system[:1].upper()}{system[1:]}: {', '.join(parts)}." for system, parts in systems.items())
