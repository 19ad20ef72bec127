"""Changes are told by their uncertainty: a claimed error rate is the actual one, and what cannot be told is not told."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from invented_history import BASELINE, CODE, RECALL, below, measured, photo, restoration, two_visits, visit

from audit.analysis.change import changes, to_frame
from audit.analysis.posed_anew import posed_anew
from audit.core.clinical import CaseFolder, PhotoEntry, Visit
from audit.core.outcome import Change
from audit.core.quantity import Quantity
from audit.core.records import Document, Photo, Reading
from audit.ledger.store import open_ledger

UNITS = {"visible_metal_height": "mm", "visible_metal_extent": "mm", "margin_to_gingiva": "mm", "visible_metal_area": "mm2"}


def only(before: Reading, now: Reading, **repeatability: object) -> Change:
    (change,) = changes(two_visits(before, now), **repeatability)
    return change


def test_a_shared_source_cancels_and_an_unshared_one_does_not() -> None:
    shared = only(measured(10.0, {"graduation/R7": 0.10, "pose/a": 0.01}), measured(10.1, {"graduation/R7": 0.101, "pose/b": 0.01}))
    apart = only(measured(10.0, {"graduation/a": 0.10, "pose/a": 0.01}), measured(10.1, {"graduation/b": 0.101, "pose/b": 0.01}))
    assert shared.difference is not None and apart.difference is not None
    assert shared.difference.u == pytest.approx((0.001**2 + 2 * 0.01**2) ** 0.5, rel=1e-3) and shared.verdict == "changed"
    assert apart.difference.u == pytest.approx((0.1**2 + 0.101**2 + 2 * 0.01**2) ** 0.5, rel=1e-3)
    assert apart.verdict == "no_change_distinguishable" and apart.basis == "budget"


def test_sources_cancel_also_after_reload_from_the_ledger(tmp_path: Path) -> None:
    case = CaseFolder((restoration(),), tuple(Visit(CODE, on, s) for on, s in ((BASELINE, "baseline"), (RECALL, "recall"))))
    readings = (measured(10.0, {"graduation/R7": 0.10, "pose/a": 0.01}), measured(10.1, {"graduation/R7": 0.101, "pose/b": 0.01}))
    with open_ledger(str(tmp_path / "l.sqlite")) as ledger:
        ledger.store_folder(case)
        for n, (on, reading) in enumerate(zip((BASELINE, RECALL), readings, strict=True)):
            document = Document(Photo(f"{n:064}", 9, 9, None, "unknown", "photo"), None, (reading,))
            ledger.store_document(PhotoEntry(f"{n}.jpg", CODE, on, "facial"), document, None, "marks")
    with open_ledger(str(tmp_path / "l.sqlite")) as ledger:
        (change,) = changes(ledger.history(CODE))
    assert change.difference is not None and change.difference.u == pytest.approx(0.01418, rel=1e-3) and change.verdict == "changed"


def test_the_sentence_has_the_numbers_of_the_difference() -> None:
    quiet = only(measured(0.50, 0.036), measured(0.53, 0.036))
    assert quiet.sentence == (
        "Height of the metal showing (projected), facial: "
        f"no change distinguishable from measurement error (0.03 ± 0.10 mm) since {BASELINE}."
    )
    told = only(measured(0.50, 0.03), measured(0.95, 0.03))
    assert told.verdict == "changed" and told.smallest_detectable == pytest.approx(1.96 * 0.03 * 2**0.5, rel=1e-3)
    assert f"changed by +0.45 ± 0.08 mm since {BASELINE}, from 0.50 ± 0.06 mm to 0.95 ± 0.06 mm;" in told.sentence
    assert "stable" not in quiet.sentence


def simulated_tooth(rng: np.random.Generator, opened_by: float = 0.0) -> tuple:
    """Two visits of a tooth with four measurands, every source of the budget drawn as the budget states it."""
    draw: dict[str, float] = {}

    def read(name: str, truth: float, photo_name: str) -> Reading:
        parts = {
            "graduation/R7": 0.02 * truth,
            f"pose/{photo_name}": 0.05,
            f"offset/{photo_name}": 0.01 * truth,
            f"trace/{name}/{photo_name}": 0.03,
        }
        error = sum(part * draw.setdefault(source, rng.normal()) for source, part in parts.items())
        return measured(truth + error, parts, name, UNITS[name])

    truths = dict(zip(UNITS, (0.6, 6.0, 1.5, 4.0), strict=True))
    before = [read(name, truth, "a") for name, truth in truths.items()]
    now = [read(name, truth + opened_by * (name == "margin_to_gingiva"), "b") for name, truth in truths.items()]
    return visit(BASELINE, photo(*before, name="a"), stage="baseline"), visit(RECALL, photo(*now, name="b"))


def test_unchanged_teeth_are_called_changed_in_at_most_five_percent() -> None:
    rng = np.random.default_rng(20)
    teeth = [changes(simulated_tooth(rng)) for _ in range(600)]
    wrong = sum(any(c.verdict == "changed" for c in tooth) for tooth in teeth) / len(teeth)
    assert wrong <= 0.05 + 2.3 * (0.05 * 0.95 / len(teeth)) ** 0.5


def test_the_smallest_detectable_change_is_passed_by_five_percent_of_single_comparisons() -> None:
    """Claimed equals actual, both ways: neither too many nor too few."""
    rng = np.random.default_rng(21)
    compared = [c for _ in range(500) for c in changes(simulated_tooth(rng))]
    passed = sum(abs(c.difference.value) > c.smallest_detectable for c in compared) / len(compared)  # type: ignore[union-attr, operator]
    assert 0.035 <= passed <= 0.065
    ratio = np.mean([(c.difference.value / c.difference.u) ** 2 for c in compared]) ** 0.5  # type: ignore[union-attr]
    assert 0.95 <= ratio <= 1.05


def test_a_tooth_whose_gingiva_receded_is_told() -> None:
    rng = np.random.default_rng(22)
    teeth = [changes(simulated_tooth(rng, opened_by=0.6)) for _ in range(150)]
    found = [next(c for c in tooth if c.measurand == "margin_to_gingiva").verdict == "changed" for tooth in teeth]
    assert np.mean(found) > 0.95


def test_among_many_comparisons_a_single_small_one_is_not_discovered() -> None:
    names = ("visible_metal_height", "visible_metal_extent", "margin_to_gingiva", "margin_to_crest")
    before = [measured(1.0, 0.03, name, site=f"s{name}") for name in names]
    now = [measured(1.0 + 0.09 * (name == "margin_to_gingiva"), 0.03, name, site=f"s{name}") for name in names]
    pair = (visit(BASELINE, photo(*before, name="a"), stage="baseline"), visit(RECALL, photo(*now, name="b")))
    told = next(c for c in changes(pair) if c.measurand == "margin_to_gingiva")
    assert told.difference is not None and told.smallest_detectable is not None and told.difference.value > told.smallest_detectable
    assert told.verdict == "no_change_distinguishable" and "among the 4 comparisons" in told.sentence and "again" in told.sentence
    alone = only(before[2], now[2])
    assert alone.verdict == "changed"


def test_below_detection_on_both_sides_says_under_what() -> None:
    change = only(below(56.2), below(61.0))
    assert change.verdict == "no_change_distinguishable" and change.difference is None and change.smallest_detectable == 61.0
    assert "below what the photographs resolve at both visits (under 57 µm, then under 61 µm)" in change.sentence
    assert "0 µm" not in change.sentence.replace("under 57 µm", "").replace("under 61 µm", "")


def test_from_below_detection_to_an_open_margin() -> None:
    now = measured(190.0, 20.0, "widest_marginal_opening", "um")
    with_estimate = only(below(57.0, -5.0), now)
    assert (
        with_estimate.verdict == "changed"
        and with_estimate.difference is not None
        and with_estimate.difference.value == pytest.approx(195.0)
    )
    by_interval = only(below(57.0, None), now)
    assert by_interval.verdict == "changed" and by_interval.difference is None and "from under 57 µm" in by_interval.sentence
    overlapping = only(below(180.0, None), now)
    assert overlapping.verdict == "cannot_tell" and "cannot be told" in overlapping.sentence


def test_an_unresolved_slot_is_as_uncertain_as_its_interval() -> None:
    """Saliva makes a slot look lighter: the estimates differ by many times their own u and nothing has changed."""
    slots = [
        Reading("widest_marginal_opening", "um", "detected", None, (30.0, high), "m@1", Quantity(value, "um", {f"blur/{value}": 5.0}))
        for value, high in ((45.0, 150.0), (80.0, 160.0))
    ]
    change = only(*slots)
    assert change.verdict == "no_change_distinguishable" and change.smallest_detectable == pytest.approx(np.hypot(105, 80), rel=1e-3)
    opened = only(slots[0], measured(300.0, 20.0, "widest_marginal_opening", "um"))
    assert opened.verdict == "changed" and "from between 30 and 150 µm to 300 ± 39 µm" in opened.sentence


def test_what_one_image_measures_and_the_other_could_not_have_shown_is_neither_changed_nor_unchanged() -> None:
    change = only(below(225.0), measured(211.0, 11.0, "widest_marginal_opening", "um"))
    assert change.verdict == "cannot_tell" and "from under 225 µm to 211 ± 22 µm" in change.sentence


def test_a_share_is_as_uncertain_as_its_interval() -> None:
    """Stretches left out as possible reflections open the interval and not the estimate's own u."""
    share = Quantity(1.0, "1", {"noise/a": 0.007})
    reading = Reading("continuous_margin_fraction", "1", "measured", share, (0.37, 1.0), "m@1", share)
    change = only(reading, replace(reading, signed=replace(share, parts={"noise/b": 0.007})))
    assert change.smallest_detectable == pytest.approx(0.63 * 2**0.5, rel=0.01)
    assert "percentage points" in change.sentence


def test_views_sites_and_methods_are_never_mixed() -> None:
    first, second = measured(1.0, 0.01), measured(2.0, 0.01)
    other_view = (visit(BASELINE, photo(first), stage="baseline"), visit(RECALL, photo(second, view="smile_front")))
    assert changes(other_view) == ()
    assert changes(two_visits(measured(1.0, 0.01, site="mesial"), measured(2.0, 0.01, site="distal"))) == ()
    assert only(first, replace(second, method="m@2")).verdict == "cannot_tell"


def test_sites_without_names_are_not_told_apart() -> None:
    pair = [measured(1.0, 0.01, site="site_1"), measured(3.0, 0.01, site="site_2")]
    told = changes((visit(BASELINE, photo(*pair), stage="baseline"), visit(RECALL, photo(*pair[::-1], name="b"))))
    assert [c.verdict for c in told] == ["cannot_tell"]
    unnamed = [measured(1.0, 0.01), measured(3.0, 0.01)]
    (told_too,) = changes((visit(BASELINE, photo(*unnamed), stage="baseline"), visit(RECALL, photo(*unnamed[::-1], name="b"))))
    assert told_too.verdict == "cannot_tell"


def test_the_same_image_at_both_visits_tells_nothing() -> None:
    same = photo(measured(1.0, 0.01))
    (change,) = changes((visit(BASELINE, same, stage="baseline"), visit(RECALL, same)))
    assert change.verdict == "cannot_tell" and "same image" in change.sentence


def test_a_last_visit_without_the_reading_is_told() -> None:
    visits = (*two_visits(measured(1.0, 0.01), measured(1.01, 0.01)), visit("2022-02-20"))
    (change,) = changes(visits)
    assert change.latest_on == RECALL and change.sentence.endswith(f"; last read on {RECALL}.")


def test_what_the_photographer_framed_is_no_change_of_the_tooth() -> None:
    assert changes(two_visits(measured(50.0, 0.1, "facial_surface_area", "mm2"), measured(70.0, 0.1, "facial_surface_area", "mm2"))) == ()


def test_few_degrees_of_freedom_widen_the_smallest_detectable_change() -> None:
    pair = [replace(measured(1.0, 0.1), signed=Quantity(1.0, "mm", {f"noise/{n}": 0.1}, {f"noise/{n}": 3.0})) for n in "ab"]
    change = only(*pair)
    assert change.smallest_detectable == pytest.approx(2.447 * 0.1 * 2**0.5, rel=1e-3)  # t of 6 degrees of freedom, any table


def histories(rng: np.random.Generator, pairs: int, restorations: int, sd: float) -> list:
    made = []
    for n in range(restorations):
        visits = []
        for k in range(n, pairs, restorations):
            shots = (photo(measured(2.0 + rng.normal(0.0, sd), 0.01), name=f"{n}-{k}-{side}") for side in "ab")
            visits.append(visit(f"2021-{1 + k % 12:02d}-{1 + k // 12:02d}", *shots))
        made.append(visits)
    return made


def test_photographs_posed_anew_widen_what_the_budget_forgot() -> None:
    spread = posed_anew(histories(np.random.default_rng(4), 40, 4, 0.2))[("visible_metal_height", "facial")]
    assert spread.pairs == 40 and spread.restorations == 4 and spread.is_enough
    assert spread.s_difference == pytest.approx(0.2 * 2**0.5, rel=0.25) and spread.to_frame().shape == (1, 6)
    known = {("visible_metal_height", "facial"): spread}
    change = only(measured(2.0, 0.01), measured(2.3, 0.01), repeatability=known)
    assert change.basis == "posed_anew" and change.verdict == "no_change_distinguishable"
    assert only(measured(2.0, 0.01), measured(2.3, 0.01)).verdict == "changed"
    larger = only(measured(2.0, 0.5), measured(2.3, 0.5), repeatability=known)
    assert larger.basis == "budget", "never below what the budget already knows"


@pytest.mark.parametrize("pairs, restorations, enough", [(10, 3, True), (9, 3, False), (10, 2, False)])
def test_too_few_pairs_or_patients_are_not_used(pairs: int, restorations: int, enough: bool) -> None:
    spread = posed_anew(histories(np.random.default_rng(4), pairs, restorations, 0.2))[("visible_metal_height", "facial")]
    assert spread.is_enough is enough
    change = only(measured(2.0, 0.01), measured(2.3, 0.01), repeatability={("visible_metal_height", "facial"): spread})
    assert change.basis == ("posed_anew" if enough else "budget")


def test_a_smallest_detectable_change_from_ten_pairs_covers_ninety_five_percent() -> None:
    """Nominal coverage with few pairs is what Student's t is for; 1.96 would cover about 92 %."""
    rng, inside = np.random.default_rng(9), []
    for _ in range(400):
        spread = posed_anew(histories(rng, 10, 3, 0.2 / 2**0.5))[("visible_metal_height", "facial")]
        inside.append(np.mean(np.abs(rng.normal(0.0, 0.2, 50)) <= spread.smallest_detectable))
    assert 0.94 <= np.mean(inside) <= 0.96


@given(st.floats(-3, 3), st.floats(0.01, 1.0), st.floats(0.01, 1.0))
def test_a_verdict_never_contradicts_its_numbers(shift: float, u: float, u_now: float) -> None:
    change = only(measured(2.0, {"pose/a": u}), measured(2.0 + shift, {"pose/b": u_now}))
    assert change.difference is not None and change.smallest_detectable is not None
    assert (change.verdict == "changed") == (abs(change.difference.value) > change.smallest_detectable)
    assert ("changed by" in change.sentence) == (change.verdict == "changed")


def test_changes_as_a_table() -> None:
    table = to_frame(changes(two_visits(measured(0.5, 0.03), measured(0.95, 0.03))))
    assert table.loc[0, "verdict"] == "changed" and table.loc[0, "difference"] == pytest.approx(0.45)
    assert list(to_frame([]).columns) == list(table.columns)
