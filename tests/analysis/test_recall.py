"""The record of a tooth: its status, what asks for attention, what was not assessed, when it is due again."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st
from invented_history import BASELINE, CODE, PLACED, RECALL, measured, photo, restoration, visit

from audit.analysis.recall import tooth_record
from audit.core.clinical import Event, Finding
from audit.core.dates import add_months, months_between
from audit.core.outcome import VisitRecord
from audit.core.records import Refusal
from audit.core.vocabulary import EVENTS, FINDINGS, NEITHER_SOUND_NOR_WORSE, NOT_EXAMINED
from audit.report.first_page import first_page

TODAY = date(2021, 3, 1)
SOUND = {"explorer": "no_catch", "caries_at_margin": "none", "retention": "firm"}


def record(*visits: VisitRecord, today: date = TODAY, **more: object):
    return tooth_record(restoration(), visits, today, **more)


def life(**at_recall: object) -> tuple[VisitRecord, ...]:
    given_findings = at_recall.pop("findings", SOUND)
    return (
        visit(PLACED, stage="placement", findings=SOUND), visit(BASELINE, stage="baseline", findings=SOUND),
        visit(RECALL, findings=given_findings, **at_recall),
    )  # fmt: skip


def test_a_sound_tooth_is_in_place_and_never_called_stable() -> None:
    told = record(*life())
    assert told.status.word == "in_place"
    assert told.status.sentence == "In place 13 months after placement; nothing recorded asks for attention."
    assert told.baseline_on == BASELINE and told.attention == ()
    assert told.next_recall.due_on == "2022-02-20" and "12 months after the last visit (the default" in told.next_recall.sentence
    assert "stable" not in str(told).lower()


def test_a_last_visit_without_findings_says_so() -> None:
    told = record(*life(findings={}))
    assert "no clinical findings were recorded" in told.status.sentence
    assert "Nothing recorded about: explorer, caries at the margin and retention." in told.not_assessed


def test_a_finding_that_is_marked_and_asks_for_nothing_is_not_called_nothing() -> None:
    told = record(*life(findings={**SOUND, "explorer": "catches"}))
    assert (
        told.status.word == "in_place"
        and "1 finding of the last visit to watch, none that asks for attention by itself" in told.status.sentence
    )
    assert "nothing recorded asks for attention" in record(*life(findings=SOUND)).status.sentence


def test_findings_come_before_changes_and_the_gravest_first() -> None:
    before, now = (photo(measured(v, 0.02, "margin_to_gingiva"), name=str(v)) for v in (0.4, 1.6))
    found = {**SOUND, "uncovered_cusp": "chip", "explorer": "enters", "caries_at_margin": "present", "bleeding": "yes"}
    told = record(visit(BASELINE, before, stage="baseline"), visit(RECALL, now, findings=found))
    assert [line.split(" (")[0] for line in told.attention[:3]] == [
        "The explorer enters the margin",
        "Caries at the margin",
        "The uncovered cusp is chipped",
    ]
    assert "changed by +1.20 ± 0.06 mm" in told.attention[3] and len(told.attention) == 4
    assert told.status.word == "attention" and "4 points ask for attention" in told.status.sentence
    assert told.next_recall.due_on == "2021-08-20" and "sooner" in told.next_recall.sentence


def test_a_change_for_the_better_is_told_but_asks_for_no_attention() -> None:
    before, now = (photo(measured(v, 0.02), name=str(v)) for v in (1.6, 0.4))
    told = record(visit(BASELINE, before, stage="baseline", findings=SOUND), visit(RECALL, now, findings=SOUND))
    assert told.changes[0].verdict == "changed" and told.attention == () and told.status.word == "in_place"


def test_a_finding_that_was_not_examined_again_still_counts_and_says_so() -> None:
    open_then = (visit(BASELINE, stage="baseline", findings={"explorer": "enters"}), visit(RECALL, findings={"explorer": NOT_EXAMINED}))
    assert record(*open_then).attention == (f"The explorer enters the margin (found on {BASELINE}, not examined again since).",)
    assert "Not examined: explorer." in record(*open_then).not_assessed
    closed_now = (open_then[0], visit(RECALL, findings={"explorer": "no_catch"}))
    assert record(*closed_now).attention == ()


def test_surfaces_and_examiners_are_kept_apart() -> None:
    found = tuple(Finding(CODE, RECALL, "explorer", value, surface, who) for value, surface, who in (
        ("enters", "mesial", "E1"), ("no_catch", "mesial", "E2"), ("no_catch", "distal", "E1"),
    ))  # fmt: skip
    assert record(visit(RECALL, findings=found)).attention == (f"The explorer enters the margin, mesial (found on {RECALL}).",)


@pytest.mark.parametrize("depth, told", [("5.5", False), ("6", True), ("not_examined", False)])
def test_a_deep_pocket_asks_for_attention(depth: str, told: bool) -> None:
    assert bool(record(*life(findings={**SOUND, "probing_depth_mm": depth})).attention) is told


def test_every_word_of_the_vocabulary_is_either_sound_or_told() -> None:
    """The worst answer of each question that has one asks for attention, but for those that only describe."""
    describe_only = {"bleeding", "plaque", "air_dried", "cleaned", "occlusal_contact", "proximal_contact"} | NEITHER_SOUND_NOR_WORSE
    for name, answers in FINDINGS.items():
        if answers and name not in describe_only:
            assert record(*life(findings={**SOUND, name: answers[-1]})).attention, name
            assert not record(*life(findings={**SOUND, name: answers[0]})).attention, name


def test_nothing_before_an_intervention_counts_after_it() -> None:
    shots = [photo(measured(v, 0.02), name=str(v)) for v in (0.5, 1.5, 1.52)]
    visits = (
        visit(BASELINE, shots[0], stage="baseline"),
        visit("2020-08-01", findings={"retention": "came_off"}, events=("2020-08-01 recemented",)),
        visit("2020-09-10", shots[1], stage="baseline", findings=SOUND), visit(RECALL, shots[2], findings=SOUND),
    )  # fmt: skip
    told = record(*visits)
    assert told.baseline_on == "2020-09-10" and told.attention == ()
    assert [(c.baseline_on, c.verdict) for c in told.changes] == [("2020-09-10", "no_change_distinguishable")]
    assert told.status.word == "in_place" and "came off and was recemented on 2020-08-01" in told.status.sentence
    assert any("Nothing from before the intervention" in line for line in told.not_assessed)
    at_once = record(*visits[:2])
    assert at_once.status.word == "event" and at_once.changes == () and at_once.baseline_on == BASELINE
    assert at_once.next_recall.due_on == "2020-09-12" and "Baseline review" in at_once.next_recall.sentence
    assert record(*visits[:3]).status.word == "event"


def test_what_was_compared_before_an_intervention_stands_until_the_tooth_is_seen_again() -> None:
    shots = [photo(measured(v, 0.02), name=str(v)) for v in (0.5, 1.5, 1.52)]
    visits = (visit(BASELINE, shots[0], stage="baseline"), visit("2020-07-20", shots[1], events=("2020-08-01 recemented",)))
    waiting = record(*visits)
    assert [(c.baseline_on, c.latest_on, c.verdict) for c in waiting.changes] == [(BASELINE, "2020-07-20", "changed")]
    assert waiting.compared_until is not None and waiting.compared_until.on == "2020-08-01" and waiting.attention == ()
    assert first_page(waiting).against == f"Against baseline ({BASELINE}, until came off and was recemented on 2020-08-01)"
    seen = record(*visits, visit("2020-09-10", shots[2], stage="baseline", findings=SOUND))
    assert (
        seen.changes == ()
        and seen.compared_until is None
        and first_page(seen).against == ("Against baseline (2020-09-10, taken anew: came off and was recemented on 2020-08-01)")
    )


@pytest.mark.parametrize("kind", [name for name, kind in EVENTS.items() if kind.restarts_baseline])
def test_no_change_runs_through_any_intervention(kind: str) -> None:
    before, now = (photo(measured(v, 0.02), name=str(v)) for v in (0.5, 1.5))
    assert record(visit(BASELINE, before, stage="baseline"), visit(RECALL, now, events=(f"2020-08-01 {kind}",))).changes == ()


@pytest.mark.parametrize("kind", [name for name, kind in EVENTS.items() if kind.outcome in ("failure", "withdrawn")])
def test_an_end_is_an_end(kind: str) -> None:
    visits = life(findings={**SOUND, "caries_at_margin": "present"}, events=(f"2021-02-25 {kind}",))
    told = record(*visits)
    assert told.status.word == "ended" and EVENTS[kind].words in told.status.sentence and "2021-02-25" in told.status.sentence
    assert told.next_recall.due_on is None and told.attention == ()
    after = record(*visits, visit("2021-06-01", findings=SOUND))
    assert after.status.word == "ended" and "check the records" in after.attention[0]


def test_what_was_not_assessed_is_named_in_millimetres_and_surfaces() -> None:
    length = measured(6.13, 0.1, "assessed_margin_length", surfaces=["mesial"])
    refusals = tuple(
        Refusal(name, "no_reference", "No reference in the image.", "Lay a rule.") for name in ("margin_to_gingiva", "visible_metal_area")
    )
    assert "No stretch of the margin was measured on a photograph at this visit." in record(*life()).not_assessed
    visits = (*life()[:2], visit(RECALL, photo(length, view="mesial"), photo(view="facial", refusals=refusals), findings=SOUND))
    told = record(*visits)
    assert "Of the margin 6.1 mm (mesial surface) was measured on photographs at this visit; the rest was not." in told.not_assessed
    wanted = "Not measured, 2 times: No reference in the image (margin to gingiva and metal showing on the facial (projected area))."
    assert wanted in told.not_assessed
    assert any("No bitewing of this visit" in line for line in told.not_assessed)
    bitewing = record(*life()[:2], visit(RECALL, photo(length, view="bitewing"), findings=SOUND))
    assert any("lower bound" in line for line in bitewing.not_assessed)


@pytest.mark.parametrize(
    "set_by, findings, due, says",
    [
        (None, SOUND, "2022-02-20", "the default"), (24, SOUND, "2023-02-20", "as the clinician set it"),
        (24, {**SOUND, "retention": "loose"}, "2021-08-20", "sooner"),
        (3, {**SOUND, "retention": "loose"}, "2021-05-20", "as the clinician set it"),
        (36, SOUND, "2024-02-20", "outside the 3 to 24 months of NICE CG19"),
    ],
)  # fmt: skip
def test_the_next_recall(set_by: int | None, findings: dict, due: str, says: str) -> None:
    told = record(*life(findings=findings), recall_months=set_by).next_recall
    assert told.due_on == due and says in told.sentence


def test_an_overdue_recall_says_by_how_much() -> None:
    assert record(*life(), today=date(2022, 6, 20)).next_recall.sentence.endswith("; overdue by 4 months.")
    assert record(*life(), today=date(2022, 2, 22)).next_recall.sentence.endswith("; overdue.")
    assert "overdue" not in record(*life(), today=date(2022, 2, 20)).next_recall.sentence


def test_a_tooth_not_seen_since_placement_is_due_for_its_baseline() -> None:
    for visits in ((), (visit(PLACED, stage="placement", findings=SOUND),)):
        told = record(*visits, today=date(2020, 2, 1))
        assert told.next_recall.due_on == "2020-02-26" and told.status.word == "in_place"


def test_the_baseline_without_a_visit_of_that_stage_is_the_first_recall() -> None:
    assert record(visit("2019-12-01", stage="preparation"), visit(PLACED, stage="placement"), visit(RECALL)).baseline_on == RECALL


@given(st.dates(date(1950, 1, 1), date(2080, 1, 1)), st.integers(0, 240))
def test_calendar_months_and_mean_months_agree_within_days(start: date, count: int) -> None:
    due = add_months(start.isoformat(), count)
    assert abs(months_between(start.isoformat(), due) - count) < 0.14  # 31 days against 30.44, twice a leap day
    assert date.fromisoformat(due).day in (start.day, 28, 29, 30)


@given(st.lists(st.tuples(st.dates(date(2020, 1, 15), date(2021, 3, 1)), st.sampled_from(sorted(EVENTS))), max_size=4))
def test_any_life_gets_a_record(happened: list[tuple[date, str]]) -> None:
    visits = life()
    events = tuple(Event(CODE, on.isoformat(), kind) for on, kind in happened)
    told = record(*visits[:-1], replace(visits[-1], events=events))
    assert told.status.sentence.endswith(".") and told.next_recall.sentence.endswith(".")
    assert (told.next_recall.due_on is None) == (told.status.word == "ended")
    assert set(told.events) == set(events)


def test_a_visit_entered_late_for_a_day_before_the_last_intervention_is_compared_with_nothing_after_it() -> None:
    before, after = (photo(measured(v, 0.02), name=str(v)) for v in (0.4, 1.6))
    seen = visit("2021-01-10", after, stage="baseline", events=("2021-01-05 recemented",))
    told = record(seen, visit("2020-12-01", before))
    assert told.baseline_on == "2021-01-10" and told.changes == ()
    assert any("Nothing from before the intervention" in line and "2021-01-05" in line for line in told.not_assessed)
