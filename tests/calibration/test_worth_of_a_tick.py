"""A scale half as large, or a tenth, looks like one in millimetres: what tells them apart, and what is said where nothing does."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from reference_scenes import Drawn, RuleScene, draw_rule

from audit.calibration.calibrate import calibrate
from audit.core.quantity import Quantity
from audit.core.records import TOLD_FLAG, Calibration, Reading
from audit.errors import Refused

IN_TURN = ((0.5, 1.24), (1.0, 2.0), (2.5, 2.8), (5.0, 3.6))
ALIKE = ((0.5, 1.1), (2.5, 1.6), (5.0, 2.1))


def scale_of(drawn: Drawn, unaided: bool = False, **more: object) -> Calibration:
    return calibrate(drawn.pixels, drawn.photo, drawn.feature(unaided, **more), tooth_seen_in="direct")


def with_ratio(drawn: Drawn, ratio: float) -> Drawn:
    """The same picture from a sensor on which a millimetre is `ratio` millimetres wide."""
    pitch = 1000.0 * ratio / drawn.scene.px_per_mm
    return replace(drawn, photo=replace(drawn.photo, optics=replace(drawn.photo.optics, pixel_pitch_um=pitch)))


@pytest.mark.parametrize("unaided", [False, True], ids=["line", "unaided"])
def test_half_millimetres_with_marks_at_2_5_and_5_mm_are_not_millimetres(unaided: bool) -> None:
    drawn = draw_rule(RuleScene(ticks=IN_TURN, digits="none", px_per_mm=26.0, line_mm=(-15.0, 15.0)))
    for stated in ({}, {"tick_mm": 1.0}):
        with pytest.raises(Refused) as caught:
            scale_of(drawn, unaided, **stated)
        assert caught.value.code == "ambiguous_pitch"
    found = scale_of(drawn, False, tick_mm=0.5)
    assert found.evidence["mm_per_px_as_laid"] == pytest.approx(drawn.as_laid(np.array(found.evidence["middle_xy"])), rel=2e-3)


@pytest.mark.parametrize("unaided", [False, True], ids=["line", "unaided"])
def test_where_the_ticks_between_are_alike_the_scale_says_on_what_it_rests(unaided: bool) -> None:
    drawn = draw_rule(RuleScene(ticks=ALIKE, digits="none", px_per_mm=40.0, line_mm=(-10.0, 10.0)))
    assert TOLD_FLAG in scale_of(drawn, unaided).flags


def test_a_lens_that_could_not_show_half_the_scale_settles_it() -> None:
    drawn = draw_rule(RuleScene(digits="none"))
    assert TOLD_FLAG in scale_of(with_ratio(drawn, 0.5)).flags
    assert TOLD_FLAG not in scale_of(with_ratio(drawn, 0.9)).flags
    assert TOLD_FLAG in scale_of(with_ratio(drawn, 2.0)).flags  # no lens shows a millimetre so: the file's pitch is not this picture's
    resampled = with_ratio(drawn, 0.9)
    assert TOLD_FLAG in scale_of(replace(resampled, photo=replace(resampled.photo, flags=("resampled",)))).flags


@pytest.mark.parametrize("unaided", [False, True], ids=["line", "unaided"])
@pytest.mark.parametrize("tick", [0.1, 0.2])
def test_a_graticule_is_not_read_as_millimetres(tick: float, unaided: bool) -> None:
    """Its ticks are slim, as they must be seen beside what is measured."""
    ticks = ((tick, 6.5 * tick), (5 * tick, 9 * tick), (10 * tick, 12 * tick))
    half = 16 * tick
    scene = RuleScene(ticks=ticks, tick_width=0.16 * tick, digits="none", px_per_mm=26.0 / tick, line_mm=(-half, half), line_at=0.6 * tick)
    with pytest.raises(Refused) as caught:
        scale_of(draw_rule(scene), unaided)
    assert caught.value.code in ("ambiguous_pitch", "no_rule_found")


def test_lengths_and_areas_bear_the_doubt_and_shares_do_not() -> None:
    scale = scale_of(draw_rule(RuleScene(digits="none")))
    length = Reading.measured("visible_metal_height", Quantity(1.0, "mm", {"reader/a": 0.1}), "visible_metal@2")
    share = Reading.measured("visible_metal_fraction", Quantity(0.1, "1", {"reader/a": 0.01}), "visible_metal@2")
    assert TOLD_FLAG in length.resting_on(scale).flags
    assert share.resting_on(scale) == share
    assert length.resting_on(replace(scale, flags=())) == length and length.resting_on(None) == length
