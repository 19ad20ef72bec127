"""Chessboards and millimetre paper under a camera of known pose."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from reference_scenes import DISTANCE_SD, RuleScene, camera_of, develop, photo_of
from shapely.geometry import Polygon

from audit.calibration.calibrate import calibrate
from audit.calibration.grid import ASPECT_U
from audit.core.annotations import Feature
from audit.core.records import Calibration
from audit.errors import Refused
from audit.imaging.codec import read_image
from audit.imaging.lattice_search import search_lattice

FINER = 2
HALF_MM = (13.0, 8.0)


def lines(a: np.ndarray, period: float, width: float, px_mm: float) -> np.ndarray:
    return np.clip((width / 2 - np.abs(a - period * np.round(a / period))) / px_mm + 0.5, 0, 1)


def photographed(kind: str, scene: RuleScene, aspect: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """Picture and outline of a grid of 1 mm lines, heavier at 5 and 10 mm, of 5 mm lines alone, or of a 2 mm chessboard."""
    camera = camera_of(scene)
    y, x = (np.mgrid[0 : scene.height * FINER, 0 : scene.width * FINER] + 0.5) / FINER - 0.5
    a, b, _ = camera.on_plane(np.stack([x, y], axis=-1))
    b, px_mm = b / (1 + aspect), 1 / scene.px_per_mm / FINER
    if kind == "chessboard":
        ink = (np.floor(a / 2) + np.floor(b / 2)) % 2
    else:
        weights = {"millimetres": ((1, 0.12, 0.6), (5, 0.18, 0.9), (10, 0.3, 1.0)), "alike": ((1, 0.15, 0.9),), "fives": ((5, 0.2, 0.9),),
                   "faint": ((1, 0.1, 0.12), (5, 0.2, 0.9))}[kind]  # fmt: skip
        ink = np.max([weight * lines(v, period, width, px_mm) for period, width, weight in weights for v in (a, b)], axis=0)
    inside = (np.abs(a) < HALF_MM[0] + 2) & (np.abs(b) < HALF_MM[1] + 2)
    light = np.where(inside, 0.7 - 0.62 * ink, 0.25).astype(np.float32)
    light = cv2.resize(light, (scene.width, scene.height), interpolation=cv2.INTER_AREA)
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * np.array(HALF_MM)
    return develop(np.repeat(light[..., None], 3, axis=2), np.random.default_rng(scene.seed), scene), camera.image(corners)


def read(kind: str, scene: RuleScene, square: float, aspect: float = 0.0, **more: object) -> Calibration:
    pixels, outline = photographed(kind, scene, aspect)
    properties = {"kind": "grid", "square_mm": square, "u_mm": 1e-5, "offset_mm": 0, "u_offset_mm": 0.01, **more}
    feature = Feature("reference", Polygon(outline), properties)
    return calibrate(pixels, photo_of(scene.seed, scene.width, scene.height), feature, tooth_seen_in="direct")


def scene(seed: int, **fixed: object) -> RuleScene:
    rng = np.random.default_rng(seed + 30)
    drawn = RuleScene(
        seed=seed, width=900, height=600, middle_px=(450.0, 300.0), px_per_mm=float(rng.uniform(22, 30)), turn=float(rng.uniform(-40, 40)),
        tilt=float(np.clip(7 * rng.standard_normal(), -20, 20)), tilt_across=float(np.clip(7 * rng.standard_normal(), -20, 20)),
        distance_error=float(np.clip(DISTANCE_SD * rng.standard_normal(), -0.4, 0.6)), blur=float(rng.uniform(0.8, 1.8)),
        noise=float(rng.uniform(0.002, 0.012)), jpeg=int(rng.integers(80, 96)), sharpen=float(rng.uniform(0, 0.6)),
    )  # fmt: skip
    return replace(drawn, **fixed)  # type: ignore[arg-type]


@pytest.mark.parametrize(("kind", "square"), [("millimetres", 1.0), ("chessboard", 2.0)])
def test_the_scale_and_its_uncertainty(kind: str, square: float) -> None:
    """Claimed from crossings, inclination and lens against actual, 6 scenes; the bound is 1.15 and twice 1 / sqrt(12)."""
    z, errors = [], []
    for seed in range(6):
        drawn = scene(seed)
        found = read(kind, drawn, square, aspect=ASPECT_U * float(np.random.default_rng(seed).standard_normal()))
        camera = camera_of(drawn)
        truth = camera.depth(np.array(found.evidence["middle_xy"])) / camera.focal_px
        errors.append(found.mm_per_px_across.value / truth - 1)
        parts = found.mm_per_px_across.relative_parts
        z.append(errors[-1] / math.hypot(*(part for name, part in parts.items() if name.startswith(("comb", "tilt")))))
    assert np.abs(errors).max() < 0.01
    assert math.sqrt(np.mean(np.square(z))) <= 1.15 + 2 / math.sqrt(12)


def test_steep_inclination_is_read() -> None:
    found = read("chessboard", scene(3, turn=10.0, tilt=18.0, tilt_across=0.0, distance_error=0.0), 2.0)
    shown = max(abs(found.tilt_deg.value), abs(found.evidence["tilt_across_deg"]))
    assert shown == pytest.approx(18.0, abs=1.0)


@pytest.mark.parametrize(
    ("kind", "square", "fixed", "text"),
    [
        ("millimetres", 5.0, {}, "smallest squares|every 5th line is heavier|every 10th"),
        ("faint", 5.0, {"px_per_mm": 24.0}, "parts between them|heavier"),
        ("alike", 1.0, {"px_per_mm": 16.0}, "at least 24 px"),
    ],
)
def test_squares_that_may_not_be_the_smallest(kind: str, square: float, fixed: dict[str, float], text: str) -> None:
    with pytest.raises(Refused, match=text) as caught:
        read(kind, scene(1, blur=1.0, tilt=0.0, tilt_across=0.0, **fixed), square)
    assert caught.value.code == "ambiguous_pitch"


def test_refusals() -> None:
    plain = photo_of(0, 300, 200)
    blank = np.full((200, 300, 3), 128, np.uint8)
    outline = Polygon([(40, 40), (260, 40), (260, 160), (40, 160)])
    for geometry, properties, code, text in (
        (outline, {}, "bad_length", "square_mm must lie"),
        (outline, {"square_mm": 0}, "bad_length", "square_mm must lie"),
        (None, {"square_mm": 1}, "no_grid_found", "got none that is beyond doubt"),
        (outline, {"square_mm": 1}, "no_grid_found", "four by four crossings"),
    ):
        with pytest.raises(Refused, match=text) as caught:
            calibrate(blank, plain, Feature("reference", geometry, {"kind": "grid", **properties}), tooth_seen_in="direct")
        assert caught.value.code == code
    noise = np.random.default_rng(0).integers(0, 255, (200, 300, 3), dtype=np.uint8)
    with pytest.raises(Refused):
        calibrate(noise, plain, Feature("reference", outline, {"kind": "grid", "square_mm": 1}), tooth_seen_in="direct")


@pytest.mark.parametrize(("kind", "square", "seed"), [("chessboard", 2.0, 0), ("chessboard", 2.0, 3), ("millimetres", 1.0, 0)])
def test_a_grid_that_nobody_outlined_is_found_and_reads_as_the_outlined_one(kind: str, square: float, seed: int) -> None:
    pixels, _ = photographed(kind, drawn := scene(seed))
    properties = {"kind": "grid", "square_mm": square, "u_mm": 1e-5, "offset_mm": 0, "u_offset_mm": 0.01}
    photo = photo_of(drawn.seed, drawn.width, drawn.height)
    alone = calibrate(pixels, photo, Feature("reference", None, properties), tooth_seen_in="direct").mm_per_px_across
    outlined = read(kind, drawn, square).mm_per_px_across
    assert abs(alone.value - outlined.value) < 2.5 * np.hypot(alone.u, outlined.u)


def test_no_grid_is_found_where_there_is_none() -> None:
    mouth = Path(__file__).resolve().parents[2] / "demo_photos" / "photos" / "M01-011" / "2019-05-06_facial.jpg"
    assert search_lattice(read_image(mouth).pixels) is None
    rng = np.random.default_rng(4)
    grain = cv2.GaussianBlur(rng.normal(0.5, 0.2, (500, 700)).astype(np.float32), (0, 0), 2.0)
    assert search_lattice((np.clip(grain, 0, 1) * 255).astype(np.uint8)) is None
