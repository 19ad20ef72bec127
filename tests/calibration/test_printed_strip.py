"""The printed strip: what it claims against what is true, on photographs of the very print."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
import pytest
from strip_scenes import PRINT_PX_PER_MM, Shot, StripScene, random_strip, shoot

from audit.calibration.calibrate import calibrate
from audit.calibration.diffraction import diffraction_sigma_px
from audit.calibration.printed_strip import PRINT_LOCAL_U, UNCHECKED_U
from audit.core.annotations import Feature
from audit.core.records import Calibration
from audit.core.reference_strip import MARKERS, marker_corners
from audit.errors import Refused
from audit.imaging.fiducials import find_fiducials
from audit.imaging.pattern_fit import fit_pattern
from audit.report.strip_sheet import PAPERS_MM, strip_sheet_pdf

SCENES = 20


def read(shot: Shot, **more: object) -> Calibration:
    feature = shot.feature(**more)
    return calibrate(shot.pixels, shot.photo, feature, tooth_seen_in=feature.seen_in)


def refused(shot: Shot, code: str, text: str, **more: object) -> None:
    with pytest.raises(Refused, match=text) as caught:
        read(shot, **more)
    assert caught.value.code == code and caught.value.hint


@dataclass(frozen=True)
class Claim:
    """One reading: errors of the scale over their claimed u for many draws of what no picture shows, relative u, tilt."""

    scale_z: np.ndarray
    relative_u: float
    tilt_error: float
    tilt_z: float


@pytest.fixture(scope="module")
def claims() -> list[Claim]:
    """The claims of all scenes that were not refused: depth offset, printing and lens are drawn anew from what the budget states."""
    return [claim for seed in range(SCENES) if (claim := _claim(seed)) is not None]


def _claim(seed: int) -> Claim | None:
    shot, rng = shoot(random_strip(seed)), np.random.default_rng(seed)
    stated, u = float(rng.uniform(-1, 4)), float(rng.uniform(0.3, 1))
    try:
        found = read(shot, id="TEST", offset_mm=stated, u_offset_mm=u)
    except Refused:
        return None
    assert found.evidence["mirrored"] == shot.scene.mirrored
    n = rng.standard_normal((3, 200))
    depth = shot.depth(np.array(found.evidence["middle_xy"])) + stated + u * n[0]
    truth = depth / shot.focal_px * (1 + math.hypot(0.001, PRINT_LOCAL_U) * n[1]) * (1 + 0.002 * n[2])
    error = found.tilt_deg.value - shot.scene.tilt
    value, u_value = found.mm_per_px_across.value, found.mm_per_px_across.u
    return Claim((value - truth) / u_value, u_value / value, error, error / found.tilt_deg.u)


def test_the_scale_at_the_tooth_and_its_uncertainty(claims: list[Claim]) -> None:
    z = np.concatenate([claim.scale_z for claim in claims])
    assert len(claims) >= 0.95 * SCENES
    assert max(claim.relative_u for claim in claims) <= 0.01
    assert 0.8 <= math.sqrt(np.mean(z**2)) <= 1.15
    assert 0.93 <= np.mean(np.abs(z) < 2) <= 0.98
    assert abs(z.mean()) < 0.2


def test_tilt_to_half_a_degree(claims: list[Claim]) -> None:
    """The second limit is widened by the sampling error of an rms over so many scenes, 1 / sqrt(2 n), twice."""
    assert math.sqrt(np.mean([claim.tilt_error**2 for claim in claims])) <= 0.5
    assert math.sqrt(np.mean([claim.tilt_z**2 for claim in claims])) <= 1.15 + 2 / math.sqrt(2 * len(claims))


@pytest.mark.parametrize("scene", [StripScene(tilt=12), StripScene(tilt=-6, mirrored=True), StripScene(hidden_mm=(8, 19), tilt_across=9)])
def test_the_homography_against_opencv_projection(scene: StripScene) -> None:
    """Corners of all fiducials, hidden ones too, by `cv2.projectPoints` with the pose of the scene: to 0.1 px."""
    shot = shoot(scene)
    fiducials = find_fiducials(shot.pixels)
    fit = fit_pattern(shot.pixels, fiducials)
    corners = np.concatenate([marker_corners(identity) for identity in MARKERS])
    assert fit is not None and fit.mirrored == scene.mirrored
    assert np.sqrt(np.mean((fit.to_px(corners) - shot.project(corners)) ** 2)) < 0.1


def test_the_fiducials_are_those_of_the_dictionary_and_stay_apart_when_mirrored() -> None:
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    every = [cv2.aruco.Dictionary.getBitsFromByteList(dictionary.bytesList[i : i + 1], 4) for i in range(50)]
    cells = [np.array(bits).reshape(4, 4) for bits in every]
    for identity, (_, rows) in MARKERS.items():
        assert np.array_equal(cells[identity], [[int(c) for c in row] for row in rows])
        for other in MARKERS:
            assert min((np.rot90(np.fliplr(cells[identity]), k) != cells[other]).sum() for k in range(4)) >= 3


def test_what_the_caliper_said_scales_everything() -> None:
    shot = shoot(StripScene(tilt=6))
    printed, shrunk = read(shot), read(shot, check_mm=96, check_across_mm=96)
    assert shrunk.mm_per_px.value / printed.mm_per_px.value == pytest.approx(0.96, rel=1e-4)
    assert shrunk.tilt_deg.value == pytest.approx(printed.tilt_deg.value, abs=0.1)


def test_a_print_that_nobody_measured_says_so() -> None:
    found = read(shoot(StripScene()), check_mm=None, check_across_mm=None, id="S1")
    assert "print_scale_unchecked" in found.flags
    assert found.mm_per_px.relative_parts["print/S1"] == pytest.approx(UNCHECKED_U)
    assert "print_width_unchecked" in read(shoot(StripScene()), check_across_mm=None).flags


def test_prints_of_one_sheet_cancel_and_of_unnamed_sheets_do_not() -> None:
    one, two = shoot(StripScene(seed=1)), shoot(StripScene(seed=2))
    change = (read(two, id="S1").mm_per_px - read(one, id="S1").mm_per_px).parts
    assert change["print/S1"] == pytest.approx(0, abs=2e-7)
    apart = (read(two).mm_per_px - read(one).mm_per_px).parts
    assert min(abs(part) for name, part in apart.items() if name.startswith("print/")) > 5e-5


def test_blur_from_the_slanted_edges_and_the_least_that_diffraction_leaves() -> None:
    """At f/22 and 1:1 on 6 um pixels the Airy disk is 59 um wide: 0.42 x 0.55 x 44 um is a sigma of 1.7 px."""
    for blur in (0.9, 1.6, 2.3):
        sigma = math.sqrt(blur**2 + 1 / 12 + 3 * (27 / PRINT_PX_PER_MM) ** 2 / 12)  # with the pixels of camera and print
        found = read(shoot(StripScene(blur=blur, sharpen=0.0, px_per_mm=27)))
        assert found.blur_sigma_px.value == pytest.approx(sigma, rel=0.06)
        assert found.evidence["blur_over_diffraction"] == pytest.approx(sigma / found.evidence["diffraction_sigma_px"], rel=0.06)
    assert diffraction_sigma_px(shoot(StripScene()).photo, 0.006) == pytest.approx(1.694, abs=0.01)


def test_without_optics_the_stated_distance_is_used() -> None:
    found = read(shoot(StripScene(tilt=10, focal_known=False)))
    assert "object_distance_assumed" in found.flags
    assert abs(found.tilt_deg.value - 10) < 2.5 * found.tilt_deg.u


def test_refusals() -> None:
    plain = shoot(StripScene())
    refused(replace(plain, pixels=np.full_like(plain.pixels, 128)), "strip_not_found", "two of the strip's 4 fiducials must be seen")
    refused(shoot(StripScene(hidden_mm=(0, 24))), "strip_not_found", "got 1")
    refused(shoot(StripScene(mirrored=True)), "seen_in_contradicts", "must not look mirrored", seen_in="direct")
    refused(plain, "bad_length", "check_mm must lie within", check_mm=9.6)
    refused(plain, "bad_length", "u_check_mm", u_check_mm=0)
    twice = np.concatenate([plain.pixels, plain.pixels])
    refused(replace(plain, pixels=twice), "several_strips", "same fiducial more than once")
    assert "picture_flipped" in read(plain, seen_in="mirror").flags


def test_a_strip_that_leans_is_not_longer() -> None:
    """Foreshortening by cos 18 degrees is 4.9 % (geometry): it is taken out."""
    flat, leaning = read(shoot(StripScene())), read(shoot(StripScene(tilt=18)))
    assert leaning.evidence["mm_per_px_as_laid"] / flat.evidence["mm_per_px_as_laid"] == pytest.approx(
        1 / math.cos(math.radians(18)), rel=0.01
    )
    assert leaning.mm_per_px_across.value == pytest.approx(flat.mm_per_px_across.value, rel=0.005)


@pytest.mark.parametrize("paper", list(PAPERS_MM))
def test_the_sheet_is_one_tagged_archival_page(paper: str) -> None:
    pdf = strip_sheet_pdf(paper, "AB12")
    assert pdf.startswith(b"%PDF-1.7") and b"pdfaid:part>2<" in pdf and b"pdfuaid:part>1<" in pdf and b"/Count 1" in pdf


def test_nothing_else_is_a_strip() -> None:
    feature = Feature("reference", None, {"kind": "strip"})
    noise = np.random.default_rng(0).integers(0, 255, (300, 400, 3), dtype=np.uint8)
    with pytest.raises(Refused):
        calibrate(noise, shoot(StripScene()).photo, feature, tooth_seen_in="direct")
