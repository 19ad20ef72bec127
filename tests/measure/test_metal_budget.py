"""The budget of areas and heights against geometry and against simulated hands."""

import math

import numpy as np
import pytest
from shapely.geometry import MultiPolygon, Point, Polygon

from audit.imaging.metal_decision import doubt
from audit.measure.metal_budget import HAND_SD_PX, hand_area_sd_px2, pose_fraction_sd, pose_relative_sd, turning_sd


def seen(slope, view):
    return math.cos(math.radians(slope - view)) / math.cos(math.radians(slope)) - 1.0


def test_a_bevel_at_45_degrees_changes_by_16_and_19_per_cent_for_10_degrees_of_camera():
    """Plane geometry: cos(35)/cos(45) and cos(55)/cos(45)."""
    assert round(100 * seen(45, 10)) == 16 and round(100 * seen(45, -10)) == -19


def test_pose_part_of_a_bevel_lies_between_the_two():
    assert 0.155 < pose_relative_sd((45.0, 0.0), 10.0) < 0.19


@pytest.mark.parametrize(("view", "loss"), [(5.0, 0.0038), (10.0, 0.0152), (20.0, 0.0603)])
def test_a_surface_that_faces_the_camera_is_uncertain_in_second_order_only(view, loss):
    """Foreshortening 1 - cos; its root mean square over a normal distribution is sqrt(3) times that of the sd, in second order."""
    assert pose_relative_sd((0.0, 0.0), view) == pytest.approx(math.sqrt(3.0) * loss, rel=0.08)
    assert 1.0 - math.cos(math.radians(view)) == pytest.approx(loss, abs=6e-5)


def test_pose_part_agrees_with_simulated_cameras():
    rng = np.random.default_rng(1)
    slope, view = np.radians(rng.normal(30, 8, 200_000)), np.radians(rng.normal(0, 5, 200_000))
    ratio = np.cos(slope - view) / np.cos(slope)
    assert pose_relative_sd((30.0, 8.0)) == pytest.approx(np.sqrt(np.mean((ratio - 1) ** 2)), rel=0.02)


def test_metal_and_surface_of_one_slope_keep_their_share():
    assert pose_fraction_sd((20.0, 0.0), (20.0, 0.0)) == pytest.approx(0.0, abs=1e-12)
    assert pose_fraction_sd((45.0, 10.0), (10.0, 10.0)) > 0.05


def test_area_of_a_hand_drawn_outline_scatters_as_claimed():
    """24 stretches of the outline moved in and out, each by its own draw."""
    rng = np.random.default_rng(2)
    radius, areas = 150.0, []
    angle = np.linspace(0, 2 * np.pi, 240, endpoint=False)
    for _ in range(600):
        r = radius + np.repeat(rng.normal(0, HAND_SD_PX, 24), 10)
        areas.append(Polygon(np.stack([r * np.cos(angle), r * np.sin(angle)], 1)).area)
    claimed = hand_area_sd_px2(Point(0, 0).buffer(radius, quad_segs=64))
    assert np.std(areas) / claimed == pytest.approx(1.0, abs=0.15)


def test_a_multipolygon_has_the_hand_of_all_its_parts():
    one, two = Point(0, 0).buffer(20), Point(100, 0).buffer(20)
    assert hand_area_sd_px2(MultiPolygon([one, two])) == pytest.approx(math.sqrt(2) * hand_area_sd_px2(one))


@pytest.mark.parametrize("border", [-0.7, -0.2, 0.0, 0.4])
def test_metal_to_one_side_turns_with_the_camera_as_a_cylinder_does(border):
    """x = R sin(f), seen from d aside R sin(f - d): metal from f0 to 45 degrees, the projected widths exactly."""
    turn, view = math.radians(45.0), math.radians(1.0)
    start = math.asin(border * math.sin(turn))
    seen_ = (math.sin(turn + view) - math.sin(start + view)) / (math.sin(turn) - math.sin(start))
    x = np.linspace(-1.0, 1.0, 4001)
    assert turning_sd(x, (x > border).astype(float), 1.0) == pytest.approx(abs(seen_ - 1.0), rel=0.02, abs=2e-4)


def test_metal_evenly_about_the_middle_does_not_turn():
    x = np.linspace(-1.0, 1.0, 65)
    assert turning_sd(x, np.ones(65)) == pytest.approx(0.0, abs=1e-12)
    assert turning_sd(x, np.zeros(65)) == 0.0


def test_a_border_that_is_known_does_not_count_as_undecided_too_unless_a_patch_lies_beside_it():
    """A ring of 40 pixels at probability 0.5, wrong together, is (40 x 0.5)^2; its border has an uncertainty of its own."""
    probability = np.zeros((60, 60), np.float32)
    probability[20, 10:50] = 0.5
    border = probability > 0
    assert doubt(probability, ~border & border) == pytest.approx(400.0)
    assert doubt(probability, border) == 0.0
    probability[40:42, 10:50] = 0.5
    assert doubt(probability, border) == pytest.approx(1600.0)
    probability[21:23, 10:50] = 0.5
    assert doubt(probability, border) == pytest.approx(1600.0 + 3600.0)
