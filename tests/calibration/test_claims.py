"""The scale that is claimed, its uncertainty, and the actual error: many drawn scenes, counted by scene."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from reference_scenes import MARK_U_MM, Drawn, draw_rule, random_rule
from rod_scenes import RodScene, draw_probe, draw_rod
from shapely.geometry import LineString, MultiLineString, Polygon

from audit.calibration.budget import TILT_PRIOR_DEG
from audit.calibration.calibrate import calibrate
from audit.core.annotations import Feature
from audit.core.records import Calibration
from audit.errors import Refused

SCENES = 60


def stretched(drawn: Drawn, calibration: Calibration) -> Drawn:
    """The same picture of a rule whose end marks were misprinted as the budget says of the marks that were used."""
    number, tick = calibration.evidence["tick_numbers"], calibration.evidence["tick_mm"]
    length = (number[-1] - number[0]) * tick
    z = np.random.default_rng(drawn.scene.seed + 99).standard_normal()
    return replace(drawn, scene=replace(drawn.scene, stretch=float(np.sqrt(2) * MARK_U_MM / length * z)))


def rule_errors(count: int, unaided: bool, start: int = 0) -> tuple[np.ndarray, int]:
    """Rows of (relative error as laid, z at the tooth, relative u at the tooth) and the number of refusals."""
    rows, refused = [], 0
    for seed in range(start, start + count):
        drawn = draw_rule(random_rule(seed))
        stated = {"tick_mm": drawn.scene.ticks[0][0]} if seed % 2 and not unaided else {}
        try:
            found = calibrate(drawn.pixels, drawn.photo, drawn.feature(unaided, **stated), tooth_seen_in="direct")
        except Refused:
            refused += 1
            continue
        middle = np.array(found.evidence["middle_xy"])
        reading = found.evidence["mm_per_px_as_laid"] / drawn.as_laid(middle) - 1
        scale = found.mm_per_px_across
        z = (scale.value - stretched(drawn, found).at_tooth(middle)) / scale.u
        rows.append((reading, z, scale.u / scale.value))
    return np.array(rows), refused


@pytest.fixture(scope="module")
def along_a_line() -> tuple[np.ndarray, int]:
    return rule_errors(SCENES, unaided=False)


def test_reading_along_the_rule_is_right_or_refused(along_a_line: tuple[np.ndarray, int]) -> None:
    rows, refused = along_a_line
    error = np.abs(rows[:, 0])
    assert refused <= 0.05 * SCENES
    assert np.percentile(error, 95) <= 0.002
    assert error.max() <= 0.01


def test_claimed_uncertainty_equals_actual_error(along_a_line: tuple[np.ndarray, int]) -> None:
    """Bounds are 0.8 to 1.15 widened by the sampling error of an rms over 60 scenes (1 / sqrt(120) = 9 %, twice)."""
    z = along_a_line[0][:, 1]
    assert 0.8 - 0.14 <= np.sqrt(np.mean(z**2)) <= 1.15 + 0.2
    assert np.mean(np.abs(z) < 2) >= 0.93 - 0.05
    assert abs(z.mean()) < 0.2 + 2 / np.sqrt(len(z))


def test_unaided_finds_the_rule_or_refuses() -> None:
    rows, refused = rule_errors(10, unaided=True, start=300)
    assert refused <= 2  # one with a digit close below every tick, where 5 and 10 mm marks cannot be told apart
    assert np.abs(rows[:, 0]).max() <= 0.002


def test_steep_tilt_is_read_from_perspective() -> None:
    """A rule at 20 degrees whose lens is known: the prior alone (sd 7 degrees) would put it at 0."""
    scene = replace(random_rule(5), tilt=20.0, gradient=0.0, distance_error=0.0, hidden_mm=None)
    drawn = draw_rule(scene)
    found = calibrate(drawn.pixels, drawn.photo, drawn.feature(), tooth_seen_in="direct")
    assert found.tilt_deg is not None
    assert abs(abs(found.tilt_deg.value) - 20.0) < 3 * found.tilt_deg.u < 3 * TILT_PRIOR_DEG
    assert found.mm_per_px_across.u / found.mm_per_px_across.value < 0.03


def rod_feature(form: str, marks: dict[str, object], scene: RodScene) -> Feature:
    shape = {"edges": MultiLineString, "outline": Polygon, "across": LineString}[form]
    return Feature(
        "reference", shape(marks[form]), {"kind": "rod", "diameter_mm": scene.diameter, "u_mm": 0.002, "offset_mm": 0, "u_offset_mm": 0.05}
    )


def random_rod(seed: int, hard: bool = False) -> RodScene:
    """A dry shaft before a plain ground; `hard`: thin, before a ground that turns dark halfway along it."""
    rng = np.random.default_rng(seed + 4_000_000)
    bright = float(rng.uniform(0.35, 0.7))
    return RodScene(
        seed=seed, px_per_mm=float(rng.uniform(20, 30) if hard else rng.uniform(32, 50)), turn=float(rng.uniform(0, 180)),
        diameter=1.6 if hard else 2.35, middle_px=(float(rng.uniform(190, 230)), float(rng.uniform(140, 180))),
        ground=(bright, float(rng.uniform(0.02, 0.6)) if hard else bright * float(rng.uniform(0.8, 1.0))),
        limb=float(rng.uniform(0.02, 0.12)),
        blur=float(rng.uniform(0.8, 2.5)), noise=float(rng.uniform(0.002, 0.008)), jpeg=int(rng.integers(85, 96)),
    )  # fmt: skip


@pytest.mark.parametrize("form", ["edges", "outline", "across"])
def test_rod_diameter_in_linear_light(form: str) -> None:
    error, z, refused = [], [], 0
    for seed in range(30):
        scene = random_rod(seed)
        pixels, photo, marks, truth = draw_rod(scene)
        try:
            found = calibrate(pixels, photo, rod_feature(form, marks, scene), tooth_seen_in="direct")
        except Refused:
            refused += 1
            continue
        error.append(found.mm_per_px.value / truth - 1)
        z.append(error[-1] / (dict(found.mm_per_px.relative_parts)[f"boundary/{photo.identity}:rod"]))
    assert refused <= (3 if form != "across" else 10)
    assert np.percentile(np.abs(error), 95) <= 0.005
    assert np.sqrt(np.mean(np.square(z))) <= 1.25


def test_probe_marks_that_are_unevenly_spaced() -> None:
    """Rings at 1, 2, 3, 5, 7, 8, 9 and 10 mm, the tip at either end of the line."""
    marks = (1.0, 2.0, 3.0, 5.0, 7.0, 8.0, 9.0, 10.0)
    error = []
    for seed in range(12):
        scale = 28.0 + 1.5 * seed
        pixels, photo, ends = draw_probe(seed, scale, marks)
        line = LineString(ends if seed % 2 else ends[::-1])
        feature = Feature("reference", line, {"kind": "probe", "marks_mm": list(marks), "offset_mm": 0, "u_offset_mm": 0.1})
        found = calibrate(pixels, photo, feature, tooth_seen_in="direct")
        error.append(found.evidence["mm_per_px_as_laid"] * scale - 1)
        assert abs(found.mm_per_px.value * scale - 1) < 2 * found.mm_per_px.u / found.mm_per_px.value
    assert np.percentile(np.abs(error), 95) < 0.005
