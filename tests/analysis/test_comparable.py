"""What two images can say of a margin: limits of detection, thresholds, unequal stretches, intervals among many tests."""

from __future__ import annotations

import numpy as np
import pytest
from invented_history import BASELINE, RECALL, below, measured, photo, two_visits, visit

from audit.analysis.change import changes
from audit.core.continuous_margin import at_threshold, continuous_fraction_at
from audit.core.outcome import Change
from audit.core.quantity import Quantity
from audit.core.records import Reading

FRACTION = "continuous_margin_fraction"
WIDEST, MEAN = "widest_marginal_opening", "mean_marginal_opening"


def only(before: Reading, now: Reading) -> Change:
    (change,) = changes(two_visits(before, now))
    return change


@pytest.mark.parametrize(
    "then, now, verdict",
    [(40.0, 148.0, "cannot_tell"), (148.0, 40.0, "no_change_distinguishable"), (60.0, 61.0, "no_change_distinguishable"),
     (60.0, 76.0, "cannot_tell"), (60.0, 74.0, "no_change_distinguishable")],
)  # fmt: skip
def test_a_coarser_later_image_cannot_tell_whether_an_opening_came(then: float, now: float, verdict: str) -> None:
    change = only(below(then), below(now))
    assert change.verdict == verdict and f"under {then:.0f} µm" in change.sentence and change.difference is None
    assert ("the later image resolves less and shows only that it is under" in change.sentence) == (verdict == "cannot_tell")


def fraction(opening: np.ndarray, threshold: float, *, u: float = 5.0, unit: str = "um", name: str = "a", mm: float = 0.1) -> Reading:
    stations = [
        {"length": mm, "state": "open" if w > 0 else "continuous", "opening": float(w), "u": u, "limit": threshold} for w in opening
    ]
    stations.append({"length": 5.0, "state": "unassessable", "opening": 999.0, "u": u, "limit": threshold})
    details = {"threshold": threshold, "threshold_unit": unit, "stations": stations}
    value = continuous_fraction_at(details, threshold)
    quantity = Quantity(value, "1", {f"noise/{name}": 0.005, f"boundary/{name}": 0.005})
    return Reading(FRACTION, "1", "measured", quantity, quantity.interval(), "m@1", quantity, (), details)


def test_two_visits_are_counted_at_the_coarser_threshold() -> None:
    """The margin did not change: openings of 80 um count from 75 um on, not from 100 um on."""
    openings = np.r_[np.full(20, 80.0), np.zeros(80)]
    fine, coarse = fraction(openings, 75.0, name="a"), fraction(openings, 100.0, name="b")
    assert (fine.value.value, coarse.value.value) == pytest.approx((0.8, 1.0))  # type: ignore[union-attr]
    for pair in ((fine, coarse), (coarse, fine)):
        change = only(*pair)
        assert change.verdict == "no_change_distinguishable" and change.difference is not None and change.difference.value == 0.0
    opened = fraction(np.r_[np.full(20, 80.0), np.full(30, 200.0), np.zeros(50)], 100.0, name="b")
    change = only(fine, opened)
    assert change.verdict == "changed" and change.difference is not None and change.difference.value == pytest.approx(-0.3)
    assert "from 100.0 ± " in change.sentence and "to 70.0 ± " in change.sentence


def test_pixels_are_no_threshold_to_compare_at() -> None:
    pair = [fraction(np.zeros(50), 20.0, unit="px", name=name) for name in "ab"]
    assert only(*pair).verdict == "cannot_tell" and "without a scale" in only(*pair).sentence


def test_the_share_at_a_coarser_threshold_is_as_uncertain_as_its_stations_allow() -> None:
    """Openings with independent errors scatter the share by no more than is claimed; with common errors by just that."""
    rng, truth, u = np.random.default_rng(3), np.r_[np.full(40, 130.0), np.full(30, 118.0), np.zeros(30)], 15.0
    claimed = at_threshold(fraction(truth, 100.0, u=u), 125.0).signed
    assert claimed is not None
    for common, least, most in ((False, 0.1, 1.0), (True, 0.9, 1.1)):
        error = rng.normal(0.0, u, (400, 1 if common else 100)) * np.ones(100)
        shares = [at_threshold(fraction(np.where(truth > 0, truth + e, 0.0), 100.0, u=u), 125.0).signed.value for e in error]  # type: ignore[union-attr]
        assert least <= np.std(shares) / claimed.u <= most


def test_a_finer_threshold_is_refused() -> None:
    with pytest.raises(ValueError, match="at least the reading's own 100"):
        at_threshold(fraction(np.zeros(5), 100.0), 75.0)


def margin(value: float, length: float, measurand: str, name: str, unit: str = "um") -> object:
    return photo(
        measured(value, 8.0 if unit == "um" else 0.01, measurand, unit), measured(length, 0.1, "assessed_margin_length"), name=name
    )


@pytest.mark.parametrize(
    "measurand, then, now, verdict",
    [(MEAN, (60.0, 9.0), (160.0, 8.0), "changed"), (MEAN, (60.0, 9.0), (160.0, 4.0), "cannot_tell"),
     (MEAN, (60.0, 4.0), (160.0, 9.0), "cannot_tell"), (WIDEST, (60.0, 4.0), (160.0, 9.0), "cannot_tell"),
     (WIDEST, (60.0, 9.0), (160.0, 4.0), "changed"), (WIDEST, (160.0, 9.0), (60.0, 4.0), "cannot_tell"),
     (WIDEST, (160.0, 4.0), (60.0, 9.0), "changed")],
)  # fmt: skip
def test_a_change_over_clearly_unequal_stretches_is_refused(measurand: str, then: tuple, now: tuple, verdict: str) -> None:
    pair = visit(BASELINE, margin(*then, measurand, "a"), stage="baseline"), visit(RECALL, margin(*now, measurand, "b"))
    (change,) = changes(pair)
    assert change.verdict == verdict and f"{then[1]:.1f} mm of margin assessed then" in change.sentence
    assert ("cannot be compared" in change.sentence) == (verdict == "cannot_tell")


def test_intervals_without_estimates_are_tests_among_the_others() -> None:
    """By itself the opening is 'changed'; among seven tests of one tooth of which nothing else moved it is not told."""
    names = ("margin_to_gingiva", "margin_to_crest", "visible_metal_height")
    others, later = ([measured(1.0, 0.1, name, site=name) for name in names] for _ in "ab")
    closed = [below(40.0, None, name) for name in ("mean_marginal_opening", "radiographic_gap_width", "widest_radiographic_gap")]
    opened = measured(106.0, 30.0, "widest_marginal_opening", "um")
    alone = only(below(40.0, None), opened)
    assert alone.verdict == "changed" and alone.difference is None
    first = visit(BASELINE, photo(below(40.0, None), *others, *closed, name="a"), stage="baseline")
    told = changes((first, visit(RECALL, photo(opened, *later, *closed, name="b"))))
    change = next(c for c in told if c.measurand == "widest_marginal_opening")
    assert len(told) == 7 and change.verdict == "cannot_tell" and "cannot be told among the 7 comparisons" in change.sentence
    wide = changes((first, visit(RECALL, photo(measured(400.0, 30.0, "widest_marginal_opening", "um"), *later, *closed, name="b"))))
    assert next(c for c in wide if c.measurand == "widest_marginal_opening").verdict == "changed"


def test_unchanged_margins_at_the_edge_of_detection_are_called_changed_in_at_most_five_percent() -> None:
    """Four openings a tooth, of which each reading falls below or above its limit by chance, estimates not kept."""
    rng, names = (
        np.random.default_rng(8),
        ("widest_marginal_opening", "mean_marginal_opening", "radiographic_gap_width", "widest_radiographic_gap"),
    )

    def read(truth: float, name: str) -> Reading:
        u = rng.uniform(10.0, 30.0)
        seen = truth + rng.normal(0.0, u)
        return measured(seen, u, name, "um") if seen > 1.645 * u else below(max(seen, 0.0) + 1.645 * u, None, name)

    wrong = []
    for _ in range(800):
        truths = rng.uniform(0.0, 120.0, 4)
        before, now = ([read(truth, name) for truth, name in zip(truths, names, strict=True)] for _ in "ab")
        told = changes((visit(BASELINE, photo(*before, name="a"), stage="baseline"), visit(RECALL, photo(*now, name="b"))))
        wrong.append(any(change.verdict == "changed" for change in told))
    assert np.mean(wrong) <= 0.05 + 2.3 * (0.05 * 0.95 / len(wrong)) ** 0.5


def test_readings_in_two_units_are_told_and_not_held_against_each_other() -> None:
    change = only(measured(0.2, 0.01, WIDEST, "mm"), measured(200.0, 10.0, WIDEST, "um"))
    assert change.verdict == "cannot_tell" and change.difference is None and "given in mm then and in um now" in change.sentence
