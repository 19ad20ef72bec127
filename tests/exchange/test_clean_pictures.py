"""A cleaned picture is read back byte by byte: nothing but pixels is left, and they lie upright."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pydicom
import pytest
from dicomanonymizer.dicomfields_selector import dicom_anonymization_database_selector as fields_of
from PIL import Image, PngImagePlugin
from pydicom.datadict import dictionary_VR, keyword_for_tag
from pydicom.dataset import Dataset
from pydicom.encaps import encapsulate
from pydicom.uid import UID
from seeded_cases import EVERYTHING, IDENTIFIERS, seeded_jpeg

from audit.api.clean import clean_picture
from audit.errors import ExchangeError
from audit.exchange.dicom_clean import clean_dicom, dicom_leftovers
from audit.exchange.leftovers import picture_leftovers
from audit.imaging.dicom_write import write_dicom

SECRET = b"k" * 32


def test_a_jpeg_leaves_with_its_pixels_alone_and_upright(tmp_path: Path) -> None:
    source = seeded_jpeg(tmp_path / "seeded.jpg")
    assert {line.split()[0] for line in picture_leftovers(source.read_bytes())} >= {"APP1", "comment"}
    clean = clean_picture(source)
    assert clean.suffix == ".jpg" and picture_leftovers(clean.content) == []
    assert not any(value.encode() in clean.content for value in IDENTIFIERS.values())
    image = Image.open(io.BytesIO(clean.content))
    assert not image.getexif() and set(image.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}
    # orientation 6: the picture is to be turned a quarter clockwise for showing, so the red corner comes to the top right
    assert image.size == (60, 90)
    pixels = np.asarray(image).astype(int)
    assert pixels[10, 50, 0] > 150 > pixels[10, 50, 2] and pixels[80, 10, 2] > 150 > pixels[80, 10, 0]


def test_a_png_loses_its_text(tmp_path: Path) -> None:
    text = PngImagePlugin.PngInfo()
    text.add_text("Author", EVERYTHING)
    text.add_itxt("Comment", EVERYTHING)
    pixels = np.random.default_rng(1).integers(0, 255, (70, 80, 3), dtype=np.uint8)
    Image.fromarray(pixels).save(tmp_path / "seeded.png", pnginfo=text, dpi=(300, 300))
    assert len(picture_leftovers((tmp_path / "seeded.png").read_bytes())) == 3
    clean = clean_picture(tmp_path / "seeded.png")
    assert picture_leftovers(clean.content) == []
    assert np.array_equal(np.asarray(Image.open(io.BytesIO(clean.content))), pixels)


@pytest.mark.parametrize("suffix", [".jpg", ".png"])
def test_bytes_behind_the_end_are_seen(tmp_path: Path, suffix: str) -> None:
    stream = io.BytesIO()
    Image.new("RGB", (70, 70)).save(stream, {".jpg": "JPEG", ".png": "PNG"}[suffix])
    assert picture_leftovers(stream.getvalue()) == []
    assert picture_leftovers(stream.getvalue() + b"x") == ["1 bytes after the end"]


def test_a_thumbnail_in_the_jfif_header_is_seen() -> None:
    stream = io.BytesIO()
    Image.new("RGB", (70, 70)).save(stream, "JPEG")
    data = stream.getvalue()
    assert data[6:10] == b"JFIF"
    with_thumbnail = data[:4] + (19).to_bytes(2, "big") + data[6:18] + b"\x01\x01" + b"\x07\x07\x07" + data[20:]
    assert picture_leftovers(with_thumbnail) == ["APP0 of 17 bytes"]


def test_smile_views_are_warned_of(tmp_path: Path) -> None:
    source = seeded_jpeg(tmp_path / "seeded.jpg")
    assert any("lips" in line for line in clean_picture(source, view="smile_front").warnings)
    assert not any("lips" in line for line in clean_picture(source, view="facial").warnings)


def seeded_dicom(tmp_path: Path) -> tuple[bytes, list[str]]:
    """A radiograph that has every attribute of PS3.15 Table E.1-1 that pydicom can write, all of them telling."""
    path = tmp_path / "seeded.dcm"
    grey = np.random.default_rng(2).integers(0, 65535, (80, 90), dtype=np.uint16)
    write_dicom(path, grey, {"ImagerPixelSpacing": (0.02, 0.02), "StudyDate": "20190506"})
    data = pydicom.dcmread(path)
    # the table as the library dicom-anonymizer (BSD-3) transcribes it from the standard
    tags = [
        tag
        for name, listed in fields_of("dicomfields_2024b").items()
        if name.endswith("TAGS")
        for tag in listed
        if len(tag) == 2 and tag[0] > 2
    ]
    seeded = [keyword for tag in tags if (keyword := keyword_for_tag(tag)) and _set(data, keyword)]
    data.add_new(0x00090010, "LO", "ZELTROP")
    data.add_new(0x00091001, "LO", EVERYTHING[:60])
    data.preamble = (IDENTIFIERS["A names"].encode() * 10)[:128]
    stream = io.BytesIO()
    data.save_as(stream)
    return stream.getvalue(), seeded


def _set(data: Dataset, keyword: str) -> bool:
    kind = dictionary_VR(keyword)
    text = dict.fromkeys(("ST", "LT", "UT"), EVERYTHING)
    words = {"PN": "Zeltrop^Quimby", "LO": "Snorfleburg", "SH": "Zeltrop", "CS": "ZELTROP", "UI": "1.2.40.0.13.1.7711"}
    times = {"DA": "20190506", "TM": "101112", "DT": "20190506101112", "AS": "093Y"}
    value: object = {**text, **words, **times}.get(kind)
    if keyword in ("SOPClassUID", "TransferSyntaxUID", "PixelData", "MediaStorageSOPClassUID") or keyword.startswith("FileMeta"):
        return False
    if kind == "SQ":
        item = Dataset()
        item.PatientName = "Zeltrop^Quimby"
        value = [item]
    if value is None:
        return False
    try:
        setattr(data, keyword, value)
    except (ValueError, TypeError):
        return False
    return True


def test_dicom_loses_every_attribute_of_the_basic_profile(tmp_path: Path) -> None:
    original, seeded = seeded_dicom(tmp_path)
    assert len(seeded) > 300
    assert len(dicom_leftovers(original)) > 200
    content = clean_dicom(original, "C-ABCDEFGHIJ", SECRET)
    assert dicom_leftovers(content, original) == []
    for word in (
        b"Zeltrop",
        b"ZELTROP",
        b"Quimby",
        b"Snorfleburg",
        b"20190506",
        b"093Y",
        b"0.13.1.7711",
        *(v.encode() for v in IDENTIFIERS.values()),
    ):
        assert word not in content
    made, before = pydicom.dcmread(io.BytesIO(content)), pydicom.dcmread(io.BytesIO(original))
    assert np.array_equal(made.pixel_array, before.pixel_array)
    assert list(made.ImagerPixelSpacing) == [0.02, 0.02] and made.Modality == "IO"
    # PS3.15 E.1.1: (0012,0062) and (0012,0064) say what was done; code 113100 of PS3.16 CID 7050
    assert made.PatientIdentityRemoved == "YES"
    assert [item.CodeValue for item in made.DeidentificationMethodCodeSequence] == ["113100"]
    assert "BurnedInAnnotation" in made  # the source said NO; it is not said of one that does not
    assert made.PatientID == "C-ABCDEFGHIJ" and UID(made.SOPInstanceUID).is_valid


def test_images_of_one_study_stay_one_study_and_no_key_is_no_way_back(tmp_path: Path) -> None:
    original, _ = seeded_dicom(tmp_path)
    one, same, other = (pydicom.dcmread(io.BytesIO(clean_dicom(original, "C-A", key))) for key in (SECRET, SECRET, b"x" * 32))
    assert one.StudyInstanceUID == same.StudyInstanceUID != other.StudyInstanceUID


def test_pixels_that_cannot_be_decoded_are_refused(tmp_path: Path) -> None:
    original, _ = seeded_dicom(tmp_path)
    data = pydicom.dcmread(io.BytesIO(original))
    data.file_meta.TransferSyntaxUID = UID("1.2.840.10008.1.2.4.100")  # MPEG2: no still picture
    data.PixelData = encapsulate([data.PixelData])
    data["PixelData"].is_undefined_length = True
    stream = io.BytesIO()
    data.save_as(stream)
    with pytest.raises(ExchangeError, match="DICOM pixels must be decodable"):
        clean_dicom(stream.getvalue(), "C-A", SECRET)
