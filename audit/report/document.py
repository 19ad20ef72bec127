"""A report as data: the record, its series and its pictures, and the tables of findings and refusals."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from audit import __version__
from audit.core.clinical import Finding, Grade
from audit.core.outcome import ToothRecord, VisitRecord
from audit.core.picture import Picture
from audit.core.vocabulary import is_sound
from audit.report import tables
from audit.report.words import design_words, finding_value, finding_words, measurand_words, plain, tooth_words

__all__ = [
    "FindingLine", "FindingMatrix", "IndexRow", "RefusalGroup", "Report", "finding_line", "finding_matrix", "grade_answer", "index_row",
    "make_report", "refusal_groups",
]  # fmt: skip


@dataclass(frozen=True)
class Report:
    """Everything that a recall report of one restoration shows.

    Parameters
    ----------
    record : ToothRecord
    series : DataFrame
        As made by `audit.report.tables.series`.
    tiles, margins : tuple of Picture
        Photo strip and unrolled margins, in order of visits.
    refused_rows : tuple of str
        Lines for rows of the practice's tables about this restoration that were not taken in.
    generated_on : str
        ISO 8601 date.
    software : str
        Version of this program.
    """

    record: ToothRecord
    series: pd.DataFrame
    tiles: tuple[Picture, ...] = ()
    margins: tuple[Picture, ...] = ()
    refused_rows: tuple[str, ...] = ()
    generated_on: str = ""
    software: str = __version__


def make_report(
    record: ToothRecord, *, tiles: Sequence[Picture] = (), margins: Sequence[Picture] = (), refused_rows: Sequence[str] = (),
    generated_on: str = "",
) -> Report:  # fmt: skip
    """A report from a record and its pictures."""
    return Report(record, tables.series(record), tuple(tiles), tuple(margins), tuple(refused_rows), generated_on)


@dataclass(frozen=True)
class FindingLine:
    """One finding or grade in words; `sound` is false where the answer is not the first of its list."""

    subject: str
    surface: str
    answer: str
    sound: bool


def finding_line(finding: Finding) -> FindingLine:
    """A finding in words."""
    name, value = finding.finding, finding.value
    return FindingLine(finding_words(name), finding.surface, finding_value(name, value), is_sound(name, value))


def grade_answer(grade: Grade) -> str:
    """A grade in words, with the remark that it was given after measurements were seen."""
    return plain(grade.grade) + (" (given after measurements were seen)" if grade.seen_before else "")


@dataclass(frozen=True)
class RefusalGroup:
    """Refusals of one code: how many, which measurands, one reason and hint of each wording, and where."""

    code: str
    count: int
    measurands: tuple[str, ...]
    reasons: tuple[tuple[str, str], ...]
    visits: tuple[str, ...]


def refusal_groups(record: ToothRecord) -> tuple[RefusalGroup, ...]:
    """Refusals counted by code, the most frequent first."""
    table = tables.refusals(record)
    counts = Counter(table["code"])
    groups = []
    for code, count in sorted(counts.items(), key=lambda item: (-item[1], item[0])):
        rows = table[table["code"] == code]
        wordings = dict.fromkeys(zip(rows["reason"], rows["hint"], strict=True))
        where = dict.fromkeys(f"{on}, {view}" for on, view in zip(rows["on"], rows["view"], strict=True))
        measurands = dict.fromkeys(measurand_words(name) for name in rows["measurand"])
        groups.append(RefusalGroup(code, count, tuple(measurands), tuple(wordings), tuple(where)))
    return tuple(groups)


@dataclass(frozen=True)
class FindingMatrix:
    """Findings and grades of all visits: one column a visit, one row a subject; ``None`` where nothing is on record."""

    visits: tuple[VisitRecord, ...]
    rows: tuple[tuple[str, tuple[FindingLine | None, ...]], ...]


def finding_matrix(record: ToothRecord) -> FindingMatrix:
    """Findings and grades side by side."""
    visits = tuple(visit for visit in record.visits if visit.findings or visit.grades)
    findings: dict[str, dict[int, FindingLine]] = {}
    grades: dict[str, dict[int, FindingLine]] = {}
    for column, visit in enumerate(visits):
        for f in visit.findings:
            subject = ", ".join(filter(None, (finding_words(f.finding), f.surface)))
            findings.setdefault(subject, {})[column] = finding_line(f)
        for g in visit.grades:
            subject = f"{g.system}, {plain(g.criterion)}"
            grades.setdefault(subject, {})[column] = FindingLine(subject, "", grade_answer(g), True)
    rows = tuple(
        (subject, tuple(row.get(column) for column in range(len(visits)))) for subject, row in (*findings.items(), *grades.items())
    )
    return FindingMatrix(visits, rows)


@dataclass(frozen=True)
class IndexRow:
    """One restoration in the club's list."""

    code: str
    tooth: str
    design: str
    alloy: str
    member: str
    last_visit: str
    status: str
    status_sentence: str
    attention: tuple[str, ...]
    next_due: str
    overdue: str
    href: str = ""


def index_row(record: ToothRecord, href: str = "") -> IndexRow:
    """The row of one record, with the address of its report."""
    restoration = record.restoration
    return IndexRow(
        restoration.code, tooth_words(restoration), design_words(restoration.design), restoration.alloy,
        restoration.code.partition("-")[0], max((v.visit.on for v in record.visits), default=""), record.status.word,
        record.status.sentence, record.attention, record.next_recall.due_on or "", _overdue(record), href,
    )  # fmt: skip


def _overdue(record: ToothRecord) -> str:
    """``overdue by 6 months``, as the report says it; empty where it is not."""
    _, mark, words = record.next_recall.sentence.rstrip(".").partition("overdue")
    return f"{mark}{words}"
