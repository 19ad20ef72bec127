"""Dates and their certainty, optics believed or not, sharpness and exposure judged."""

from __future__ import annotations

import hashlib
import time
from datetime import date

import cv2
import numpy as np
import pytest
from files_made import dicom, scene
from PIL import Image
from scipy.special import erf

from audit.errors import ImageError
from audit.imaging.codec import ExifFacts, ImageFile, read_image
from audit.imaging.judge import edge_blur_sigma_px
from audit.intake import accept

TODAY = date(2026, 11, 24)


def file_of(pixels: np.ndarray, exif: ExifFacts | None = None) -> ImageFile:
    return ImageFile(pixels, hashlib.sha256(pixels.tobytes()).hexdigest(), "JPEG", 8, exif or ExifFacts(), file_name="a.jpg")


def edge(blur_px: float, noise: float = 0.0, contrast: float = 120.0) -> np.ndarray:
    """A slanted edge blurred by a Gaussian: the analytic error function."""
    y, x = np.mgrid[:300, :400]
    ramp = 60 + contrast / 2 * (1 + erf(((x - 200) * np.cos(0.1) + (y - 150) * np.sin(0.1)) / blur_px / np.sqrt(2)))
    grey = np.clip(ramp + np.random.default_rng(3).normal(0, noise, ramp.shape), 0, 255)
    return np.stack([grey, grey * 0.9, grey * 0.7], axis=-1).astype(np.uint8)


@pytest.mark.parametrize(
    ("exif", "captured_on", "certainty", "flag"),
    [
        (ExifFacts(taken="2024:03:18 10:11:12"), "2024-03-18", "exact", None),
        (ExifFacts(taken="2024:03:18 10:11:12", modified="2025:01:02 00:00:00"), "2024-03-18", "exact", None),
        (ExifFacts(modified="2024:03:18 10:11:12"), "2024-03-18", "doubtful", "date_of_file"),
        (ExifFacts(digitized="2024:03:18 10:11:12"), "2024-03-18", "doubtful", "date_of_file"),
        (ExifFacts(taken="2024"), "2024", "year", None),
        (ExifFacts(taken="2024:00:00 00:00:00"), "2024", "year", None),
        (ExifFacts(taken="2024:  :     :  :  "), "2024", "year", None),
        (ExifFacts(taken="0000:00:00 00:00:00"), None, "unknown", "date_missing"),
        (ExifFacts(), None, "unknown", "date_missing"),
        (ExifFacts(taken="2024:13:41 10:11:12"), None, "unknown", "date_invalid"),
        (ExifFacts(taken="2026:11:25 00:00:01"), "2026-11-25", "doubtful", "date_in_future"),
        (ExifFacts(taken="2031"), "2031", "doubtful", "date_in_future"),
        (ExifFacts(taken="2000:01:01 02:42:00"), "2000-01-01", "doubtful", "date_clock_reset"),
        (ExifFacts(taken="1970:01:01 00:00:00"), "1970-01-01", "doubtful", "date_too_early"),
        (ExifFacts(taken="1904:05:06 00:00:00"), "1904-05-06", "doubtful", "date_too_early"),
    ],
)
def test_capture_date_comes_with_its_certainty(exif, captured_on, certainty, flag):
    photo = accept(file_of(scene(), exif), radiograph=False, today=TODAY)
    assert (photo.captured_on, photo.date_certainty) == (captured_on, certainty)
    assert [f for f in photo.flags if f.startswith("date")] == ([flag] if flag else [])


def test_dicom_date_and_modality(tmp_path):
    (tmp_path / "a.dcm").write_bytes(dicom(np.arange(70 * 80, dtype=np.uint16).reshape(70, 80) % 4096, ContentDate="20240318"))
    photo = accept(read_image(tmp_path / "a.dcm"), radiograph=False, today=TODAY)
    assert (photo.captured_on, photo.date_certainty, photo.modality) == ("2024-03-18", "exact", "radiograph")


def test_optics_of_a_known_sensor():
    """36 mm over 6000 px is 6 um a pixel; 100 mm on full frame is 100 mm equivalent."""
    pixels = np.tile(scene(40, 60), (2, 2, 1))
    by_plane = ExifFacts(focal_length_mm=100, f_number=22, focal_plane_px_per_mm=6000 / 36, make="Maker", model="One")
    assert accept(file_of(pixels, by_plane), radiograph=False, today=TODAY).optics.pixel_pitch_um == pytest.approx(6.0)
    height, width = 80, 120
    by_equivalent = ExifFacts(focal_length_mm=100, focal_length_35mm=100)
    pitch = accept(file_of(np.zeros((height, width, 3), np.uint8), by_equivalent), radiograph=False, today=TODAY).optics.pixel_pitch_um
    assert pitch is None, "0.3 mm a pixel is not a camera's"


def test_optics_that_cannot_be_are_not_believed():
    exif = ExifFacts(focal_length_mm=0.0, f_number=0.0, focal_plane_px_per_mm=0.0)
    optics = accept(file_of(scene(), exif), radiograph=False, today=TODAY).optics
    assert (optics.focal_length_mm, optics.f_number, optics.pixel_pitch_um) == (None, None, None)


def test_contradicting_pitches_give_none():
    big = np.zeros((2000, 3000, 3), np.uint8)
    exif = ExifFacts(focal_length_mm=60, focal_length_35mm=90, focal_plane_px_per_mm=3000 / 36)
    photo = accept(file_of(big, exif), radiograph=False, today=TODAY)
    assert photo.optics.pixel_pitch_um is None and "optics_contradict" in photo.flags
    agree = ExifFacts(focal_length_mm=60, focal_length_35mm=90, focal_plane_px_per_mm=3000 / 24)
    assert accept(file_of(big, agree), radiograph=False, today=TODAY).optics.pixel_pitch_um == pytest.approx(8.0)


def test_a_cropped_or_resized_photo_keeps_no_pitch():
    exif = ExifFacts(focal_plane_px_per_mm=166.7, pixel_width=6000, pixel_height=4000)
    photo = accept(file_of(scene(), exif), radiograph=False, today=TODAY)
    assert photo.optics.pixel_pitch_um is None and "resampled" in photo.flags


@pytest.mark.parametrize("noise", [0.0, 3.0])
@pytest.mark.parametrize("blur_px", [0.8, 1.0, 1.5, 2.0, 3.0])
def test_blur_of_an_analytic_edge(blur_px, noise):
    assert edge_blur_sigma_px(edge(blur_px, noise)) == pytest.approx(blur_px, rel=0.08)


def test_soft_and_sharp_are_told_apart():
    assert "soft" not in accept(file_of(edge(1.0, 2.0)), radiograph=False, today=TODAY).flags
    assert "soft" in accept(file_of(edge(4.0, 2.0)), radiograph=False, today=TODAY).flags
    assert "soft" in accept(file_of(np.full((100, 100, 3), 90, np.uint8)), radiograph=False, today=TODAY).flags


def test_exposure_and_colour_flags():
    def flags(pixels):
        return accept(file_of(pixels), radiograph=False, today=TODAY).flags

    bright = scene().copy()
    bright[:, :20] = 255
    assert "clipped" in flags(bright) and "clipped" not in flags(scene())
    assert "dark" in flags(scene() // 8) and "dark" not in flags(scene())
    assert "greyscale" in flags(np.repeat(scene()[:, :, :1], 3, axis=2)) and "greyscale" not in flags(scene())


def test_too_small_is_refused():
    with pytest.raises(ImageError, match="at least 64 px"):
        accept(file_of(scene(40, 120)), radiograph=False, today=TODAY)


def test_intake_of_a_large_photo_costs_little_beside_decoding(tmp_path):
    """A loose bound for a busy machine; the figure itself belongs to the benchmark."""
    picture = cv2.resize(scene(), (3000, 2000)) + np.random.default_rng(1).integers(0, 6, (2000, 3000, 3), dtype=np.uint8)
    Image.fromarray(picture).save(tmp_path / "a.jpg", quality=92)
    start = time.process_time()
    file = read_image(tmp_path / "a.jpg")
    read = time.process_time() - start
    start = time.process_time()
    accept(file, radiograph=False, today=TODAY)
    assert time.process_time() - start < read


def test_a_blurred_highlight_that_clips_is_not_taken_for_sharp():
    y, x = np.mgrid[:300, :400]
    glint = 4000 * np.exp(-((x - 250) ** 2 + (y - 150) ** 2) / (2 * 12.0**2))
    blurred = np.clip(edge(4.0).astype(float) + glint[:, :, None], 0, 255).astype(np.uint8)
    assert edge_blur_sigma_px(blurred) == pytest.approx(4.0, rel=0.15)
