"""The club's report: attendance and completeness first, then what became of the restorations, by member code; no ranking."""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import pandas as pd

from audit.core.vocabulary import DESIGNS
from audit.report import words
from audit.report.sheet import Drawing, Sheet, SheetSection, SheetTable
from audit.report.survival_drawing import survival_drawing

__all__ = ["ClubOutcome", "ClubReport", "club_sheet"]


@dataclass(frozen=True)
class ClubOutcome:
    """Outcomes until one kind of end, as `audit.analysis.outcome_summary` tells them, and the curve."""

    curve: pd.DataFrame
    survival: pd.DataFrame
    rates: pd.DataFrame
    members: pd.DataFrame
    notes: tuple[str, ...]


@dataclass(frozen=True)
class ClubReport:
    """All tables of the club's report; outcomes are empty where nobody was followed."""

    club: str
    attendance: pd.DataFrame
    mix: pd.DataFrame
    events: pd.DataFrame
    refusals: pd.DataFrame
    agreement: pd.DataFrame
    meaning: pd.DataFrame
    published: pd.DataFrame
    success: ClubOutcome | None
    in_place: ClubOutcome | None
    why_no_outcomes: str = ""
    generated_on: str = ""


def club_sheet(report: ClubReport) -> Sheet:
    """The report as a sheet."""
    seen = report.attendance
    facts = (
        f"{len(seen)} members · {int(seen['restorations'].sum())} restorations · by the members' pseudonyms, in the order of their codes"
    )
    sections = [
        _attendance(report),
        _mix(report),
        *_outcomes(report),
        _complications(report),
        _beside(report),
        _agreement(report),
        _refusals(report),
    ]
    return Sheet("Study club", "Club report", facts, tuple(sections), report.generated_on)


_SEEN_HEADS = (
    "Member", "Restorations", "With baseline", "Recalled", "In place", "Not seen for 2 years", "Recalls", "Examined", "Graded", "Measured",
    "Graded after seeing",
)  # fmt: skip


def _attendance(report: ClubReport) -> SheetSection:
    table = report.attendance
    every = [*table.to_dict("records"), {**table.sum(numeric_only=True).to_dict(), "member": "all"}]
    weight = (
        "What follows is worth as much as this table: a curve over restorations that were not seen says little, and those that were "
        "lost to recall may have fared worse."
    )
    notes = (
        "Not seen for 2 years: restorations in place, where it is sure; bundles tell whole years since placement only.",
        "Examined, graded, measured: recalls with a finding, a grade, a reading. Graded after seeing: after measurements were seen.",
    )
    rows = tuple(map(_attendance_row, every))
    return SheetSection("Attendance and completeness", (weight,), (SheetTable(_SEEN_HEADS, rows, tuple(range(1, 11))),), notes=notes)


def _attendance_row(r: Mapping[Hashable, Any]) -> tuple[str, ...]:
    cases, recalls = r["restorations"], r["recalls"]
    return (
        str(r["member"]), str(cases), _of(r["baseline"], cases), _of(r["recalled"], cases), str(r["in_place"]), str(r["not_seen"]),
        str(recalls), _of(r["examined"], recalls), _of(r["graded"], recalls), _of(r["measured"], recalls), str(r["graded_after_seeing"]),
    )  # fmt: skip


def _mix(report: ClubReport) -> SheetSection:
    heads = (
        "Member",
        *(design.words.capitalize() for design in DESIGNS.values()),
        "On molars",
        "Upper jaw",
        "White alloy",
        "Years followed",
    )
    rows = [
        (str(r["member"]), *(str(int(r[name])) for name in (*DESIGNS, "molar", "upper", "white")), f"{r['followed_years']:.0f}")
        for r in report.mix.to_dict("records")
    ]
    return SheetSection(
        "Case mix",
        (),
        (SheetTable(heads, tuple(rows), tuple(range(1, len(heads)))),),
        notes=("Members who treat other teeth with other designs are not comparable by their counts alone.",),
    )


def _outcomes(report: ClubReport) -> list[SheetSection]:
    if report.in_place is None or report.success is None:
        return [SheetSection("Survival and success", (report.why_no_outcomes,))]
    drawing = survival_drawing(report.in_place.curve, report.success.curve)
    lost = _outcome("Survival: until the restoration is lost", report.in_place, (drawing,))
    points = [
        f"{r['source']}: {_share(r['survival'])} ± {_share(1.96 * r['se'])} at {r['years']:g} years ({r['note']})."
        for r in report.published.to_dict("records")
    ]
    return [replace(lost, notes=(*lost.notes, *points)), _outcome("Success: until something had to be done", report.success, ())]


def _outcome(title: str, outcome: ClubOutcome, drawings: Sequence[Drawing]) -> SheetSection:
    rows, rules = [], dict[str, None]()
    for r in outcome.survival.to_dict("records"):
        rule, _, got = str(r["why_no_interval"]).rstrip(".").partition("; ")
        rules |= {f"{rule}, else it is refused.": None} if rule else {}
        rows.append(
            (
                words.design_words(str(r["stratum"])),
                f"{r['years']:g}",
                str(r["at_risk"]),
                _share(r["kaplan_meier"]),
                f"refused: {got}" if rule else f"{_share(r['low'])} to {_share(r['high'])}",
                "" if math.isnan(r["turnbull_low"]) else f"{_share(r['turnbull_low'])} to {_share(r['turnbull_high'])}",
            )
        )
    table = SheetTable(("Restorations", "Years", "At risk", "Kaplan-Meier", "95 %, by patients", "Turnbull"), tuple(rows), (1, 2, 3))
    notes = (*outcome.notes, *rules)
    return SheetSection(title, (), (table,), tuple(drawings), notes)


def _complications(report: ClubReport) -> SheetSection:
    meaning = dict(zip(report.meaning["event"], report.meaning["outcome"], strict=True))
    rate_note = "Rates by time at risk with exact limits of the Poisson law; restorations of one patient make them too narrow."
    kinds = [kind for kind in report.events.columns if kind != "member"]
    counts = SheetTable(
        ("Member", "Events"),
        tuple((str(r["member"]), _counted((words.event_words(k), r[k]) for k in kinds)) for r in report.events.to_dict("records")),
    )
    rated = (
        []
        if report.success is None
        else [
            (
                words.event_words(str(r["end"])),
                meaning.get(str(r["end"]), ""),
                str(r["events"]),
                f"{r['years']:.0f}",
                f"{r['per_100_years']:.2f}",
                f"{r['low']:.2f} to {r['high']:.2f}",
            )
            for r in report.success.rates.to_dict("records")
        ]
    )
    heads = ("First event that ends success", "Leads to", "Events", "Years at risk", "Per 100 years", "95 %")
    tables = [SheetTable(heads, tuple(rated), (2, 3, 4))] if rated else []
    return SheetSection(
        "Complications", () if kinds else ("No event is on record.",), (*tables, *([counts] if kinds else ())), notes=(rate_note,)
    )


def _beside(report: ClubReport) -> SheetSection:
    title = "Members beside one another"
    if report.success is None or report.success.members.empty:
        return SheetSection(title, ("Members are not compared: there is no event to compare by, or one member only.",))
    rows = [
        (
            _dashed(str(r["member"])),
            str(r["restorations"]),
            f"{r['years']:.0f}",
            str(r["observed"]),
            f"{r['expected']:.1f}",
            f"{r['ratio']:.2f}",
            f"{r['low']:.2f} to {r['high']:.2f}",
            "too few" if r["funnel"] is None else f"{r['funnel'][0]:.2f} to {r['funnel'][1]:.2f}",
            _share(r["power"]),
        )
        for r in report.success.members.to_dict("records")
    ]
    heads = ("Member", "Restorations", "Years", "Ends of success", "Expected", "Ratio", "95 %", "Usual at the club's rate", "Power")
    return SheetSection(
        title,
        (),
        (SheetTable(heads, tuple(rows), (1, 2, 3, 4, 5, 8)),),
        notes=(
            "Expected: at the club's rate in each design. In the order of the codes; this is no ranking, and a ratio whose limits hold 1 "
            "says nothing. Power: the chance that a member with twice the rate would be seen outside what is usual.",
        ),
    )


def _agreement(report: ClubReport) -> SheetSection:
    rows = [
        (
            str(r["system"]),
            words.plain(str(r["criterion"])),
            str(r["pairs"]),
            _share(r["equal"]),
            str(r["why_not"]) if r["why_not"] else f"{r['kappa']:.2f} ± {1.96 * r['se']:.2f}",
        )
        for r in report.agreement.to_dict("records")
    ]
    if not rows:
        return SheetSection(
            "Agreement",
            ("No restoration was rated by two examiners at the same visit: how far grades depend on who gives them is unknown.",),
        )
    heads = ("System", "Criterion", "Pairs", "Equal", "Kappa, linear weights ± 95 %")
    return SheetSection(
        "Agreement",
        (),
        (SheetTable(heads, tuple(rows), (2, 3)),),
        notes=(
            "Two examiners of one practice who rated the same restoration at the same visit; kappa is low where nearly "
            "every grade is the same.",
        ),
    )


def _refusals(report: ClubReport) -> SheetSection:
    rows = [
        (
            str(r["member"]),
            str(r["readings"]),
            str(r["refusals"]),
            _share(r["refusals"] / max(1, r["readings"] + r["refusals"])),
            _counted((words.plain(code), count) for code, count in r["codes"]),
        )
        for r in report.refusals.to_dict("records")
    ]
    heads = ("Member", "Readings", "Refused", "Share", "Why")
    return SheetSection(
        "Refused measurements",
        (),
        (SheetTable(heads, tuple(rows), (1, 2, 3)),),
        notes=("A refusal is no fault of a member: it says what the photographs could not tell.",),
    )


def _dashed(member: str) -> str:
    """A pseudonym as the other tables write it; within a case code it has no hyphen."""
    return f"{member[:1]}-{member[1:]}"


def _counted(pairs: Iterable[tuple[str, int]]) -> str:
    return "; ".join(f"{name} {count}" for name, count in pairs if count) or "none"


def _of(part: int, whole: int) -> str:
    return f"{int(part)} ({100 * part / whole:.0f} %)" if whole else str(int(part))


def _share(value: float) -> str:
    return "" if math.isnan(value) else f"{100 * value:.0f} %"
