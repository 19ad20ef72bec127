"""Discs and balls: against closed forms of geometry, and what is claimed against what is true."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from reference_scenes import RuleScene, develop, photo_of
from shapely.geometry import Polygon

from audit.calibration.calibrate import calibrate
from audit.calibration.disc import ball_axes_px
from audit.core.annotations import Feature
from audit.core.records import Calibration
from audit.errors import Refused

FINER = 3


def drawn_disc(
    seed: int, tilt: float, px_per_mm: float, diameter: float = 5.0, blur: float = 1.4, **more: float
) -> tuple[np.ndarray, np.ndarray]:
    """Picture of a bright flat disc, and a hand-drawn outline; a tilted disc far away is an ellipse of axes 1 and cos tilt."""
    rng = np.random.default_rng(seed)
    turn, radius = rng.uniform(0, math.pi), diameter / 2 * px_per_mm
    middle = np.array([210.0, 160.0]) + rng.uniform(-5, 5, 2)
    y, x = (np.mgrid[0 : 320 * FINER, 0 : 420 * FINER] + 0.5) / FINER - 0.5
    u = (x - middle[0]) * math.cos(turn) + (y - middle[1]) * math.sin(turn)
    v = (y - middle[1]) * math.cos(turn) - (x - middle[0]) * math.sin(turn)
    inside = np.hypot(u, v / math.cos(math.radians(tilt))) < radius
    light = cv2.resize(np.where(inside, 0.62, 0.1).astype(np.float32), (420, 320), interpolation=cv2.INTER_AREA)
    scene = RuleScene(seed=seed, width=420, height=320, blur=blur, **more)
    angle = np.linspace(0, 2 * math.pi, 24, endpoint=False)
    outline = middle + radius * np.stack([np.cos(angle), np.sin(angle)], axis=1) + 1.5 * rng.standard_normal((24, 2))
    return develop(np.repeat(light[..., None], 3, axis=2), rng, scene), outline


def read(pixels: np.ndarray, outline: np.ndarray, seed: int = 0, modality: str = "photo", **more: object) -> Calibration:
    photo = replace(photo_of(seed, pixels.shape[1], pixels.shape[0]), modality=modality)
    properties = {"kind": "disc", "diameter_mm": 5.0, "u_mm": 0.002, "offset_mm": 0, "u_offset_mm": 0.01, **more}
    return calibrate(pixels, photo, Feature("reference", Polygon(outline), properties), tooth_seen_in="direct")


def test_the_longer_axis_is_the_scale_and_its_uncertainty_is_honest() -> None:
    """rms over 16 scenes: 1 / sqrt(32) = 18 % of sampling error, twice."""
    errors, z = [], []
    for seed in range(16):
        rng = np.random.default_rng(seed)
        scale = float(rng.uniform(14, 50))
        pixels, outline = drawn_disc(
            seed, float(rng.uniform(0, 25)), scale, blur=float(rng.uniform(0.8, 2.5)), gamma=float(1 + 0.08 * rng.standard_normal())
        )
        found = read(pixels, outline, seed)
        errors.append(found.mm_per_px.value * scale - 1)
        parts = found.mm_per_px.relative_parts
        z.append(errors[-1] / math.hypot(*(part for name, part in parts.items() if name.startswith(("boundary", "tone")))))
    assert np.percentile(np.abs(errors), 95) <= 0.005
    assert math.sqrt(np.mean(np.square(z))) <= 1.15 + 0.36


@pytest.mark.parametrize("tilt", [0.0, 10.0, 20.0, 30.0])
def test_the_axis_ratio_is_the_cosine_of_the_inclination(tilt: float) -> None:
    found = read(*drawn_disc(3, tilt, 30.0))
    shown, u = found.evidence["inclination_deg"], found.evidence["u_inclination_deg"]
    assert abs(shown - tilt) < max(3 * u, 1.5 if tilt else 6.0)


def test_a_ball_in_perspective_against_its_tangent_cone() -> None:
    """Every ray of the outline touches the ball: distance of its line from the centre equals the radius."""
    focal, radius, centre = 900.0, 2.5, np.array([30.0, 0.0, 120.0])
    distance = float(np.linalg.norm(centre))
    long, short = ball_axes_px(radius, distance, 0.25, focal)
    near, far = (focal * math.tan(math.atan2(30.0, 120.0) + side * math.asin(radius / distance)) for side in (-1, 1))
    assert long == pytest.approx((far - near) / 2, rel=1e-9)
    ray = np.array([(near + far) / 2, short, focal])
    ray /= np.linalg.norm(ray)
    assert np.linalg.norm(np.cross(ray, centre)) == pytest.approx(radius, rel=1e-9)


def test_a_ball_on_a_radiograph_gives_the_scale_at_its_depth() -> None:
    """Magnification is source to film over source to object: 330 / 300 enlarges by 1.10 (PS3.3, SID / SOD)."""
    pixels, outline = drawn_disc(5, 0.0, 40.0 * 330 / 300)
    found = read(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY), outline, modality="radiograph")
    assert found.mm_per_px.value == pytest.approx(300 / 330 / 40.0, rel=0.006)
    deeper = read(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY), outline, modality="radiograph", offset_mm=6.0)
    assert deeper.mm_per_px.value / found.mm_per_px.value == pytest.approx(306 / 300, rel=1e-6)


def test_the_edge_is_found_where_a_sharp_one_would_stand() -> None:
    """The half-level contour of a disc blurred by sigma lies sigma^2 / (2 R) inside (second order in sigma / R)."""
    for blur in (0.8, 2.0, 3.0):
        found = read(*drawn_disc(7, 0.0, 12.0, blur=blur, noise=0.0, sharpen=0.0, jpeg=100))
        assert found.evidence["width_px"] / 2 == pytest.approx(30.0, abs=0.06)
        assert found.blur_sigma_px.value == pytest.approx(math.hypot(blur, math.sqrt(1 / 12)), rel=0.06)


@pytest.mark.parametrize(
    ("properties", "code", "text"),
    [
        ({"diameter_mm": None}, "bad_length", "diameter_mm must lie"),
        ({"diameter_mm": 5, "u_mm": 0}, "bad_length", "u_mm above 0"),
        ({}, "disc_edge_not_found", "must be clear all round"),
    ],
)
def test_refusals(properties: dict[str, object], code: str, text: str) -> None:
    blank = np.full((320, 420, 3), 90, np.uint8)
    _, outline = drawn_disc(0, 0.0, 30.0)
    with pytest.raises(Refused, match=text) as caught:
        read(blank, outline, **properties)
    assert caught.value.code == code
    with pytest.raises(Refused, match="outline round it"):
        calibrate(blank, photo_of(0, 420, 320), Feature("reference", None, {"kind": "disc", "diameter_mm": 5}), tooth_seen_in="direct")


def test_a_square_is_not_a_disc() -> None:
    pixels = np.full((320, 420, 3), 60, np.uint8)
    pixels[90:230, 140:280] = 200
    _, outline = drawn_disc(0, 0.0, 28.0)
    with pytest.raises(Refused) as caught:
        read(pixels, outline)
    assert caught.value.code == "disc_edge_not_found"
