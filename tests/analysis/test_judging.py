"""Plans, published limits, grades and the words of numbers: judged from the interval, never from the point."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from invented_history import BASELINE, CODE, measured, photo, restoration, visit

from audit.analysis import grading, plan
from audit.analysis.wording import plus_minus, under
from audit.core.clinical import DEFAULT_SEVEN_EIGHTHS_PLAN, Finding, Grade, Plan
from audit.core.records import Reading

PLAN = DEFAULT_SEVEN_EIGHTHS_PLAN


def checks(*readings: Reading, design: str = "seven_eighths", planned: Plan = PLAN) -> list:
    return list(plan.plan_checks(restoration(design, planned), [visit(BASELINE, photo(*readings), stage="baseline")]))


@pytest.mark.parametrize(
    "value, u, verdict",
    [
        (0.40, 0.02, "within"), (0.40, 0.08, "cannot_tell"), (0.15, 0.02, "below"), (0.9, 0.1, "above"), (0.29, 0.02, "cannot_tell"),
    ],
)  # fmt: skip
def test_the_bevel_over_the_mesiofacial_cusp(value: float, u: float, verdict: str) -> None:
    (check,) = checks(measured(value, u, site="mesiofacial"))
    assert check.verdict == verdict and check.source == "common practice, no published source" and "planned 0.3 to 0.5 mm" in check.sentence


def test_metal_over_the_covered_half_is_not_the_bevel() -> None:
    (check,) = checks(measured(2.4, 0.05))
    assert check.verdict == "cannot_tell" and "over the mesiofacial cusp alone it was not read" in check.sentence
    (low,) = checks(measured(0.1, 0.02))
    assert low.verdict == "below", "if all metal is lower than the plan, so is the bevel"
    (onlay,) = checks(measured(0.4, 0.02), design="onlay")
    assert onlay.verdict == "within"


@pytest.mark.parametrize("least, verdict", [(0.4, "within"), (0.05, "cannot_tell"), (-0.5, "below")])
def test_supragingival_means_all_along_the_margin(least: float, verdict: str) -> None:
    (check,) = checks(measured(0.9, 0.1, "margin_to_gingiva", least_mm=least))
    assert check.verdict == verdict and check.value.value == least


def test_extent_and_nothing_planned() -> None:
    (check,) = checks(measured(5.0, 0.1, "visible_metal_extent"), planned=Plan(extent_mm=4.0, source="plan of the practice"))
    assert check.verdict == "above" and (check.low, check.high) == (None, 4.0)
    assert checks(measured(0.4, 0.02), planned=Plan()) == []
    table = plan.to_frame([check])
    assert table.loc[0, "verdict"] == "above" and table.loc[0, "value"] == 5.0


@given(st.floats(0, 3), st.floats(0.001, 1))
def test_a_plan_verdict_holds_for_the_whole_interval(value: float, u: float) -> None:
    (check,) = checks(measured(value, u, site="mesiofacial"))
    low, high = check.value.interval()
    if check.verdict == "within":
        assert low >= 0.3 and high <= 0.5
    elif check.verdict != "cannot_tell":
        assert high < 0.3 if check.verdict == "below" else low > 0.5
    else:
        assert not (low >= 0.3 and high <= 0.5)


def finding(name: str, value: str, surface: str = "") -> Finding:
    return Finding(CODE, BASELINE, name, value, surface)


def test_findings_in_ryges_words() -> None:
    found = [finding("explorer", "no_catch", "mesial"), finding("explorer", "enters", "distal"), finding("caries_at_margin", "none")]
    told = grading.ryge_meanings(found, [Grade(CODE, BASELINE, "ryge", "caries", "alfa")])
    assert [(m.criterion, m.grade, m.examiner_grade) for m in told] == [("marginal_adaptation", "bravo", None), ("caries", "alfa", "alfa")]
    assert told[0].because == "the explorer enters a crevice (distal)"
    assert list(grading.to_frame(told)["grade"]) == ["bravo", "alfa"]


def test_no_word_on_marginal_adaptation_without_the_explorer() -> None:
    assert grading.ryge_meanings([finding("retention", "loose"), finding("explorer", "not_examined")]) == ()
    told = grading.ryge_meanings([finding("retention", "loose"), finding("explorer", "catches")])
    assert [m.grade for m in told] == ["delta"]


@pytest.mark.parametrize(
    "value, half, unit, text",
    [
        (0.031, 0.0996, "mm", "0.03 ± 0.10 mm"), (-0.004, 0.10, "mm", "0.00 ± 0.10 mm"), (0.94, 1.23, "mm2", "0.9 ± 1.2 mm²"),
        (123.4, 45.0, "um", "123 ± 45 µm"), (0.012, 0.034, "1", "1.2 ± 3.4 %"), (-0.45, 0.12, "mm", "−0.45 ± 0.12 mm"),
        (1234.0, 156.0, "um", "1234 ± 156 µm"), (0.5, 0.001, "mm", "0.50 ± 0.00 mm"),
    ],
)  # fmt: skip
def test_numbers_are_rounded_by_their_uncertainty(value: float, half: float, unit: str, text: str) -> None:
    assert plus_minus(value, half, unit) == text


@given(st.floats(1e-4, 1e4), st.sampled_from(["mm", "um", "1", "mm2"]))
def test_under_is_never_smaller_than_the_limit(limit: float, unit: str) -> None:
    shown = float(under(limit, unit).split()[1]) / (100.0 if unit == "1" else 1.0)
    assert shown >= limit * (1 - 1e-6)
