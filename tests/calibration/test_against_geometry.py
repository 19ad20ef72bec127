"""Poses, homographies, silhouettes and edges against OpenCV, closed forms and the slanted-edge procedure of ISO 12233."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reference_scenes import object_distance_mm, photo_of
from scipy.special import ndtr
from shapely.geometry import MultiLineString

from audit.calibration.calibrate import calibrate
from audit.calibration.plane_pose import Prior, plane_tilt, project_plane
from audit.core.annotations import Feature
from audit.imaging.homography import apply, homography, scale_along, through
from audit.imaging.slanted_edge import edge_blur

CORNERS_MM = np.array([[-15.0, -4.0], [15.0, -4.0], [15.0, 4.0], [-15.0, 4.0]])
FOCAL_PX, DISTANCE_MM = 7500.0, 300.0
SURE = Prior(DISTANCE_MM, 0.001, 1e-4, 1e-5, 0.1, 30.0)


def rotation(along: float, across: float, turn: float) -> np.ndarray:
    """Columns: the reference's axis, what lies beside it, and the normal; angles in radians."""
    axis = np.array([math.cos(turn) * math.cos(along), math.sin(turn) * math.cos(along), math.sin(along)])
    flat = np.array([-math.sin(turn), math.cos(turn), 0.0])
    beside = math.cos(across) * flat + math.sin(across) * np.cross(axis, flat)
    return np.stack([axis, beside, np.cross(axis, beside)], axis=1)


def photographed(along: float, across: float, turn: float, place: tuple[float, float], bend: float = 0.0) -> np.ndarray:
    """Image of the corners by OpenCV's camera model, relative to the principal point; `bend` is its k1 in those units."""
    camera = np.array([[FOCAL_PX, 0, 0], [0, FOCAL_PX, 0], [0, 0, 1]])
    points = np.column_stack([CORNERS_MM, np.zeros(4)])
    vector = cv2.Rodrigues(rotation(along, across, turn))[0]
    lens = np.array([bend, 0.0, 0.0, 0.0])
    return cv2.projectPoints(points, vector, np.array([*place, DISTANCE_MM]), camera, lens)[0].reshape(-1, 2)


angle = st.floats(-0.6, 0.6)


@given(angle, angle, st.floats(-3, 3), st.floats(-20, 20), st.floats(-20, 20), st.floats(-0.01, 0.01))
def test_the_camera_is_that_of_opencv(along: float, across: float, turn: float, x: float, y: float, bend: float) -> None:
    corner_px = 900.0
    ours = np.array([along, across, turn, x, y, math.log(FOCAL_PX / DISTANCE_MM), 0.0, 0.0, bend, 0.0, 0.0])
    shown = project_plane(ours, CORNERS_MM, DISTANCE_MM, corner_px)
    assert shown == pytest.approx(photographed(along, across, turn, (x, y), bend * (FOCAL_PX / corner_px) ** 2), abs=1e-6)


@settings(max_examples=8)
@given(st.floats(-20, 20), st.floats(-20, 20), st.floats(-60, 60))
def test_inclination_against_a_known_pose(along: float, across: float, turn: float) -> None:
    """With lens, print and principal point known and corners to 0.02 px: within three of the claimed uncertainties."""
    px = photographed(*np.radians([along, across, turn]), (5.0, -3.0))
    found = plane_tilt(px, CORNERS_MM, 0.02**2 * np.eye(8), SURE, 900.0)
    assert abs(math.degrees(found.along) - along) < max(3 * math.degrees(found.u_along), 0.05)
    assert abs(math.degrees(found.across) - across) < max(3 * math.degrees(found.u_across), 0.05)
    solved = cv2.solvePnPGeneric(
        np.column_stack([CORNERS_MM, np.zeros(4)]), px, np.diag([FOCAL_PX, FOCAL_PX, 1.0]), None, flags=cv2.SOLVEPNP_IPPE
    )
    axis = cv2.Rodrigues(solved[1][0])[0][:, 0]
    assert abs(math.degrees(math.asin(axis[2])) - math.degrees(found.along)) < max(3 * math.degrees(found.u_along), 0.05)


def test_a_reference_square_to_the_camera_is_not_claimed_to_be_exactly_so() -> None:
    """At zero inclination foreshortening is flat: corners to s px fix cos t to s / size, so t no better than its root."""
    px = photographed(0.0, 0.0, 0.0, (0.0, 0.0))
    loose = replace(SURE, relative_u_distance=0.6)
    u = plane_tilt(px, CORNERS_MM, 0.05**2 * np.eye(8), loose, 900.0).u_along
    assert 0.2 < math.degrees(u) < 5.0
    assert plane_tilt(px, CORNERS_MM, 0.2**2 * np.eye(8), loose, 900.0).u_along > 1.5 * u


def test_homographies_against_opencv() -> None:
    px = photographed(0.2, -0.1, 0.3, (2.0, 1.0))
    theirs = cv2.getPerspectiveTransform(px.astype(np.float32), CORNERS_MM.astype(np.float32))
    inside = np.array([[10.0, 20.0], [-200.0, 40.0]])
    ours = apply(through(px, CORNERS_MM), inside)
    assert ours == pytest.approx(cv2.perspectiveTransform(inside[None], theirs)[0], abs=1e-4)
    assert apply(homography(px, CORNERS_MM), inside) == pytest.approx(ours, abs=1e-6)


def test_the_scale_of_a_homography_and_its_uncertainty() -> None:
    """Along a plane inclined by t the scale on the axis is f cos t / Z; its scatter by drawing the corners anew."""
    px, rng = photographed(0.3, 0.0, 0.0, (0.0, 0.0)), np.random.default_rng(0)
    value, u = scale_along(px, CORNERS_MM, 0.05**2 * np.eye(8), np.zeros(2))
    assert value == pytest.approx(FOCAL_PX / DISTANCE_MM * math.cos(0.3), rel=1e-6)
    drawn = [scale_along(px + 0.05 * rng.standard_normal((4, 2)), CORNERS_MM, np.eye(8), np.zeros(2))[0] for _ in range(400)]
    assert np.std(drawn) / value == pytest.approx(u, rel=0.12)


def test_a_cylinder_aside_of_the_axis_against_its_tangent_planes() -> None:
    """Tangents at angles b -+ asin(R / rho) off the axis: its shadow there is 0.96 % wider than in the middle; the scale is not."""
    px_per_mm, radius, width = 40.0, 1.175, 6000
    distance = object_distance_mm(px_per_mm)
    aside = 2880.0 / px_per_mm
    b, half = math.atan2(aside, distance), math.asin(radius / math.hypot(aside, distance))
    low, high = ((width - 1) / 2 + px_per_mm * distance * math.tan(b + sign * half) for sign in (-1, 1))
    assert (high - low) / (2 * radius * px_per_mm) == pytest.approx(1.0096, abs=2e-4)
    x = np.arange(width, dtype=float)[None, :] * np.ones((160, 1))
    light = 0.1 + 0.5 * (ndtr((x - low) / 1.4) - ndtr((x - high) / 1.4))
    encoded = np.round(255 * (1.055 * light ** (1 / 2.4) - 0.055)).astype(np.uint8)
    marks = MultiLineString([[(low, 30), (low, 130)], [(high, 30), (high, 130)]])
    feature = Feature("reference", marks, {"kind": "rod", "diameter_mm": 2 * radius, "u_mm": 0.002, "offset_mm": 0, "u_offset_mm": 0.01})
    found = calibrate(np.repeat(encoded[..., None], 3, axis=2), photo_of(0, width, 160), feature, tooth_seen_in="direct")
    assert found.mm_per_px.value * px_per_mm == pytest.approx(1.0, abs=0.0015)


def slanted(sigma: float, slant_deg: float) -> np.ndarray:
    """An edge that leans by a few degrees, blurred by a Gaussian, as the sensor's square pixels gather it, encoded."""
    y, x = (np.mgrid[0 : 120 * 4, 0 : 120 * 4] + 0.5) / 4 - 0.5
    across = (x - 59.6) * math.cos(math.radians(slant_deg)) - (y - 60.2) * math.sin(math.radians(slant_deg))
    light = cv2.resize(0.08 + 0.55 * ndtr(across / sigma), (120, 120), interpolation=cv2.INTER_AREA)
    return np.repeat(np.round(255 * (1.055 * light ** (1 / 2.4) - 0.055)).astype(np.uint8)[..., None], 3, axis=2)


def sfr50(pixels: np.ndarray) -> float:
    """Frequency in cycles a pixel at which the response falls to a half: ISO 12233, slanted edge.

    Linearise; line centroids; a straight line through them; samples binned at a quarter pixel; derivative; Hamming window; Fourier
    transform, divided by that of the derivative.
    """
    encoded = pixels[..., 1] / 255.0
    light = np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)
    slope = np.clip(np.gradient(light, axis=1), 0, None) ** 2
    centroid = (slope @ np.arange(light.shape[1])) / slope.sum(axis=1)
    lean, place = np.polyfit(np.arange(light.shape[0]), centroid, 1)
    y, x = np.mgrid[0 : light.shape[0], 0 : light.shape[1]]
    across = (x - place - lean * y) / math.hypot(1.0, lean)
    bins = np.floor(across * 4).astype(int)
    used = np.abs(across) < 30
    first = bins[used].min()
    counts = np.bincount(bins[used] - first)
    spread = np.bincount(bins[used] - first, light[used]) / counts
    line = np.gradient(spread) * np.hamming(len(spread))
    response = np.abs(np.fft.rfft(line, 4096))
    frequency = np.fft.rfftfreq(4096, 0.25)
    response[1:] /= np.abs(np.sinc(2 * frequency[1:] * 0.25)) * response[0]
    response[0] = 1.0
    at = int(np.argmax(response < 0.5))
    return float(np.interp(-0.5, -response[at - 1 : at + 1], frequency[at - 1 : at + 1]))


@pytest.mark.parametrize("sigma", [1.0, 1.5, 2.2])
def test_blur_against_the_slanted_edge_of_iso_12233(sigma: float) -> None:
    """A Gaussian's response is exp(-2 pi^2 s^2 f^2), a half at f = 0.1874 / s; ours is the same Gaussian within 4 %."""
    pixels = slanted(sigma, 5.0)
    ours = edge_blur(pixels, np.array([[59.6 - 2.62, 30.2], [59.6 + 2.62, 90.2]])[::-1])
    assert ours == pytest.approx(math.sqrt(math.log(2) / 2) / math.pi / sfr50(pixels), rel=0.04)
    assert ours == pytest.approx(math.sqrt(sigma**2 + 1 / 12), rel=0.03)
