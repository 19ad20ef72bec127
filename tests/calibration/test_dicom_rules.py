"""The status of a stated spacing, case by case after DICOM PS3.3 section 10.7 (Basic Pixel Spacing Calibration Macro)."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.calibration.calibrate import calibrate
from audit.calibration.dicom import MAGNIFICATION
from audit.core.records import Calibration, Photo
from audit.errors import Refused
from audit.imaging.dicom import DicomFacts

BLANK = np.full((64, 64), 128, np.uint16)
RADIOGRAPH = Photo("b" * 64, 64, 64, None, "unknown", "radiograph")
NOTHING = DicomFacts("IO", None, None, None, None, None, "MONOCHROME2", None, None)
AT = (0.022, 0.022)
IN_PATIENT = (0.020, 0.020)


def spacing(photo: Photo = RADIOGRAPH, **facts: Any) -> Calibration:
    return calibrate(BLANK, photo, None, tooth_seen_in="direct", dicom=replace(NOTHING, **facts))


def refused(code: str, text: str, photo: Photo = RADIOGRAPH, **facts: Any) -> None:
    with pytest.raises(Refused, match=text) as caught:
        spacing(photo, **facts)
    assert caught.value.code == code and "known length" in caught.value.hint


def relative_u(found: Calibration) -> float:
    return found.mm_per_px.u / found.mm_per_px.value


def test_fiducial_is_calibrated_at_the_depth_of_its_object() -> None:
    for imager in (None, AT):
        found = spacing(pixel_spacing_mm=IN_PATIENT, imager_pixel_spacing_mm=imager, calibration_type="FIDUCIAL")
        assert found.mm_per_px.value == pytest.approx(0.020) and found.flags == ("spacing_calibrated",)
        assert relative_u(found) == pytest.approx(0.01)


def test_geometry_is_corrected_at_a_depth_that_nobody_states() -> None:
    """So it is known no better than the magnification, 1.03 to 1.10 rectangular; a difference without a type says no more."""
    low, high = MAGNIFICATION
    usual = (high - low) / math.sqrt(12) / ((high + low) / 2)
    geometry = spacing(pixel_spacing_mm=IN_PATIENT, imager_pixel_spacing_mm=AT, calibration_type="GEOMETRY")
    assert geometry.mm_per_px.value == pytest.approx(0.020) and geometry.flags == ("spacing_corrected",)
    untyped = spacing(pixel_spacing_mm=IN_PATIENT, imager_pixel_spacing_mm=AT)
    assert untyped.mm_per_px.value == pytest.approx(0.020)
    assert relative_u(geometry) == pytest.approx(usual) and relative_u(untyped) == pytest.approx(usual)


def test_equal_spacings_without_a_type_were_not_corrected() -> None:
    for pixel in (AT, None):
        found = spacing(pixel_spacing_mm=pixel, imager_pixel_spacing_mm=AT)
        assert found.flags == ("detector_plane_spacing",)
        assert found.mm_per_px.value == pytest.approx(0.022 / (sum(MAGNIFICATION) / 2))


def test_the_magnification_factor_applies_to_the_detector_spacing_alone() -> None:
    """(0018,1114) = SID / SOD: an object enlarged 1.08 times has 1 / 1.08 of the detector's millimetres to a pixel."""
    assert spacing(imager_pixel_spacing_mm=AT, magnification=1.08).mm_per_px.value == pytest.approx(0.022 / 1.08)
    corrected = spacing(pixel_spacing_mm=IN_PATIENT, imager_pixel_spacing_mm=AT, magnification=1.08)
    assert corrected.mm_per_px.value == pytest.approx(0.020)
    for impossible in (0.9, 7.0):
        found = spacing(imager_pixel_spacing_mm=AT, magnification=impossible)
        assert found.flags == ("detector_plane_spacing", "magnification_not_believed")


def test_what_nobody_can_tell_is_refused() -> None:
    refused("spacing_status_unknown", "no type and no detector spacing", pixel_spacing_mm=IN_PATIENT)
    refused("spacing_status_unknown", "no type and no detector", pixel_spacing_mm=IN_PATIENT, magnification=1.05)
    refused("spacing_status_unknown", "type 'GUESSED'", pixel_spacing_mm=AT, imager_pixel_spacing_mm=AT, calibration_type="guessed")
    refused("spacing_status_unknown", "no type", replace(RADIOGRAPH, modality="photo"), pixel_spacing_mm=AT, imager_pixel_spacing_mm=AT)
    refused("no_reference", "got neither", magnification=1.05)


def test_spacings_that_contradict_each_other_are_refused() -> None:
    refused("spacing_contradicts", "must lie in 1 to 1.5", pixel_spacing_mm=(0.03, 0.03), imager_pixel_spacing_mm=(0.02, 0.02))
    refused("spacing_contradicts", "must lie in 1 to 1.5", pixel_spacing_mm=(0.01, 0.01), imager_pixel_spacing_mm=(0.02, 0.02))
    refused("spacing_contradicts", "the same both ways", pixel_spacing_mm=(0.020, 0.018), imager_pixel_spacing_mm=(0.022, 0.022))
    refused("bad_spacing", "must be a length", pixel_spacing_mm=(0.0, 0.02), calibration_type="FIDUCIAL")


@given(st.floats(0.01, 0.05), st.floats(0.8, 1.25))
def test_rows_come_first(rows: float, ratio: float) -> None:
    """10.7.1.3: the first value is the distance between rows, so it is the scale downwards, the second the scale across."""
    pair = (rows, rows * ratio)
    found = spacing(pixel_spacing_mm=pair, calibration_type="FIDUCIAL")
    assert found.scale(90.0).value == pytest.approx(pair[0]) and found.scale(0.0).value == pytest.approx(pair[1])
