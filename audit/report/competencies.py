"""What the cases of a portfolio show together: designs, teeth and steps. Counts only; whether that is enough the supervisor says."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import Any

from audit.core.outcome import ToothRecord
from audit.core.tooth import Tooth
from audit.core.vocabulary import DESIGNS, RADIOGRAPH_VIEWS
from audit.report.portfolio_case import PortfolioCase, case_code
from audit.report.portfolio_plates import STAGE_WORDS, stages_shown

__all__ = ["competency_tables"]

CASES_IN_A_TABLE = 9
YES, NO = "yes", "–"
_GROUPS = ("upper molar", "upper premolar", "lower molar", "lower premolar", "front tooth")
_A_YEAR = 11.5  # months: a recall is rarely on the day


def competency_tables(cases: Sequence[PortfolioCase]) -> list[dict[str, Any]]:
    """One table for every nine cases: their codes, then groups of rows with one cell a case, and in how many cases of all it is so."""
    starts = range(0, len(cases), CASES_IN_A_TABLE)
    return [_table(cases[start : start + CASES_IN_A_TABLE], cases) for start in starts]


_Rows = list[tuple[str, Callable[[PortfolioCase], str]]]


def _table(part: Sequence[PortfolioCase], whole: Sequence[PortfolioCase]) -> dict[str, Any]:
    groups = []
    for title, rows in _groups():
        groups.append({"title": title, "rows": [[name, [cell(case) for case in part], _total(cell, whole)] for name, cell in rows]})
    return {"codes": [case_code(case) for case in part], "groups": groups}


def _total(cell: Callable[[PortfolioCase], str], cases: Sequence[PortfolioCase]) -> str:
    words = [cell(case) for case in cases]
    return f"{words.count(YES)} of {len(words)}" if set(words) <= {YES, NO} else ""


def _groups() -> list[tuple[str, _Rows]]:
    designs: _Rows = [(design.words, partial(_of_design, name)) for name, design in DESIGNS.items()]
    teeth: _Rows = [(group, partial(_of_group, group)) for group in _GROUPS]
    steps: _Rows = [
        ("stages photographed", lambda case: f"{len(stages_shown(case))} of {len(STAGE_WORDS)}"),
        ("radiograph before", lambda case: _yes(_radiograph(case.record, before=True))),
        ("radiograph after", lambda case: _yes(_radiograph(case.record, before=False))),
        ("examined at baseline", lambda case: _yes(_at_baseline(case.record))),
        ("last recall graded", lambda case: _yes(_last_graded(case.record))),
        ("seen after a year or more", lambda case: _yes(_followed(case.record) >= _A_YEAR)),
    ]
    counts: _Rows = [
        ("followed, months", lambda case: f"{_followed(case.record):.0f}"),
        ("recalls", lambda case: str(sum(visit.visit.stage == "recall" for visit in case.record.visits))),
        ("measured / refused", lambda case: "{} / {}".format(*_measured(case.record))),
        ("events after placement", lambda case: str(len(case.record.events))),
        ("sections written", lambda case: f"{len(case.written.blocks) - len(case.written.missing)} of {len(case.written.blocks)}"),
    ]
    return [("Design", designs), ("Tooth", teeth), ("Documented", steps), ("Followed", counts)]


def _yes(is_so: bool) -> str:
    return YES if is_so else NO


def _of_design(name: str, case: PortfolioCase) -> str:
    return _yes(case.record.restoration.design == name)


def _of_group(name: str, case: PortfolioCase) -> str:
    return _yes(_group(case.record.restoration.tooth) == name)


def _group(tooth: Tooth) -> str:
    arch = "upper" if tooth.is_upper else "lower"
    return f"{arch} molar" if tooth.is_molar else f"{arch} premolar" if tooth.position >= 4 and tooth.quadrant <= 4 else "front tooth"


def _radiograph(record: ToothRecord, *, before: bool) -> bool:
    placed = record.restoration.placed_on
    return any(photo.view in RADIOGRAPH_VIEWS and (visit.visit.on < placed) == before for visit in record.visits for photo in visit.photos)


def _at_baseline(record: ToothRecord) -> bool:
    return any(visit.visit.on == record.baseline_on and visit.findings for visit in record.visits)


def _last_graded(record: ToothRecord) -> bool:
    recalls = [visit for visit in record.visits if visit.visit.stage == "recall"]
    return bool(recalls) and bool(max(recalls, key=lambda visit: visit.visit.on).grades)


def _followed(record: ToothRecord) -> float:
    return max((visit.months for visit in record.visits if visit.visit.stage in ("baseline", "recall")), default=0.0)


def _measured(record: ToothRecord) -> tuple[int, int]:
    photos = [photo for visit in record.visits for photo in visit.photos]
    return sum(len(photo.readings) for photo in photos), sum(len(photo.refusals) for photo in photos)
