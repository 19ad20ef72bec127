"""The drawn bitewing against tabulated attenuation, and against what a dentist sees on one."""

import csv
import json
import math
from pathlib import Path

import numpy as np
import pydicom
import pytest
from PIL import Image

from audit.core.annotations import parse_annotations
from audit.synthetic.bitewing import Bitewing, Exposure, expose
from audit.synthetic.scene import write_scene
from audit.synthetic.xray import linear_attenuation, transmission

# Elam, Ravel & Sieber 2002 through xraydb 4.5.8; see tests/truth/README.md
TABLE = list(csv.DictReader((Path(__file__).parents[1] / "truth" / "xray_attenuation.csv").read_text().splitlines()))


@pytest.fixture(scope="module")
def scene():
    return expose(Bitewing(seed=1, gap_um=(150, 0), step_um=(0, 200)), Exposure(pixel_um=40, width_px=560, height_px=440, blur_px=1.0))


@pytest.mark.parametrize("row", [r for r in TABLE if r["substance"] in ("water", "aluminium")])
def test_transmission_agrees_with_the_table(row):
    density = {"water": 1.0, "aluminium": 2.699}[row["substance"]]
    expected = math.exp(-float(row["mass_attenuation_cm2_g"]) * density * 0.5)
    got = transmission({row["substance"]: np.array([5.0])}, float(row["kev"]))[0]
    assert got == pytest.approx(expected, rel=0.001)


def test_enamel_and_dentine_in_millimetres_of_aluminium():
    # dentine stops about as much as the same thickness of aluminium, enamel about twice as much (ISO 4049, 7.14; from memory)
    aluminium = linear_attenuation("aluminium", 35)
    assert linear_attenuation("dentine", 35) / aluminium == pytest.approx(1.0, abs=0.15)
    assert linear_attenuation("enamel", 35) / aluminium == pytest.approx(2.0, abs=0.15)


def test_bone_agrees_with_the_table_of_cortical_bone():
    # ICRU-44 cortical bone, 1.331 cm2/g at 30 keV and 0.6655 at 40 keV, density 1.92 (NIST, from memory)
    for kev, mass in ((30, 1.331), (40, 0.6655)):
        assert linear_attenuation("cortical_bone", kev) == pytest.approx(mass * 0.192, rel=0.06)


def test_a_pixel_half_covered_by_metal_passes_half_the_beam():
    half = {"cast_gold": np.array([2.0])}  # mean path of a pixel that 4 mm of gold cover by half
    assert transmission(half, 35, {"metal": (np.array([0.5]), ("cast_gold",))})[0] == pytest.approx(0.5, abs=1e-6)


def test_grey_values_stand_in_the_order_a_dentist_knows(scene):
    grey = scene.pixels / 65535.0

    def at(u, v):
        scale = 0.04 / 1.04
        x, y = (u / scale + 279.5), ((v - 2.6) / scale + 219.5)
        return float(np.median(grey[int(y) - 2 : int(y) + 3, int(x) - 2 : int(x) + 3]))

    metal, enamel, dentine = at(0.0, 2.3), at(4.2, 4.7), at(2.6, 6.4)
    pulp, gum, bone = at(0.0, 6.3), at(5.1, 6.0), at(4.95, 8.2)
    assert metal > enamel > dentine > pulp > bone > gum
    assert metal > 0.75 and gum < 0.25


def test_burn_out_darkens_the_neck_between_enamel_and_bone(scene):
    """At equal depth inside the outline the neck passes more than the root within bone."""
    grey = scene.pixels / 65535.0
    scale = 0.04 / 1.04
    column = lambda u, v: float(grey[int((v - 2.6) / scale + 219.5), int(u / scale + 279.5)])  # noqa: E731
    assert np.mean([column(-4.15, v) for v in (6.0, 6.2, 6.4)]) < np.mean([column(-3.95, v) for v in (8.2, 8.4, 8.6)]) - 0.02


def test_closing_angle_and_apparent_gap():
    # geometry: a gap g over a path L is open by g cos t - L sin t; atan(g / L) closes it (120 um over 4 mm: 1.7 degrees)
    closed = expose(Bitewing(seed=2, gap_um=(120, 120)), _small(tilt_deg=1.72)).truth
    open_ = expose(Bitewing(seed=2, gap_um=(120, 120)), _small(tilt_deg=0.5)).truth
    assert closed["measurands"]["radiographic_gap_width"]["mesial"] == pytest.approx(0.0, abs=1.0)
    assert open_["measurands"]["radiographic_gap_width"]["mesial"] == pytest.approx(120 * 0.99996 - 4000 * 0.0087265, abs=2)
    assert closed["normal_view"]["radiographic_gap_width"]["mesial"] == 120


def test_a_tilted_beam_hides_the_gap_in_the_picture():
    def darkest(tilt):
        scene = expose(Bitewing(seed=3, gap_um=(150, 150)), _small(tilt_deg=tilt))
        x, y = np.array(_site(scene)).mean(axis=0)
        return float(scene.pixels[int(y) - 12 : int(y) + 13, int(x) - 2 : int(x) + 3].mean(axis=1).min())

    assert darkest(4.0) > darkest(0.0) + 0.08 * 65535


def test_same_seed_same_picture_and_marks_that_parse():
    one, two = (expose(Bitewing(seed=4), _small()) for _ in range(2))
    assert np.array_equal(one.pixels, two.pixels) and one.annotations == two.annotations
    marks = parse_annotations(one.annotations)
    assert marks.is_radiograph and marks.first("fit_site").properties["bound"] == "enamel"


def test_dicom_and_png_hold_the_same_picture(tmp_path, scene):
    write_scene(scene, tmp_path / "a.dcm")
    write_scene(scene, tmp_path / "a.png")
    data = pydicom.dcmread(tmp_path / "a.dcm")
    # DICOM PS3.4 B.5, PS3.3 C.8.11: intra-oral, for presentation
    assert data.SOPClassUID == "1.2.840.10008.5.1.4.1.1.1.3" and data.Modality == "IO"
    assert (data.BitsStored, data.PhotometricInterpretation) == (12, "MONOCHROME2")
    assert list(data.ImagerPixelSpacing) == [0.04, 0.04] and "PixelSpacing" not in data
    assert not str(data.PatientName) and data.PatientIdentityRemoved == "YES"
    png = np.asarray(Image.open(tmp_path / "a.png"))
    assert np.array_equal(data.pixel_array >> 4, png)
    assert json.loads((tmp_path / "a.geojson").read_text())["sha256"]


def test_monochrome1_stores_falling_values(tmp_path, scene):
    inverse = type(scene)(scene.pixels, scene.annotations, scene.truth, {**scene.exif, "PhotometricInterpretation": "MONOCHROME1"})
    write_scene(inverse, tmp_path / "a.dcm")
    data = pydicom.dcmread(tmp_path / "a.dcm")
    assert np.array_equal(4095 - data.pixel_array, scene.pixels >> 4)


def _small(**changes):
    return Exposure(**{"pixel_um": 20, "width_px": 200, "height_px": 200, "centre_mm": (-4.4, 4.15), **changes})


def _site(scene):
    return next(f["geometry"]["coordinates"] for f in scene.annotations["features"] if f["properties"]["role"] == "fit_site")
