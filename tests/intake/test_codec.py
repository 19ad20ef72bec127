"""Good files of every format: pixels, orientation, colour, depth, header facts."""

from __future__ import annotations

import hashlib
import io

import cv2
import numpy as np
import pillow_heif
import pytest
import tifffile
from files_made import dicom, saved, scene
from PIL import Image, ImageCms, ImageOps

from audit.imaging.codec import read_image


def test_the_content_decides_and_the_suffix_is_flagged(tmp_path):
    path = tmp_path / "photo.jpg"
    path.write_bytes(saved(scene(), "PNG"))
    file = read_image(path)
    assert (file.format, file.flags) == ("PNG", ("mislabelled",))
    assert np.array_equal(file.pixels, scene())


def test_hash_is_of_the_bytes_and_pixels_are_read_only(tmp_path):
    data = saved(scene(), "JPEG", quality=95)
    (tmp_path / "a.jpeg").write_bytes(data)
    file = read_image(tmp_path / "a.jpeg")
    assert file.sha256 == hashlib.sha256(data).hexdigest()
    assert file.flags == ()
    with pytest.raises(ValueError, match="read-only"):
        file.pixels[0, 0] = 0


def test_jpeg_pixels_agree_with_pillow(tmp_path):
    """Second implementation: Pillow's libjpeg; decoders may round chroma differently by a few levels."""
    data = saved(scene(), "JPEG", quality=95, subsampling=0)
    (tmp_path / "a.jpg").write_bytes(data)
    other = np.asarray(Image.open(io.BytesIO(data))).astype(int)
    assert np.abs(read_image(tmp_path / "a.jpg").pixels.astype(int) - other).max() <= 3


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF"])
def test_all_orientations_as_pillow_turns_them(tmp_path, orientation, kind):
    """Reference: Pillow's ImageOps.exif_transpose (Exif 2.32, tag 0x0112)."""
    exif = Image.Exif()
    exif[0x0112] = orientation
    data = saved(scene(), kind, exif=exif)
    (tmp_path / f"a.{kind.lower()}").write_bytes(data)
    expected = np.asarray(ImageOps.exif_transpose(Image.open(io.BytesIO(data)))).astype(int)
    pixels = read_image(tmp_path / f"a.{kind.lower()}").pixels
    assert pixels.shape == expected.shape
    assert np.abs(pixels.astype(int) - expected).max() <= 3
    corner = {1: (0, 0), 2: (0, -1), 3: (-1, -1), 4: (-1, 0), 5: (0, 0), 6: (0, -1), 7: (-1, -1), 8: (-1, 0)}[orientation]
    assert pixels[corner][0] > 200, "the red corner, by the table of the Exif standard"


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("colour", [True, False])
def test_all_orientations_of_a_16_bit_tiff(tmp_path, orientation, colour):
    deep = scene().astype(np.uint16) * 257
    deep = deep if colour else np.ascontiguousarray(deep[:, :, 0])
    tags = [(274, "H", 1, orientation, True)]
    tifffile.imwrite(tmp_path / "a.tif", deep, photometric="rgb" if colour else "minisblack", extratags=tags)
    pixels = read_image(tmp_path / "a.tif").pixels
    turned = deep.swapaxes(0, 1) if orientation >= 5 else deep
    rows, columns = {1: (1, 1), 2: (1, -1), 3: (-1, -1), 4: (-1, 1), 5: (1, 1), 6: (1, -1), 7: (-1, -1), 8: (-1, 1)}[orientation]
    assert np.array_equal(pixels, turned[::rows, ::columns]), "the table of TIFF 6.0, tag Orientation"


def test_16_bit_colour_stays_16_bit_in_png_and_tiff(tmp_path):
    deep = scene().astype(np.uint16) * 257 + 3
    for suffix in (".png", ".tif"):
        cv2.imwrite(str(tmp_path / f"a{suffix}"), deep[:, :, ::-1])
        file = read_image(tmp_path / f"a{suffix}")
        assert (file.bits, file.pixels.dtype) == (16, np.uint16)
        assert np.array_equal(file.pixels, deep)


def test_16_bit_grey_png(tmp_path):
    deep = (np.arange(90 * 120).reshape(90, 120) * 6).astype(np.uint16)
    (tmp_path / "a.png").write_bytes(saved(deep, "PNG"))
    file = read_image(tmp_path / "a.png")
    assert (file.bits, file.pixels.ndim) == (16, 2)
    assert np.array_equal(file.pixels, deep)


@pytest.mark.parametrize(("mode", "flag"), [("P", "palette"), ("RGBA", "alpha_dropped"), ("LA", "alpha_dropped")])
def test_palette_and_alpha_are_converted_with_a_flag(tmp_path, mode, flag):
    (tmp_path / "a.png").write_bytes(saved(scene(), "PNG", mode))
    file = read_image(tmp_path / "a.png")
    assert flag in file.flags
    expected = np.asarray(Image.fromarray(scene()).convert(mode).convert("L" if mode == "LA" else "RGB"))
    assert np.array_equal(file.pixels, expected)


def test_alpha_does_not_darken_what_it_hides(tmp_path):
    hidden = np.dstack([scene(), np.zeros(scene().shape[:2], np.uint8)])
    (tmp_path / "a.png").write_bytes(saved(hidden, "PNG"))
    assert np.array_equal(read_image(tmp_path / "a.png").pixels, scene())


def test_a_wide_gamut_profile_is_converted_and_srgb_is_left_alone(tmp_path):
    """Outside check: an sRGB profile whose red and green primaries are exchanged must exchange the channels."""
    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    (tmp_path / "a.png").write_bytes(saved(scene(), "PNG", icc_profile=srgb))
    assert read_image(tmp_path / "a.png").flags == ()
    swapped = _profile_with_red_and_green_swapped(srgb)
    (tmp_path / "b.png").write_bytes(saved(scene(), "PNG", icc_profile=swapped))
    file = read_image(tmp_path / "b.png")
    assert file.flags == ("converted_to_srgb",)
    assert np.abs(file.pixels.astype(int) - scene()[:, :, [1, 0, 2]]).max() <= 2, "a profile with swapped primaries swaps the channels back"


def _profile_with_red_and_green_swapped(profile: bytes) -> bytes:
    """The same ICC profile with the rXYZ and gXYZ tags' names exchanged (ICC.1, tag table at byte 128)."""
    return profile.replace(b"rXYZ", b"????", 1).replace(b"gXYZ", b"rXYZ", 1).replace(b"????", b"gXYZ", 1)


def test_unreadable_profile_is_flagged(tmp_path):
    (tmp_path / "a.jpg").write_bytes(saved(scene(), "JPEG", icc_profile=b"not a profile"))
    assert read_image(tmp_path / "a.jpg").flags == ("profile_not_applied",)


def test_heic(tmp_path):
    pillow_heif.from_pillow(Image.fromarray(scene())).save(tmp_path / "a.heic", quality=95)
    file = read_image(tmp_path / "a.heic")
    assert (file.format, file.pixels.shape) == ("HEIC", scene().shape)
    assert np.abs(file.pixels.astype(int) - scene()).mean() < 6


def spread(stored: np.ndarray) -> np.ndarray:
    """12-bit values over 16 bits: 4095 is 65535, 0 is 0, evenly."""
    return np.rint(stored * (65535 / 4095)).astype(np.uint16)


def test_dicom_spacing_is_rows_first(tmp_path):
    """DICOM PS3.3 10.7.1.3: the first value is the distance between rows (vertical), e.g. 0.30\\0.25."""
    pixels = np.arange(80 * 100, dtype=np.uint16).reshape(80, 100) % 4096
    data = dicom(pixels, PixelSpacing=[0.30, 0.25], ImagerPixelSpacing=[0.33, 0.275], PixelSpacingCalibrationType="FIDUCIAL",
                 PixelSpacingCalibrationDescription="ball 5 mm", EstimatedRadiographicMagnificationFactor=1.1,
                 AcquisitionDate="20240318")  # fmt: skip
    (tmp_path / "a.dcm").write_bytes(data)
    file = read_image(tmp_path / "a.dcm")
    facts = file.dicom
    assert facts.pixel_spacing_mm == (0.30, 0.25)
    assert facts.imager_pixel_spacing_mm == (0.33, 0.275)
    assert (facts.calibration_type, facts.magnification, facts.captured_on, facts.modality) == ("FIDUCIAL", 1.1, "2024-03-18", "IO")
    assert np.array_equal(file.pixels, spread(pixels))
    assert file.bits == 12


def test_monochrome1_is_turned_over(tmp_path):
    """PS3.3 C.7.6.3.1.2: in MONOCHROME1 the lowest value is white."""
    pixels = (np.arange(80 * 100, dtype=np.uint16).reshape(80, 100)) % 4096
    (tmp_path / "a.dcm").write_bytes(dicom(pixels, "MONOCHROME1"))
    assert np.array_equal(read_image(tmp_path / "a.dcm").pixels, spread(4095 - pixels))


def test_rescale_and_window_do_not_touch_what_is_measured(tmp_path):
    pixels = np.full((70, 70), 900, np.uint16)
    (tmp_path / "a.dcm").write_bytes(dicom(pixels, RescaleSlope=2, RescaleIntercept=-100, WindowCenter=500, WindowWidth=100))
    assert np.array_equal(read_image(tmp_path / "a.dcm").pixels, spread(pixels))


def test_broken_spacing_is_no_spacing(tmp_path):
    for number, spacing in enumerate(([0.0, 0.1], [-0.1, 0.1], [0.1])):
        path = tmp_path / f"{number}.dcm"
        path.write_bytes(dicom(np.zeros((70, 70), np.uint16), PixelSpacing=spacing))
        assert read_image(path).dicom.pixel_spacing_mm is None


def test_8_bit_dicom_is_8_bit(tmp_path):
    pixels = (np.arange(80 * 100) % 256).reshape(80, 100).astype(np.uint16)
    (tmp_path / "a.dcm").write_bytes(dicom(pixels, bits=8))
    file = read_image(tmp_path / "a.dcm")
    assert file.pixels.dtype == np.uint8 and np.array_equal(file.pixels, pixels)
