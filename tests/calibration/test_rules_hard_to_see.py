"""Rules of which a stretch is hidden, and faint ones beside what is bolder: read, or refused, never wrong."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from reference_scenes import HALF_MM, WHOLE_MM, RuleScene, draw_rule

from audit.calibration.calibrate import calibrate
from audit.errors import Refused
from audit.imaging.comb_search import comb_candidates
from audit.imaging.strip import Pyramid

PITCH, TURN = 6.6, np.radians(46.0)


@pytest.mark.parametrize(("ticks", "hidden_mm"), [(WHOLE_MM, (-5.6, 1.3)), (HALF_MM, (-2.4, 1.3))], ids=["millimetres", "halves"])
@pytest.mark.parametrize("unaided", [False, True], ids=["line", "unaided"])
def test_a_hidden_stretch_in_the_middle_does_not_cut_the_rule_short(
    unaided: bool, ticks: tuple[tuple[float, float], ...], hidden_mm: tuple[float, float]
) -> None:
    scene = RuleScene(ticks=ticks, hidden_mm=hidden_mm, line_mm=(-13.0, 13.0), tilt=6.0, digits="cm")
    drawn = draw_rule(replace(scene, width=1100))
    found = calibrate(drawn.pixels, drawn.photo, drawn.feature(unaided), tooth_seen_in="direct")
    assert found.evidence["mm_per_px_as_laid"] == pytest.approx(drawn.as_laid(np.array(found.evidence["middle_xy"])), rel=2e-3)
    assert np.ptp(found.evidence["tick_numbers"]) * found.evidence["tick_mm"] >= 20


def test_no_tick_is_lost_where_ticks_are_hidden() -> None:
    """Whatever is hidden, at any inclination: within 0.2 % or refused."""
    read = 0
    rng = np.random.default_rng(12)
    for seed in range(8):
        low, wide, tilt = rng.uniform(-9, -1), rng.uniform(6, 10), rng.uniform(-18, 18)
        scene = RuleScene(seed=seed, width=1100, hidden_mm=(low, low + wide), line_mm=(-13.0, 13.0), tilt=tilt, gradient=0.0)
        drawn = draw_rule(scene)
        try:
            found = calibrate(drawn.pixels, drawn.photo, drawn.feature(tick_mm=1.0), tooth_seen_in="direct")
        except Refused:
            continue
        read += 1
        assert found.evidence["mm_per_px_as_laid"] == pytest.approx(drawn.as_laid(np.array(found.evidence["middle_xy"])), rel=2e-3)
    assert read >= 5


def faint_beside_bold() -> tuple[np.ndarray, np.ndarray]:
    """Low ticks at the bold edge of a steel bar that leans by 46 degrees, among bolder patches; and the middle of the bar."""
    side, middle = 900, np.array([450.0, 450.0])
    y, x = np.mgrid[0:side, 0:side].astype(np.float32)
    dx, dy = x - middle[0], y - middle[1]
    along, beside = dx * np.cos(TURN) + dy * np.sin(TURN), dy * np.cos(TURN) - dx * np.sin(TURN)
    light = np.where((x // 60 + y // 60) % 2 > 0, 210.0, 60.0)
    bar = (np.abs(along) < 180) & (beside > 0) & (beside < 70)
    ticks = (np.abs(along / PITCH - np.round(along / PITCH)) < 0.13) & (beside < 16) & (np.abs(along) < 170)
    light = np.where(bar, np.where(ticks, 128.0, 150.0), light)
    blurred = cv2.GaussianBlur(light.astype(np.float32), (0, 0), 1.1) + np.random.default_rng(1).normal(0, 1.0, (side, side))
    return np.clip(blurred, 0, 255).astype(np.uint8), middle


def test_faint_ticks_at_a_bold_edge_are_proposed() -> None:
    picture, middle = faint_beside_bold()
    seeds = comb_candidates(Pyramid(picture))
    assert any(abs(s.period_px / PITCH - 1) < 0.05 and np.hypot(*((s.start + s.end) / 2 - middle)) < 190 for s in seeds)
