"""Depth, inclination, DICOM spacing and sources against published values and closed forms outside the project."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from reference_scenes import RuleScene, draw_rule
from shapely.geometry import LineString

from audit.calibration.budget import (
    FILM_TILT_PRIOR_DEG,
    SHOWN_TILT_PRIOR_DEG,
    TILT_PRIOR_DEG,
    Inclination,
    inclination,
    object_distance,
    scale_error_per_mm,
)
from audit.calibration.calibrate import calibrate
from audit.calibration.length import LANDMARK_U_PX
from audit.core.annotations import Feature
from audit.core.quantity import Quantity
from audit.core.records import Optics, Photo
from audit.errors import Refused
from audit.imaging.dicom import DicomFacts
from audit.imaging.edges import edge_line
from audit.imaging.marks import comb_fit

BLANK = np.full((600, 900, 3), 128, np.uint8)
PHOTO = Photo("a" * 64, 900, 600, None, "unknown", "photo", Optics(100.0, 22.0, 6.0))
FACTS = DicomFacts("IO", None, None, None, None, None, "MONOCHROME2", None, None)
RADIOGRAPH = replace(PHOTO, modality="radiograph", optics=Optics())


@pytest.mark.parametrize(("focal", "ratio", "percent"), [(100, 1.0, 0.50), (100, 0.5, 0.33), (60, 0.5, 0.56)])
def test_out_of_plane_scale_error(focal: float, ratio: float, percent: float) -> None:
    """Thin lens, object distance f (1 + 1/m): 0.50, 0.33 and 0.56 % per mm (geometric optics, any textbook)."""
    assert 100 * scale_error_per_mm(focal, ratio) == pytest.approx(percent, abs=0.006)


@pytest.mark.parametrize(("degrees", "percent"), [(5, 0.4), (10, 1.5), (15, 3.4), (20, 6.0)])
def test_foreshortening(degrees: float, percent: float) -> None:
    """1 - cos: plane trigonometry."""
    mean, spread = Inclination(math.radians(degrees), 0.0).foreshortening()
    assert 100 * (1 - mean) == pytest.approx(percent, abs=0.05)
    assert spread == pytest.approx(0.0, abs=1e-7)


@pytest.mark.parametrize("off_axis", [0.0, 0.06])
@pytest.mark.parametrize(("degrees", "signed"), [(0.0, True), (12.0, True), (12.0, False)])
def test_foreshortening_against_monte_carlo(degrees: float, signed: bool, off_axis: float) -> None:
    """JCGM 101 Monte Carlo, 400 000 draws; at zero first order would claim no uncertainty at all."""
    rng = np.random.default_rng(3)
    angle = rng.normal(math.radians(degrees), math.radians(TILT_PRIOR_DEG), 400_000) * (1 if signed else rng.choice([-1, 1], 400_000))
    drawn = np.cos(angle) - off_axis * np.sin(angle)
    mean, spread = Inclination(math.radians(degrees), math.radians(TILT_PRIOR_DEG), signed).foreshortening(off_axis)
    assert mean == pytest.approx(drawn.mean(), abs=1e-4)
    assert spread == pytest.approx(drawn.std(), rel=0.01)
    assert spread > 0.005


def two_points(photo: Photo = PHOTO, **more: object) -> Feature:
    return Feature("reference", LineString([(200, 300), (700, 300)]), {"kind": "two_points", "length_mm": 10.0, "u_mm": 0.02, **more})


def test_a_reference_nearer_to_the_camera_than_the_tooth_is_corrected() -> None:
    """Pinhole: at distance Z + offset the same tooth is smaller by Z / (Z + offset)."""
    distance = object_distance(PHOTO, 10.0 / 500).distance_mm
    assert distance == pytest.approx(100 * (1 + 1 / (0.006 / 0.02)))
    flat = calibrate(BLANK, PHOTO, two_points(offset_mm=0), tooth_seen_in="direct")
    near = calibrate(BLANK, PHOTO, two_points(offset_mm=4, u_offset_mm=0.2), tooth_seen_in="direct")
    assert near.mm_per_px.value / flat.mm_per_px.value == pytest.approx(1 + 4 / distance)
    expected = math.hypot(0.2, 4 * 0.15) / (distance + 4)
    assert near.mm_per_px.relative_parts[f"offset/{PHOTO.identity}"] == pytest.approx(expected)


@pytest.mark.parametrize(("photo", "prior_deg"), [(PHOTO, TILT_PRIOR_DEG), (RADIOGRAPH, FILM_TILT_PRIOR_DEG)], ids=["photo", "bitewing"])
def test_known_length_is_only_ever_foreshortened(photo: Photo, prior_deg: float) -> None:
    """500 scenes: yaw from the prior, caliper, landmarks and depth from the budget; error against claim."""
    rng = np.random.default_rng(8)
    z = []
    for _ in range(500):
        truth = float(rng.uniform(0.015, 0.04))
        length = 10.0 + 0.08 * rng.standard_normal()
        yaw = math.radians(prior_deg * rng.standard_normal())
        depth = object_distance(photo, truth).distance_mm
        offset = 1.0 * rng.standard_normal()
        px = length * math.cos(yaw) / truth * (1 + offset / depth)
        ends = np.array([[450 - px / 2, 300], [450 + px / 2, 300]]) + LANDMARK_U_PX * rng.standard_normal((2, 2))
        feature = Feature("reference", LineString(ends), {"kind": "known_length", "length_mm": 10.0, "u_mm": 0.08})
        found = calibrate(BLANK, photo, feature, tooth_seen_in="direct")
        z.append((found.mm_per_px.value - truth * (1 + 0.002 * rng.standard_normal())) / found.mm_per_px.u)
    assert 0.8 <= np.sqrt(np.mean(np.square(z))) <= 1.15
    assert 0.93 <= np.mean(np.abs(z) < 2) <= 0.98
    assert abs(np.mean(z)) < 0.2


@pytest.mark.parametrize(("sine", "u_sine", "relative_u"), [(0.05, 0.04, 0.15), (0.3, 0.04, 0.15), (-0.3, 0.04, 0.25), (0.2, 0.1, 0.25)])
def test_inclination_is_that_of_all_distances_weighed(sine: float, u_sine: float, relative_u: float) -> None:
    """JCGM 101: 400 000 inclinations and distances drawn, each weighed by how well it makes the perspective that was seen."""
    rng = np.random.default_rng(3)
    angle = math.radians(SHOWN_TILT_PRIOR_DEG) * rng.standard_normal(400_000)
    ratio = 1 + relative_u * np.clip(rng.standard_normal(400_000), -2.5, 2.5)
    weight = np.exp(-0.5 * ((sine - np.sin(angle) / ratio) / u_sine) ** 2)
    mean = np.average(angle, weights=weight)
    spread = math.sqrt(np.average((angle - mean) ** 2, weights=weight))
    found = inclination(sine, u_sine, relative_u, SHOWN_TILT_PRIOR_DEG)
    assert found.angle == pytest.approx(mean, abs=0.03 * spread + 0.002) and found.u == pytest.approx(spread, rel=0.05)


def test_a_perspective_of_nothing_that_is_flat_gives_no_nonsense() -> None:
    assert all(math.isfinite(inclination(sine, 1e-6, 0.15, 3.0).u) for sine in (-40.0, -0.9, 0.0, 0.6, 40.0))


@pytest.mark.parametrize("relative_u", [0.15, 0.25])
def test_the_claim_holds_where_a_reference_leans_up_to_20_degrees(relative_u: float) -> None:
    rng = np.random.default_rng(5)
    z = []
    for _ in range(600):
        angle = math.radians(rng.uniform(-20, 20))
        seen = math.sin(angle) / (1 + relative_u * float(np.clip(rng.standard_normal(), -1.6, 2.4))) + 0.04 * rng.standard_normal()
        mean, u = inclination(seen, 0.04, relative_u, SHOWN_TILT_PRIOR_DEG).foreshortening()
        z.append((abs(angle), (mean - math.cos(angle)) / math.hypot(u, 0.0057)))
    size, error = np.array(z).T
    assert np.mean(np.abs(error) < 2) >= 0.95
    assert np.mean(np.abs(error[size > math.radians(15)]) < 2) >= 0.93 - 2 * math.sqrt(0.93 * 0.07 / 150)


def test_sources_cancel_only_where_the_whole_name_is_equal() -> None:
    other = replace(PHOTO, sha256="b" * 64)

    def difference(a: Feature, b: Feature) -> dict[str, float]:
        first = calibrate(BLANK, PHOTO, a, tooth_seen_in="direct").mm_per_px_across
        second = calibrate(BLANK, other, b, tooth_seen_in="direct").mm_per_px_across
        reloaded = Quantity.from_dict(second.to_dict())
        return dict((first - reloaded).parts)

    marks = {"id": "R7", "first_mm": 10, "last_mm": 20}
    same = difference(two_points(**marks), two_points(**marks))
    assert same["graduation/R7:10-20"] == pytest.approx(0.0, abs=1e-15)
    unnamed = difference(two_points(), two_points())
    assert sum(name.startswith("graduation/") and abs(part) > 0 for name, part in unnamed.items()) == 2
    for other_marks in ({"id": "R7"}, {**marks, "first_mm": 20, "last_mm": 30}, {**marks, "first_mm": 5}, {**marks, "id": "R8"}):
        parts = difference(two_points(**marks), two_points(**other_marks))
        assert sum(name.startswith("graduation/") and abs(part) > 0 for name, part in parts.items()) == 2
    for kind in ("offset", "landmark", "distortion", "tilt"):
        assert sum(name.startswith(kind + "/") and abs(part) > 0 for name, part in same.items()) == 2


def dicom(**facts: object) -> object:
    return calibrate(BLANK, RADIOGRAPH, None, tooth_seen_in="direct", dicom=replace(FACTS, **facts))


def test_dicom_row_spacing_comes_first() -> None:
    """PS3.3 10.7.1.3: 0.30\\0.25 is 0.30 mm between rows (vertical) and 0.25 mm between columns (horizontal)."""
    found = dicom(pixel_spacing_mm=(0.30, 0.25), imager_pixel_spacing_mm=(0.33, 0.275))
    assert found.scale(0.0).value == pytest.approx(0.25)
    assert found.scale(90.0).value == pytest.approx(0.30)
    assert found.flags == ("spacing_calibrated",)


def test_dicom_status_of_the_spacing() -> None:
    """PS3.3 10.7: differing from Imager Pixel Spacing or typed: calibrated; equal: at the detector; neither: nobody can tell."""
    assert dicom(pixel_spacing_mm=(0.02, 0.02), calibration_type="FIDUCIAL").flags == ("spacing_calibrated",)
    plane = dicom(pixel_spacing_mm=(0.02, 0.02), imager_pixel_spacing_mm=(0.02, 0.02))
    assert plane.flags == ("detector_plane_spacing",)
    assert plane.mm_per_px.value == pytest.approx(0.02 / 1.065)
    low, high = plane.mm_per_px.interval(math.sqrt(3.0))
    assert (low, high) == (pytest.approx(0.02 / 1.10, rel=0.002), pytest.approx(0.02 / 1.03, rel=0.002))
    assert dicom(imager_pixel_spacing_mm=(0.02, 0.02)).flags == ("detector_plane_spacing",)
    assert dicom(imager_pixel_spacing_mm=(0.02, 0.02), magnification=1.05).mm_per_px.value == pytest.approx(0.02 / 1.05)
    for facts, code in (
        ({"pixel_spacing_mm": (0.02, 0.02)}, "spacing_status_unknown"), ({}, "no_reference"),
        ({"pixel_spacing_mm": (0.0, 0.02), "calibration_type": "GEOMETRY"}, "bad_spacing"),
    ):  # fmt: skip
        with pytest.raises(Refused) as caught:
            dicom(**facts)
        assert caught.value.code == code


def test_comb_fit_reaches_the_cramer_rao_bound() -> None:
    """Positions with white noise s: pitch variance 12 s^2 / (n (n^2 - 1)) (linear regression, any textbook)."""
    rng = np.random.default_rng(4)
    ticks, t, s = np.arange(25), np.array([0.0]), 0.05
    fits = [comb_fit(ticks, (10.0 + 20.0 * ticks + s * rng.standard_normal(25))[None, :], t, np.ones((1, 25))) for _ in range(400)]
    bound = s * math.sqrt(12 / (25 * (25**2 - 1)))
    error = np.array([fit.pitch - 20.0 for fit in fits])
    assert np.sqrt(np.mean(error**2)) < 1.3 * bound
    claimed = np.array([math.sqrt(fit.covariance[1, 1]) for fit in fits])
    assert 0.8 < np.sqrt(np.mean((error / claimed) ** 2)) < 1.25


def test_edge_against_an_analytic_gaussian_edge() -> None:
    """A slanted step blurred by a Gaussian is exactly an error function."""
    from scipy.special import ndtr

    s, t = np.arange(-9, 9.25, 0.5), np.arange(40.0) - 19.5
    values = 0.2 + 0.6 * ndtr((s[None, :] - 0.37 - 0.05 * t[:, None]) / 1.6)
    edge = edge_line(values, s, t, 8.0, -1)
    assert edge is not None
    assert edge.place == pytest.approx(0.37, abs=0.01)
    assert edge.slope == pytest.approx(0.05, abs=1e-3)
    assert edge.sigma_px == pytest.approx(1.6, rel=0.02)


def test_blur_at_the_rule_in_linear_light() -> None:
    """Gaussian blur of the scene, widened by the pixel's own width (variance 1/12)."""
    for blur in (0.9, 1.6, 2.4):
        drawn = draw_rule(RuleScene(blur=blur, sharpen=0.0, turn=3.0))
        found = calibrate(drawn.pixels, drawn.photo, drawn.feature(), tooth_seen_in="direct")
        assert found.blur_sigma_px is not None
        assert found.blur_sigma_px.value == pytest.approx(math.sqrt(blur**2 + 1 / 12), rel=0.08)


def test_enlarging_the_photo_changes_pixels_not_millimetres() -> None:
    small, large = (
        draw_rule(RuleScene(px_per_mm=p, width=w, height=h, middle_px=(w / 2, h / 2), blur=b, offset_stated=0.0))
        for p, w, h, b in ((20, 700, 400, 1.0), (40, 1400, 800, 2.0))
    )
    scales = [
        calibrate(d.pixels, replace(d.photo, optics=Optics()), d.feature(), tooth_seen_in="direct").mm_per_px.value for d in (small, large)
    ]
    assert scales[0] / scales[1] == pytest.approx(2.0, rel=1e-3)
