"""Rules of every make at any angle, read along a line and found unaided, from pictures whose scale is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from reference_scenes import HALF_MM, WHOLE_MM, Drawn, RuleScene, draw_rule, random_rule

from audit.calibration.calibrate import calibrate
from audit.errors import Refused

MAKES: dict[str, dict[str, object]] = {
    "black on white": {"dark": True},
    "white on black": {"dark": False},
    "partly hidden": {"hidden_mm": (2.2, 6.1)},
    "engraved steel with glare": {"material": "steel"},
    "clear plastic": {"material": "clear"},
    "inches on the other edge": {"inch_edge": True, "px_per_mm": 24.0},
    "flat scan": {"tilt": 0.0, "tilt_across": 0.0, "px_per_mm": 11.8, "blur": 0.8, "noise": 0.002, "line_mm": (-25.0, 25.0)},
}


def turned(seed: int, **fixed: object) -> RuleScene:
    """A rule at any angle, inclined up to 20 degrees."""
    rng = np.random.default_rng([seed, 5])
    scene = replace(
        random_rule(seed, px_per_mm=float(rng.uniform(14, 34)), line_mm=(-11.0, 12.0), hidden_mm=None), width=860, height=860,
        middle_px=(430.0, 430.0), turn=float(rng.uniform(0, 360)), tilt=float(rng.uniform(-20, 20)), digits="cm",
        ticks=HALF_MM if seed % 2 else WHOLE_MM,
    )  # fmt: skip
    return replace(scene, **fixed)  # type: ignore[arg-type]


def error_as_laid(drawn: Drawn, unaided: bool, **more: object) -> float:
    found = calibrate(drawn.pixels, drawn.photo, drawn.feature(unaided, **more), tooth_seen_in="direct")
    return abs(found.evidence["mm_per_px_as_laid"] / drawn.as_laid(np.array(found.evidence["middle_xy"])) - 1)


@pytest.mark.parametrize("unaided", [False, True], ids=["line", "unaided"])
@pytest.mark.parametrize("make", MAKES)
def test_a_rule_of_every_make(make: str, unaided: bool) -> None:
    for seed in (0, 1):
        assert error_as_laid(draw_rule(turned(seed, **MAKES[make])), unaided) <= 0.002


def test_millimetre_paper_must_be_stated() -> None:
    """Its lines are all of one length, however bold."""
    drawn = draw_rule(turned(0, material="paper"))
    assert error_as_laid(drawn, False, tick_mm=1.0) <= 0.002
    for unaided in (False, True):
        with pytest.raises(Refused, match=r"no 5 or 10 mm mark stands out|beyond doubt"):
            error_as_laid(drawn, unaided)


def test_the_inch_edge_is_not_read_as_millimetres() -> None:
    drawn = draw_rule(turned(2, inch_edge=True, px_per_mm=24.0, length=60.0, line_at=7.2, line_mm=(-15.0, 15.0), tilt=3.0, tilt_across=0.0))
    for stated in ({}, {"tick_mm": 1.0}, {"tick_mm": 0.5}):
        with pytest.raises(Refused):
            error_as_laid(drawn, False, **stated)
    assert error_as_laid(drawn, False, tick_mm=25.4 / 16) <= 0.002


def test_a_rule_that_leans_too_much_is_refused() -> None:
    """Seen at 45 degrees, whatever its distance may be within its uncertainty."""
    drawn = draw_rule(replace(turned(0), tilt=45.0, tilt_across=0.0, gradient=0.0, distance_error=0.0))
    with pytest.raises(Refused, match="within 30 degrees of square"):
        error_as_laid(drawn, False, tick_mm=1.0)


def test_a_rule_that_leans_is_flagged() -> None:
    flat, leaning = (draw_rule(replace(turned(0), tilt=tilt, tilt_across=0.0, gradient=0.0, distance_error=0.0)) for tilt in (0.0, 16.0))
    for drawn, flagged in ((flat, False), (leaning, True)):
        found = calibrate(drawn.pixels, drawn.photo, drawn.feature(), tooth_seen_in="direct")
        assert ("reference_leans" in found.flags) is flagged
        middle = np.array(found.evidence["middle_xy"])
        exact = replace(drawn, scene=replace(drawn.scene, stretch=0.0, distortion=0.0, offset=drawn.scene.offset_stated))
        square = found.mm_per_px_across
        assert abs(square.value - exact.at_tooth(middle)) < square.u < 0.03 * square.value
