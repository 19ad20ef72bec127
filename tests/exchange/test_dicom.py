"""The DICOM files are read back by other programs: attributes of the standard's tables, codes, and numbers to the last digit."""

from __future__ import annotations

import io

import highdicom
import numpy as np
import pydicom
import pytest
from highdicom.sr import srread
from seeded_cases import seeded_record

from audit.errors import ExchangeError
from audit.exchange.dicom_photo import PhotoFacts, photo_dicom, uid_of
from audit.exchange.dicom_sr import OWN_SCHEME, readings_sr

RECORD = seeded_record()
PHOTO = RECORD.visits[1].photos[0]
PIXELS = np.random.default_rng(4).integers(0, 255, (41, 53, 3), dtype=np.uint8)
FACTS = PhotoFacts(RECORD.restoration, "2019-06-11", "facial", PHOTO.sha256)

# type 1 and 2 attributes of the modules that PS3.3 A.32.4 makes mandatory: Patient, General Study, General Series, General Equipment,
# General Image, Image Pixel, Acquisition Context, VL Image, SOP Common (from memory)
WITH_VALUE = (
    "StudyInstanceUID", "Modality", "SeriesInstanceUID", "SamplesPerPixel", "PhotometricInterpretation", "Rows", "Columns",
    "BitsAllocated", "BitsStored", "HighBit", "PixelRepresentation", "PlanarConfiguration", "PixelData", "ImageType", "SOPClassUID",
    "SOPInstanceUID",
)  # fmt: skip
PRESENT = (
    "PatientName", "PatientID", "PatientBirthDate", "PatientSex", "StudyDate", "StudyTime", "ReferringPhysicianName", "StudyID",
    "AccessionNumber", "SeriesNumber", "Manufacturer", "InstanceNumber", "AcquisitionContextSequence",
)  # fmt: skip


@pytest.fixture(scope="module")
def image() -> bytes:
    return photo_dicom(PIXELS, FACTS)


@pytest.fixture(scope="module")
def report(image: bytes) -> highdicom.sr.Comprehensive3DSR:
    data = readings_sr(image, RECORD.restoration, PHOTO.readings, PHOTO.refusals)
    return srread(io.BytesIO(data))


def test_the_photograph_is_a_vl_photographic_image(image: bytes) -> None:
    read = pydicom.dcmread(io.BytesIO(image))
    assert read.SOPClassUID == "1.2.840.10008.5.1.4.1.1.77.1.4" and read.Modality == "XC"
    for keyword in WITH_VALUE:
        assert keyword in read and read[keyword].value not in (None, ""), keyword
    for keyword in PRESENT:
        assert keyword in read, keyword
    assert np.array_equal(read.pixel_array, PIXELS)
    assert "PixelSpacing" not in read  # no scale holds for a whole photograph
    # CID 4018, SNOMED CT: upper right first molar, ISO 3950 tooth 16
    (tooth,) = read.PrimaryAnatomicStructureSequence
    assert (tooth.CodeValue, tooth.CodingSchemeDesignator) == ("865995000", "SCT")


def test_the_report_points_to_the_image(image: bytes, report: highdicom.sr.Comprehensive3DSR) -> None:
    read = pydicom.dcmread(io.BytesIO(image))
    assert report.StudyInstanceUID == read.StudyInstanceUID and report.PatientID == RECORD.restoration.code
    (series,) = report.CurrentRequestedProcedureEvidenceSequence[0].ReferencedSeriesSequence
    assert series.ReferencedSOPSequence[0].ReferencedSOPInstanceUID == read.SOPInstanceUID
    assert report.content.get_image_measurement_groups()[0].finding_sites[0].value.value == "865995000"


def test_every_reading_is_a_group_with_its_numbers(report: highdicom.sr.Comprehensive3DSR) -> None:
    groups = report.content.get_image_measurement_groups()
    assert len(groups) == len(PHOTO.readings) + len(PHOTO.refusals)
    for group, reading in zip(groups, PHOTO.readings, strict=False):
        numbers = {m.name.value: (m.value, m.unit.value) for m in group.get_measurements()}
        assert numbers[f"{reading.measurand}:high"] == (pytest.approx(reading.interval95[1], rel=1e-9), reading.unit)
        assert (reading.measurand in numbers) == (reading.status == "measured")
        if reading.value is not None:
            assert numbers[reading.measurand][0] == pytest.approx(reading.value.value, rel=1e-9)
            assert numbers[f"{reading.measurand}:u"][0] == pytest.approx(reading.value.u, rel=1e-9)
        (status,) = group.get_qualitative_evaluations()
        assert (status.value.value, status.value.scheme_designator) == (reading.status, OWN_SCHEME)


def test_a_refusal_is_a_group_without_a_number(report: highdicom.sr.Comprehensive3DSR) -> None:
    last = report.content.get_image_measurement_groups()[-1]
    assert last.get_measurements() == [] and last.get_qualitative_evaluations()[0].value.meaning == "refused: ImageError"


def test_the_same_photo_is_the_same_instance(image: bytes) -> None:
    assert photo_dicom(PIXELS, FACTS) == image
    assert uid_of("a", "b") != uid_of("a", "c") and uid_of("a").is_valid and len(uid_of("a")) <= 64


def test_grey_and_deep_pictures_are_refused() -> None:
    with pytest.raises(ExchangeError, match="photograph must be 8-bit RGB"):
        photo_dicom(PIXELS[..., 0], FACTS)
