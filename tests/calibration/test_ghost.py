"""The ghost of a rear-surface mirror is flagged, and nothing else is."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from strip_scenes import StripScene, random_strip, shoot

from audit.calibration.calibrate import calibrate
from audit.imaging.ghost import edge_ghost
from audit.imaging.homography import through


def flags(scene: StripScene) -> tuple[tuple[str, ...], dict[str, object]]:
    shot = shoot(scene)
    feature = shot.feature()
    found = calibrate(shot.pixels, shot.photo, feature, tooth_seen_in=feature.seen_in)
    return found.flags, dict(found.evidence)


@pytest.mark.parametrize(("dx", "dy", "share"), [(14.0, 6.0, 0.06), (-3.0, 30.0, 0.05), (40.0, -12.0, 0.1)])
def test_a_ghost_is_flagged_with_its_displacement(dx: float, dy: float, share: float) -> None:
    found, evidence = flags(StripScene(mirrored=True, ghost=(dx, dy, share)))
    assert "ghost_edge" in found
    assert evidence["ghost_px"] == pytest.approx(math.hypot(dx, dy), abs=2.0)
    assert evidence["ghost_share"] == pytest.approx(share, rel=0.4)


def test_a_front_surface_mirror_shows_none() -> None:
    for seed in range(6):
        assert "ghost_edge" not in flags(replace(random_strip(seed), mirrored=True))[0]


def shaft(ghost: float, share: float) -> tuple[np.ndarray, np.ndarray]:
    """A bright shaft 60 px wide with straight edges blurred by 1.5 px, and a weaker one beside it."""
    x = np.arange(300.0)[None, :] * np.ones((200, 1))

    def bar(at: float) -> np.ndarray:
        return 0.5 * (np.tanh((x - at + 30) / 1.9) - np.tanh((x - at - 30) / 1.9))

    light = 0.1 + 0.5 * ((1 - share) * bar(150.0) + share * bar(150.0 + ghost))
    light = light + 0.002 * np.random.default_rng(0).standard_normal(light.shape)
    encoded = np.round(255 * (1.055 * light ** (1 / 2.4) - 0.055)).astype(np.uint8)
    return np.repeat(encoded[..., None], 3, axis=2), np.array([[[120.0, 40], [120, 160]], [[180.0, 40], [180, 160]]])


def test_the_ghost_of_a_shaft() -> None:
    ghost = edge_ghost(*shaft(15.0, 0.1), mm_per_px=0.04, sigma_px=1.5)
    assert ghost is not None
    assert ghost.shift_px == pytest.approx(15.0, abs=1.0) and ghost.share == pytest.approx(0.11, abs=0.03)
    assert edge_ghost(*shaft(15.0, 0.0), mm_per_px=0.04, sigma_px=1.5) is None


def test_through_takes_four_points_to_four_points() -> None:
    px, mm = np.array([[10.0, 10], [500, 30], [480, 300], [20, 280]]), np.array([[0.0, 0], [30, 0], [30, 8], [0, 8]])
    matrix = through(px, mm)
    taken = np.column_stack([px, np.ones(4)]) @ matrix.T
    assert taken[:, :2] / taken[:, 2:] == pytest.approx(mm, abs=1e-9)
