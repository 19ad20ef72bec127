"""The tables of the invented club: restorations, visits, findings, grades, events, as plain CSV rows."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date, timedelta
from pathlib import Path

import numpy as np

from audit.synthetic.club_cases import BASELINE, PLACEMENT, PREPARATION, Case
from audit.synthetic.club_days import at_month, seed_of, stage_of, visit_day
from audit.synthetic.crown import build_row

__all__ = ["write_tables"]

CALIPER_U_MM = 0.03
Cells = Sequence[str]
_CRITERIA = ("marginal_adaptation", "marginal_discoloration", "anatomic_form", "caries")


def write_tables(folder: Path, cases: Iterable[Case], photos: Iterable[Cells]) -> None:
    """Write every table of a practice folder; `photos` are rows of file, restoration, day, view."""
    cases = tuple(cases)
    _write(folder / "restorations.csv", "code,tooth,tooth_notation,design,alloy,placed_on,operator", map(_restoration, cases))
    known = ((c.code, "mesiodistal width", f"{_caliper_mm(c):.2f}", f"{CALIPER_U_MM}") for c in cases if c.has_caliper)
    _write(folder / "known_lengths.csv", "restoration,name,length_mm,u_mm", known)
    _write(folder / "visits.csv", "restoration,on,stage,examiner,note", (row for c in cases for row in _visits(c)))
    _write(folder / "findings.csv", "restoration,on,surface,finding,value,examiner", (row for c in cases for row in _findings(c)))
    header = "restoration,on,system,criterion,grade,examiner,seen_before"
    _write(folder / "grades.csv", header, (row for c in cases for row in _grades(c)))
    _write(folder / "events.csv", "restoration,on,kind,note", (row for c in cases for row in _events(c)))
    _write(folder / "photos.csv", "file,restoration,on,view", photos)


def _write(path: Path, header: str, rows: Iterable[Cells]) -> None:
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(header.split(","))
        writer.writerows(rows)


def _caliper_mm(case: Case) -> float:
    """Mesiodistal width of the drawn tooth as a caliper gave it."""
    error = np.random.default_rng(seed_of(case.code, "caliper")).normal(0.0, CALIPER_U_MM)
    return build_row(case.mouth.seed, case.mouth.kind == "molar").tooth.width_mm + float(error)


def _restoration(case: Case) -> Cells:
    return case.code, case.tooth, "iso3950", case.mouth.design, case.mouth.alloy, case.placed_on, case.member


def _examiner(case: Case, month: int) -> str:
    return case.member if month in (PREPARATION, PLACEMENT) else case.examiner


def _visits(case: Case) -> Iterator[Cells]:
    for month in case.months:
        yield case.code, visit_day(case, month), stage_of(case, month), _examiner(case, month), case.notes.get(month, "")


def _findings(case: Case) -> Iterator[Cells]:
    for month in case.months:
        if month in (PREPARATION, PLACEMENT):
            continue
        found = at_month(case.findings, month)
        named = {finding for finding, surface in found if surface}  # a surface that is named answers for the whole
        sound = {key: value for key, value in _sound(case, month).items() if key[1] or key[0] not in named}
        answers = {**sound, **found}
        for (finding, surface), value in answers.items():
            yield case.code, visit_day(case, month), surface, finding, value, case.examiner


def _sound(case: Case, month: int) -> dict[tuple[str, str], str]:
    """What an examiner enters at a tooth without trouble; the short list at six months."""
    draw = np.random.default_rng(seed_of(case.code, month, "findings"))
    answers = {("air_dried", ""): "yes"}
    answers |= {("explorer", surface): "no_catch" for surface in ("mesial", "facial", "distal", "lingual")}
    answers |= {("caries_at_margin", ""): "none", ("marginal_discoloration", ""): "none", ("retention", ""): "firm"}
    answers |= {("perforation", "occlusal"): "none"}
    if case.mouth.design in ("seven_eighths", "three_quarter"):
        answers |= {("uncovered_cusp", "facial"): "intact"}
    if month == 6:
        return answers
    depths = {"mesial": 3, "facial": 2, "distal": 3, "lingual": 2}
    answers |= {("probing_depth_mm", s): str(d + int(draw.integers(-1, 2)) if d > 2 else d) for s, d in depths.items()}
    answers |= {("bleeding", "facial"): "no", ("plaque", ""): "yes" if draw.random() < 0.15 else "no", ("recession_mm", "facial"): "0"}
    has_distal_neighbour = case.tooth[1] != "7"
    answers |= {("proximal_contact", s): "floss_snaps" for s in ("mesial", "distal") if s == "mesial" or has_distal_neighbour}
    tested = month in (BASELINE, 24, 60)
    answers |= {("occlusal_contact", ""): "even", ("pulp_test", ""): "normal" if tested else "not_examined"}
    return answers | {("percussion", ""): "normal", ("mobility", ""): "0", ("complaint", ""): "none"}


def _grades(case: Case) -> Iterator[Cells]:
    for month in case.months:
        came_off = at_month(case.findings, month).get(("retention", "")) == "came_off"
        if month in (PREPARATION, PLACEMENT, 6) or came_off:
            continue
        held: Mapping[str, str] = at_month(case.grades, month)
        for criterion in _CRITERIA:
            yield case.code, visit_day(case, month), "ryge", criterion, held.get(criterion, "alfa"), case.examiner, "no"


def _events(case: Case) -> Iterator[Cells]:
    for event in case.events:
        day = date.fromisoformat(visit_day(case, event.month)) + timedelta(days=event.days_after)
        yield case.code, day.isoformat(), event.kind, event.note
