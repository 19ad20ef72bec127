"""Drawn photographs: the truth they claim, held against geometry, thin-lens optics and the files they write."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image
from shapely.geometry import shape

from audit.core.annotations import check_inside, parse_annotations, read_annotations
from audit.imaging.sample import look_up
from audit.synthetic.camera import aim_camera, object_distance_mm
from audit.synthetic.facial import build_facial
from audit.synthetic.instruments import Placing, draw_rod, draw_rule
from audit.synthetic.lighting import surround
from audit.synthetic.mouth import Mouth, Opening, Shot, photograph
from audit.synthetic.optics import blur_sigma_px
from audit.synthetic.relief import Grid, assemble, strike
from audit.synthetic.render import survey
from audit.synthetic.scene import write_scene
from audit.synthetic.truth import bevel_height_mm, surface_truth

SMALL = Shot(width_px=460, height_px=330, px_per_mm=30.0, pixel_pitch_um=16.0, reference=None)


def _camera(px_per_mm: float, pitch: float = 0.0, yaw: float = 0.0, distance: float = 300.0):
    return aim_camera(yaw_deg=yaw, pitch_deg=pitch, roll_deg=0.0, distance_mm=distance, px_per_mm=px_per_mm, size_px=(401, 301))


# --- camera and ray casting ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("magnification, per_mm", [(1.0, 0.0050), (0.5, 0.0033)])
def test_scale_falls_with_depth_as_of_a_thin_lens(magnification, per_mm):
    """Out-of-plane error dz / distance, 100 mm macro: 0.50 %/mm at 1:1, 0.33 %/mm at 1:2 (thin lens, f (1 + 1/m))."""
    distance = object_distance_mm(100.0, magnification)
    camera = _camera(30.0, distance=distance)
    pair = np.array([[-1.0, 0, 0], [1.0, 0, 0]])
    length = [float(np.hypot(*np.diff(camera.project(pair + np.array([0, 0, z])), axis=0)[0])) for z in (0.0, 1.0)]
    assert length[0] == pytest.approx(60.0)
    assert length[1] / length[0] - 1 == pytest.approx(per_mm, abs=0.00005)


def test_a_pixel_looks_where_a_point_falls():
    camera = aim_camera(yaw_deg=9, pitch_deg=-7, roll_deg=4, distance_mm=250, px_per_mm=33, size_px=(640, 480), aim_mm=(1, -2),
                        mirror_x=True)  # fmt: skip
    point = np.array([2.3, -1.7, -0.8])
    ray = camera.directions(camera.project(point)[None])[0]
    assert camera.position + ray * camera.depth_mm(point) == pytest.approx(point, abs=1e-4)


@pytest.mark.parametrize("slope_deg", [0.0, 30.0, 60.0])
def test_rays_meet_a_plane_where_geometry_says(slope_deg):
    grid = Grid(-20.0, -20.0, 20.0, 801, 801)
    x, y = grid.mesh()
    zero = np.zeros_like(x)
    relief = assemble(grid, np.tan(np.radians(slope_deg)) * y * 0.5, (zero,) * 4, (zero,) * 4)
    camera = _camera(20.0, pitch=8.0, yaw=-11.0)
    rows, columns = np.mgrid[0:301, 0:401].astype(np.float32)
    xy = np.stack([columns, rows], axis=-1)
    points = strike(relief, camera, xy).points
    assert np.abs(points[..., 2] - np.tan(np.radians(slope_deg)) * points[..., 1] * 0.5).max() < 2e-3
    assert np.abs(camera.project(points.astype(float)) - xy).max() < 0.05


# --- truth against closed forms ------------------------------------------------------------------------------------


@pytest.mark.parametrize("pitch_deg, change", [(-10.0, 0.158), (10.0, -0.189)])
def test_a_bevel_at_45_degrees_looks_taller_or_lower_from_ten_degrees_off(pitch_deg, change):
    """cos(10) +- sin(10) tan(45): +16 % and -19 % (geometry)."""
    closed_form = math.cos(math.radians(10)) - math.copysign(math.sin(math.radians(10)), pitch_deg) - 1
    assert closed_form == pytest.approx(change, abs=0.0005)
    stage = build_facial(Mouth(seed=3, design="three_quarter", band_mm=0.8))
    straight, tipped = (bevel_height_mm(stage, _camera(30.0, pitch=p)) for p in (0.0, pitch_deg))
    assert straight == pytest.approx(0.8, rel=0.02)  # seen 1 to 3 mm behind the reference plane, 0.33 %/mm
    assert tipped / straight - 1 == pytest.approx(change, abs=0.006)


def test_a_bevel_of_another_slope_follows_its_own_closed_form():
    stage = build_facial(Mouth(seed=3, design="three_quarter", band_mm=0.8, bevel_slope_deg=30.0))
    straight, tipped = (bevel_height_mm(stage, _camera(30.0, pitch=p)) for p in (0.0, -10.0))
    expected = math.cos(math.radians(10)) + math.sin(math.radians(10)) * math.tan(math.radians(30))
    assert tipped / straight == pytest.approx(expected, abs=0.006)


@pytest.mark.parametrize("design", ["seven_eighths", "three_quarter", "complete_crown"])
def test_areas_do_not_depend_on_the_density_of_pixels(design):
    """The claim of a photo at 25 px/mm against the same geometry counted at 120 px/mm."""
    mouth = Mouth(seed=6, design=design, band_mm=0.5)
    stage = build_facial(mouth)
    coarse, fine = ({**surface_truth(survey(stage, mouth, c), c, stage)} for c in (_camera(25.0, 3, -4), _camera(120.0, 3, -4)))
    for name in ("facial_surface_area", "visible_metal_area", "visible_metal_fraction"):
        assert coarse[name] == pytest.approx(fine[name], rel=0.006), name
    assert coarse["visible_metal_height"] == pytest.approx(fine["visible_metal_height"], abs=0.03)
    assert coarse["visible_metal_extent"] == pytest.approx(fine["visible_metal_extent"], abs=0.08)


def test_enlarging_changes_pixels_and_not_millimetres():
    mouth = Mouth(seed=4, openings=(Opening(2.0, 4.0, 150.0),))
    small = photograph(mouth, SMALL)
    large = photograph(mouth, replace(SMALL, width_px=920, height_px=660, px_per_mm=60.0, pixel_pitch_um=8.0))
    assert large.truth["mm_per_px"] == pytest.approx(small.truth["mm_per_px"] / 2, rel=1e-6)
    for name, value in small.truth["measurands"].items():
        assert large.truth["measurands"][name] == pytest.approx(value, rel=0.02, abs=0.01), name


def test_truth_of_the_photo_is_that_of_its_masks():
    scene = photograph(Mouth(seed=8, design="complete_crown"), SMALL)
    area = scene.masks["metal"].sum() * scene.truth["mm_per_px"] ** 2
    assert area == pytest.approx(scene.truth["measurands"]["visible_metal_area"], rel=0.01)
    outline = shape(next(f for f in scene.annotations["features"] if f["properties"]["role"] == "facial_surface")["geometry"])
    assert outline.is_valid
    assert outline.area * scene.truth["mm_per_px"] ** 2 == pytest.approx(scene.truth["measurands"]["facial_surface_area"], rel=0.01)


@pytest.mark.parametrize("width_um", [40.0, 250.0])
def test_an_opening_takes_from_the_light_what_its_width_says(width_um):
    """A black slot's missing share of pixels, summed across, is its width: also where it is narrower than a pixel."""
    slot, closed = (Mouth(seed=4, design="complete_crown", openings=o) for o in ((Opening(3.0, 5.0, width_um),), ()))
    stage = build_facial(slot)
    camera = _camera(30.0)
    lost = (survey(build_facial(closed), closed, camera).metal - survey(stage, slot, camera).metal).sum()
    area_um = 0.5 * 2.0 * width_um  # half of the slot lies in the metal, over 2 mm
    assert lost * float(camera.mm_per_px(stage.middle)) ** 2 * 1000 == pytest.approx(area_um, rel=0.06)


def test_recession_moves_the_gingiva_and_not_the_metal():
    before, after = (photograph(Mouth(seed=5, recession_mm=r), SMALL).truth["normal_view"] for r in (0.0, 1.0))
    assert before["margin_to_gingiva"] == pytest.approx(0.9, abs=0.1)
    assert 0.6 < after["margin_to_gingiva"] - before["margin_to_gingiva"] <= 1.0
    assert after["visible_metal_area"] == pytest.approx(before["visible_metal_area"], rel=1e-3)


def test_perforation_area_is_that_of_its_outline():
    scene = photograph(Mouth(seed=5, perforation_mm=1.4), replace(SMALL, view="occlusal", mirror=True))
    circle = math.pi * 0.7**2
    assert scene.truth["normal_view"]["perforation_area"] == pytest.approx(circle * (1 + (0.13**2 + 0.07**2) / 2), rel=0.02)


# --- reference -----------------------------------------------------------------------------------------------------


def test_scale_along_a_tilted_rule_follows_the_cosine():
    """Foreshortening 1 - cos: 1.5 % at 10 degrees (geometry)."""
    shot = replace(SMALL, reference="rule", height_px=500)
    flat, tilted = (photograph(Mouth(), replace(shot, reference_tilt_deg=t)).truth["mm_per_px_along_reference"] for t in (0.0, 10.0))
    assert flat == pytest.approx(photograph(Mouth(), SMALL).truth["mm_per_px"], rel=1e-5)
    assert flat / tilted == pytest.approx(math.cos(math.radians(10.0)), rel=1e-4)


def test_rule_ticks_stand_where_their_annotation_says():
    shot = replace(SMALL, reference="rule", noise=0.0, sharpening=0.0, jpeg_quality=None, px_per_mm=40.0, reference_turn_deg=3.0)
    scene = photograph(Mouth(), replace(shot, width_px=900, height_px=700))
    mark = scene.annotations["features"][0]
    (x0, y0), (x1, y1) = mark["geometry"]["coordinates"]
    at = np.linspace(0, 1, 4000)
    grey = scene.pixels.astype(np.float32).mean(axis=2)
    line = look_up(grey, (x0 + at * (x1 - x0)).astype(np.float32), (y0 + at * (y1 - y0)).astype(np.float32))
    dark = line - np.convolve(np.pad(line, 150, mode="edge"), np.ones(301) / 301, mode="valid")
    spectrum = np.abs(np.fft.rfft(dark * np.hanning(len(dark)), 80000))
    cycles = np.argmax(spectrum[400:]) + 400
    millimetres = cycles / 20.0 * mark["properties"]["tick_mm"]
    assert millimetres == pytest.approx(18.0, abs=0.05)
    assert math.hypot(x1 - x0, y1 - y0) / 18.0 == pytest.approx(1 / scene.truth["mm_per_px_along_reference"] * (1 + 1 / 250), rel=0.002)


def test_a_rod_covers_its_diameter():
    placing = Placing(np.array([0.0, 0.0]), 300.0, 90.0, 0.0)
    focal = 300.0 * 40.0
    x = (np.arange(-100, 101) / focal)[:, None]
    slopes = np.concatenate([x, np.zeros_like(x)], axis=1)
    around = surround(1, 300.0, 1.0, True)
    layer = draw_rod(placing, slopes, focal, diameter_mm=2.35, half_length_mm=7.0, seed=1, around=around)
    assert layer.share.sum() / 40.0 == pytest.approx(2.35, rel=1e-3)


def test_rule_is_opaque_over_its_width():
    placing = Placing(np.array([0.0, 0.0]), 300.0, 0.0, 0.0)
    focal = 300.0 * 40.0
    y = (np.arange(-400, 401) / focal)[:, None]
    slopes = np.concatenate([np.zeros_like(y), y], axis=1)
    layer = draw_rule(placing, slopes, focal, middle_mm=12.25, edge_up=True, white=True, seed=1)
    assert layer.share.sum() / 40.0 == pytest.approx(9.0, rel=1e-3)


# --- optics --------------------------------------------------------------------------------------------------------


def test_blur_of_a_stopped_down_macro_is_that_of_diffraction():
    """Airy pattern at f/22, 1:1: sigma 0.42 x 0.55 um x 44 = 10.2 um on the sensor (0.42 L N is common practice for a Gaussian fit)."""
    shot = Shot(px_per_mm=166.7, pixel_pitch_um=6.0, f_number=22.0, lens_sigma_px=0.0)
    assert float(blur_sigma_px(shot, 0.0)) * 6.0 == pytest.approx(0.42 * 0.55 * 44.0, rel=0.001)


def test_defocus_grows_with_distance_from_the_plane_of_focus():
    shot = replace(SMALL, f_number=8.0, focus_offset_mm=2.0)
    sigma = blur_sigma_px(shot, np.array([2.0, 5.0, 10.0]))
    assert sigma[0] < sigma[1] < sigma[2]


# --- files, marks, repetition --------------------------------------------------------------------------------------


def test_same_seeds_give_the_same_bytes_and_others_do_not():
    one, two, other = photograph(Mouth(), SMALL), photograph(Mouth(), SMALL), photograph(Mouth(), replace(SMALL, seed=2))
    assert one.encoded == two.encoded and one.truth == two.truth
    assert one.encoded != other.encoded and one.truth["measurands"] == other.truth["measurands"]


def test_a_written_scene_reads_back(tmp_path):
    scene = photograph(Mouth(), replace(SMALL, reference="rod", hand_px=1.0, captured_on="2021-05-06", reference_at_mm=(-6.0, 0.0)))
    write_scene(scene, tmp_path / "a.jpg")
    with Image.open(tmp_path / "a.jpg") as image:
        exif, photo = image.getexif(), image.getexif().get_ifd(0x8769)
        assert np.array_equal(np.asarray(image), scene.pixels)
    assert exif[0x0132] == photo[0x9003] == "2021:05:06 10:15:00"
    assert float(photo[0x920A]) == 100.0 and float(photo[0x829D]) == 22.0
    assert 25.4e3 / float(photo[0xA20E]) == pytest.approx(SMALL.pixel_pitch_um, rel=1e-4)
    marks = read_annotations(tmp_path / "a.geojson")
    check_inside(marks, SMALL.width_px, SMALL.height_px, marks.sha256)
    assert [f.role for f in marks.features] == ["reference", "facial_surface", "metal", "margin", "gingival_margin"]
    assert json.loads((tmp_path / "a.truth.json").read_text())["measurands"] == scene.truth["measurands"]


@pytest.mark.parametrize("upper, right, mirror, tooth, mesial", [
    (True, True, False, "16", "right"), (True, False, False, "26", "left"),
    (False, True, True, "46", "left"), (False, False, True, "36", "right"),
])  # fmt: skip
def test_handedness_follows_side_and_mirror(upper, right, mirror, tooth, mesial):
    scene = photograph(Mouth(upper=upper, right_side=right), replace(SMALL, mirror=mirror))
    assert scene.annotations["tooth"] == tooth and scene.truth["mesial_is"] == mesial
    columns = np.nonzero(scene.masks["metal"])[1]  # the distal half bears the metal
    assert (columns.mean() < 230) == (mesial == "right")
    assert all(f["properties"].get("seen_in") == ("mirror" if mirror else "direct") for f in scene.annotations["features"])


@pytest.mark.parametrize("view, design", [
    ("occlusal", "inlay"), ("occlusal", "onlay"), ("lingual", "seven_eighths"), ("smile_front", "onlay"),
    ("stage", "seven_eighths"), ("facial", "inlay"),
])  # fmt: skip
def test_every_view_gives_valid_marks(view, design):
    shot = replace(SMALL, view=view, px_per_mm=8.0 if view == "smile_front" else 24.0)
    scene = photograph(Mouth(design=design, prepared=view == "stage"), shot)
    marks = parse_annotations(scene.annotations)
    check_inside(marks, shot.width_px, shot.height_px, "")
    assert scene.pixels.std() > 20
    json.dumps(scene.truth)


@pytest.mark.parametrize("seed", range(4))
def test_an_unsteady_hand_still_draws_a_valid_outline(seed):
    scene = photograph(Mouth(seed=1, design="three_quarter"), replace(SMALL, px_per_mm=12.0, hand_px=2.5, seed=seed))
    assert parse_annotations(scene.annotations).first("facial_surface") is not None


def test_a_tooth_that_is_not_seen_is_not_outlined():
    scene = photograph(Mouth(), replace(SMALL, view="smile_front", px_per_mm=30.0))
    assert [f["properties"]["role"] for f in scene.annotations["features"]] == ["metal"]


def test_metal_runs_from_near_black_to_clipped_white():
    scene = photograph(Mouth(seed=2, design="complete_crown"), SMALL)
    grey = scene.pixels[scene.masks["metal"]].astype(float).mean(axis=1)
    assert np.percentile(grey, 1) < 45 and np.percentile(grey, 99) > 250
