"""Bad files: each gets one line with a hint, and nothing but an ImageError ever comes out."""

from __future__ import annotations

import io
import tracemalloc
import zlib

import numpy as np
import pytest
from files_made import dicom, jpeg_claiming, png_header, saved, scene
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from audit.errors import ImageError
from audit.imaging.codec import ImageFile, read_image


def _tiff_of(*pages: Image.Image) -> bytes:
    stream = io.BytesIO()
    pages[0].save(stream, "TIFF", save_all=True, append_images=list(pages[1:]))
    return stream.getvalue()


def _apng() -> bytes:
    stream = io.BytesIO()
    frames = [Image.fromarray(scene()), Image.fromarray(scene()[::-1].copy())]
    frames[0].save(stream, "PNG", save_all=True, append_images=frames[1:], duration=100)
    return stream.getvalue()


BAD = {
    "empty": (b"", "zero bytes"),
    "text": (b"<html>no image</html>", "got text"),
    "gif": (b"GIF89a" + b"\0" * 40, "got GIF"),
    "webp": (saved(scene(), "WEBP"), "got WebP"),
    "avif": (b"\0\0\0\x1cftypavif" + b"\0" * 60, "got a avif file"),
    "noise": (b"\x01\x02\x03" * 100, "something else"),
    "truncated jpeg": (saved(scene(), "JPEG")[:-300], "end is missing"),
    "jpeg without its last marker": (saved(scene(), "JPEG")[:-2], "end is missing"),
    "truncated png": (saved(scene(), "PNG")[:-30], "cut off or broken"),
    "png with a broken checksum": (saved(scene(), "PNG")[:-20] + b"\x55" * 8 + saved(scene(), "PNG")[-12:], "cut off"),
    "jpeg with a hole before its last marker": (saved(scene(), "JPEG")[:-300] + b"\xff\xd9", "premature end"),
    "truncated tiff": (saved(scene(), "TIFF")[:5000], "TIFF"),
    "truncated dicom": (dicom(np.zeros((70, 70), np.uint16))[:2000], "DICOM"),
    "1x1 jpeg": (saved(np.zeros((1, 1, 3), np.uint8), "JPEG"), "1 x 1 px"),
    "1x1 png": (saved(np.zeros((1, 1, 3), np.uint8), "PNG"), "1 x 1 px"),
    "cmyk jpeg": (saved(scene(), "JPEG", "CMYK"), "got CMYK"),
    "cmyk tiff": (saved(scene(), "TIFF", "CMYK"), "got CMYK"),
    "lab tiff": (saved(scene(), "TIFF", "LAB"), "got LAB"),
    "bilevel": (saved(scene(), "PNG", "1"), "8 or 16 bits"),
    "float tiff": (saved(scene()[:, :, 0].astype(np.float32), "TIFF"), "8 or 16 bits"),
    "animated png": (_apng(), "animated"),
    "tiff of two pages": (_tiff_of(Image.fromarray(scene()), Image.fromarray(scene())), "2 pages"),
    "300-megapixel png": (png_header(20000, 15000), "300 megapixels"),
    "300-megapixel jpeg": (jpeg_claiming(20000, 15000), "300 megapixels"),
    "300-megapixel dicom": (dicom(np.zeros((70, 70), np.uint16), Rows=15000, Columns=20000), "300 megapixels"),
    "jpeg that claims another size": (jpeg_claiming(640, 480), "JPEG"),
    "dicom of two frames": (dicom(np.zeros((140, 70), np.uint16), Rows=70, NumberOfFrames=2), "2 frames"),
    "dicom of signed values": (dicom(np.zeros((70, 70), np.uint16), PixelRepresentation=1), "signed"),
    "dicom palette": (dicom(np.zeros((70, 70), np.uint8), "PALETTE COLOR", 8), "PALETTE COLOR"),
    "dicom without pixels": (dicom(np.zeros((0, 0), np.uint16)), "0 x 0 px"),
}  # fmt: skip


@pytest.mark.parametrize("name", BAD)
def test_bad_file_is_refused_in_one_line_with_a_hint(tmp_path, name):
    data, said = BAD[name]
    path = tmp_path / "recall.jpg"
    path.write_bytes(data)
    with pytest.raises(ImageError) as caught:
        read_image(path)
    error = caught.value
    assert said in error.message
    assert "must" in error.message and "got" in error.message
    assert "\n" not in str(error) and str(tmp_path) not in str(error)
    assert error.message.startswith("recall.jpg: ") and len(error.hint) > 10


def test_missing_file_and_folder(tmp_path):
    for path in (tmp_path / "none.jpg", tmp_path):
        with pytest.raises(ImageError, match=r"must be readable.*Hint"):
            read_image(path)


def test_a_bomb_is_refused_before_it_is_decoded(tmp_path):
    """A well-formed PNG of 200 megapixels, 60 KB on disk, asks for 600 MB."""
    packer = zlib.compressobj(9)
    body = b"".join(packer.compress(b"\0" * 60001) for _ in range(1000)) + packer.flush()
    whole = png_header(20000, 10000)
    (tmp_path / "bomb.png").write_bytes(
        whole[:33] + len(body).to_bytes(4) + b"IDAT" + body + zlib.crc32(b"IDAT" + body).to_bytes(4) + whole[-12:]
    )
    tracemalloc.start()
    with pytest.raises(ImageError, match="200 megapixels"):
        read_image(tmp_path / "bomb.png")
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 20e6


def _seeds() -> dict[str, bytes]:
    small = scene(70, 80)
    exif = Image.Exif()
    exif[0x0112], exif[0x0132] = 6, "2024:03:18 10:00:00"
    return {
        "jpeg": saved(small, "JPEG", quality=60, exif=exif),
        "png": saved(small, "PNG", exif=exif),
        "tiff": saved(small, "TIFF", compression="tiff_lzw"),
        "deep tiff": saved((small[:, :, 0].astype(np.uint16) * 257), "TIFF"),
        "dicom": dicom(np.arange(70 * 80, dtype=np.uint16).reshape(70, 80) % 4096, PixelSpacing=[0.1, 0.1], AcquisitionDate="20240318"),
    }


SEEDS = _seeds()


@pytest.mark.parametrize("kind", SEEDS)
@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_mutated_bytes_give_an_image_or_an_image_error(tmp_path, kind, data):
    original = SEEDS[kind]
    mutated = bytearray(original)
    end = len(original) if data.draw(st.booleans()) else min(len(original), 700)  # headers are where parsers break
    for at, value in data.draw(st.lists(st.tuples(st.integers(0, end - 1), st.integers(0, 255)), min_size=1, max_size=8)):
        mutated[at] = value
    cut = data.draw(st.one_of(st.none(), st.integers(1, len(original))))
    path = tmp_path / "mutated"
    path.write_bytes(bytes(mutated[:cut]))
    try:
        file = read_image(path)
    except ImageError as error:
        assert error.hint and "\n" not in str(error)
    else:
        assert isinstance(file, ImageFile)
        assert file.pixels.dtype in (np.uint8, np.uint16) and file.pixels.ndim in (2, 3)
