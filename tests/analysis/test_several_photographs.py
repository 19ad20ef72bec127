"""Several photographs of one visit: the choice among them knows nothing of what they show, and a second one confirms a change."""

from __future__ import annotations

import numpy as np
import pytest
from invented_history import BASELINE, RECALL, measured, photo, visit

from audit.analysis.change import changes
from audit.analysis.occasions import occasions
from audit.core.outcome import Change, VisitRecord
from audit.core.quantity import Quantity
from audit.core.records import Calibration


def scale(relative_u: float = 0.005, blur_px: float = 1.5, mm_per_px: float = 0.02) -> Calibration:
    of = Quantity(mm_per_px, "mm/px", {"comb/a": relative_u * mm_per_px})
    return Calibration("rule", of, of, 0.0, None, Quantity(blur_px, "px"), "direct", "rule_comb@1")


def chosen(*photos: object) -> str:
    ((occasion,),) = occasions([visit(BASELINE, *photos)]).values()
    assert occasion.photos == len(photos)
    return occasion.photo.file


def test_remarks_then_scale_then_blur_then_name_choose() -> None:
    reading = measured(1.0, 0.02)
    plain = photo(reading, name="b", calibration=scale())
    assert chosen(photo(reading, name="a", calibration=scale(), flags=("soft",)), plain) == "b.jpg"
    assert chosen(photo(reading, name="a", calibration=scale(relative_u=0.02)), plain) == "b.jpg"
    assert chosen(photo(reading, name="a", calibration=scale(blur_px=4.0)), plain) == "b.jpg"
    assert chosen(photo(reading, name="a", calibration=None), plain) == "b.jpg"
    assert chosen(plain, photo(reading, name="a", calibration=scale())) == "a.jpg"


def test_neither_value_nor_uncertainty_of_the_reading_chooses() -> None:
    for value, u in ((1.0, 0.5), (9.0, 0.001), (0.1, 0.001)):
        assert (
            chosen(photo(measured(value, u), name="b", calibration=scale()), photo(measured(2.0, 0.1), name="a", calibration=scale()))
            == "a.jpg"
        )


@pytest.mark.parametrize("photographs", [2, 3])
def test_more_photographs_at_one_visit_make_no_change(photographs: int) -> None:
    """An area known to 10 %, so that u grows with the value; scale and blur are known as well as they are in photographs."""
    rng, differences, passed = np.random.default_rng(photographs), [], []

    def shot(name: str) -> object:
        relative = rng.normal(1.0, 0.005)
        area = 4.0 * rng.normal(1.0, 0.1) * relative
        seen = scale(0.005 / relative, 1.5 * rng.normal(1.0, 0.1), 0.02 * relative)
        return photo(measured(area, 0.1 * area, "visible_metal_area", "mm2"), name=name, calibration=seen)

    for _ in range(600):
        later = [shot(f"{rng.integers(1 << 30)}") for _ in range(photographs)]
        (change,) = changes((visit(BASELINE, shot("base"), stage="baseline"), visit(RECALL, *later)))
        assert change.difference is not None
        differences.append(change.difference.value / 4.0)
        passed.append(change.verdict == "changed")
    assert abs(np.mean(differences)) < 2.6 * 0.1 * 2**0.5 / len(differences) ** 0.5, "least u would give -6 % and -8 %"
    assert np.mean(passed) < 0.075, "u scales with the value, so that 1.96 u(d) is passed by a little more than 5 %"


def changed(*visits: VisitRecord) -> Change:
    (change,) = changes(visits)
    return change


def test_a_second_photograph_of_the_visit_or_the_visit_before_makes_a_change_final() -> None:
    first = visit(BASELINE, photo(measured(1.0, 0.03), name="base"), stage="baseline")
    now, again, back = (photo(measured(value, 0.03), name=name) for value, name in ((1.4, "a"), (1.45, "b"), (0.6, "c")))
    single = changed(first, visit(RECALL, now))
    assert single.verdict == "changed" and not single.confirmed and single.sentence.endswith("; not yet confirmed by a second photograph.")
    double = changed(first, visit(RECALL, now, again))
    assert double.confirmed and "a second photograph shows it too." in double.sentence
    assert "from one of 2 photographs, chosen by sharpness and scale before it was read" in double.sentence
    assert changed(first, visit("2020-09-01", again), visit(RECALL, now)).confirmed
    assert not changed(first, visit(RECALL, now, back)).confirmed, "the other way is no confirmation"
    assert not changed(first, visit(RECALL, now, photo(measured(1.02, 0.03), name="d"))).confirmed
    assert not changed(first, visit(RECALL, photo(measured(1.01, 0.03), name="e"))).confirmed
