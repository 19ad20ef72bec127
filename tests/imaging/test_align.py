"""A tooth turned and shifted on purpose is brought back to lie as before; what cannot be trusted is left alone."""

from __future__ import annotations

import math

import numpy as np
import pytest

from audit.imaging.align import ALIGN_PX_PER_MM, Pose, pose_between
from audit.imaging.overlay import Frame, resampled

SIZE = (144, 120)
MIDDLE = (np.array(SIZE) - 1) / 2
TURN = math.radians(7.0)
SHIFT_MM = (0.5, -0.3)


@pytest.fixture(scope="module")
def photo() -> np.ndarray:
    """Smooth blobs of many sizes, as a tooth with its neighbours has."""
    rng = np.random.default_rng(11)
    y, x = np.mgrid[0:300, 0:300]
    grey = np.zeros((300, 300))
    for cx, cy, width in zip(rng.uniform(0, 300, 90), rng.uniform(0, 300, 90), rng.uniform(4, 25, 90), strict=True):
        grey += rng.uniform(-1, 1) * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * width**2))
    grey = 255 * (grey - grey.min()) / np.ptp(grey)
    return np.repeat(grey[..., None], 3, axis=2).astype(np.uint8)


def seen(photo: np.ndarray, turn: float, shift_mm: tuple[float, float]) -> np.ndarray:
    """The picture of a camera turned by `turn` whose middle shows a place shifted by `shift_mm`."""
    cos, sin = math.cos(turn), math.sin(turn)
    corner = 150 + np.array(shift_mm) * ALIGN_PX_PER_MM - np.array([[cos, -sin], [sin, cos]]) @ MIDDLE
    return resampled(photo, Frame(corner, 1.0, turn), *SIZE, (128, 128, 128))


def ring(pose: Pose) -> np.ndarray:
    """A circle off the middle of the first picture, as the other picture, which has this pose, shows it; mm from its middle."""
    angle = np.linspace(0, 2 * math.pi, 90)
    first = np.stack([1.0 + 3.0 * np.cos(angle), 0.4 + 2.0 * np.sin(angle)], axis=1)
    cos, sin = math.cos(pose.turn_rad), math.sin(pose.turn_rad)
    return first @ np.array([[cos, sin], [-sin, cos]]) + np.array(pose.shift_mm)


def test_turn_and_shift_are_found(photo: np.ndarray) -> None:
    # the first camera is the turned one: its x axis lies at +7 degrees on the upright photo, its middle at the shift
    found = pose_between(seen(photo, TURN, SHIFT_MM), seen(photo, 0.0, (0.0, 0.0)), [ring(Pose())], [ring(Pose(TURN, SHIFT_MM))])
    assert found is not None
    assert math.degrees(found.turn_rad) == pytest.approx(7.0, abs=0.1)
    assert found.shift_mm == pytest.approx(SHIFT_MM, abs=0.02)


def test_a_frame_takes_picture_to_image_and_back() -> None:
    frame = Frame(np.array([30.0, 40.0]), 1.7, 0.3)
    at = np.array([[0.0, 0.0], [10.0, 3.0]])
    image = at @ frame.to_image[:, :2].T + frame.to_image[:, 2]
    assert frame.to_picture(image) == pytest.approx(at)
    assert image[0] == pytest.approx([30.0, 40.0])
    # x to the right and y down: a positive turn goes clockwise on the screen
    cos, sin = math.cos(0.3), math.sin(0.3)
    assert image[1] - image[0] == pytest.approx(np.array([10 * cos - 3 * sin, 10 * sin + 3 * cos]) / 1.7)


def test_marks_that_do_not_meet_are_not_believed(photo: np.ndarray) -> None:
    same = seen(photo, 0.0, (0.0, 0.0))
    assert pose_between(same, same, [ring(Pose())], [ring(Pose())]) is not None
    assert pose_between(same, same, [ring(Pose())], [ring(Pose(0.0, (0.9, 0.0)))]) is None
    assert pose_between(same, same, [], []) is None


def test_another_tooth_is_not_registered(photo: np.ndarray) -> None:
    other = np.ascontiguousarray(seen(photo, 0.0, (0.0, 0.0))[::-1])
    assert pose_between(seen(photo, 0.0, (0.0, 0.0)), other, [ring(Pose())], [ring(Pose())]) is None
