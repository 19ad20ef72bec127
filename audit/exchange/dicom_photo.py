"""A photograph as DICOM VL Photographic Image, with the tooth and the view in codes.

Notes
-----
No Pixel Spacing is written: a photograph has its scale in one plane only, and the readings with their uncertainty stand in the
structured report (`audit.exchange.dicom_sr`).

References
----------
DICOM PS3.3 A.32.4 (VL Photographic Image), C.8.12.1 (VL Image), C.7.6.3 (Image Pixel); PS3.16 CID 4018 (permanent teeth).
"""

from __future__ import annotations

import io
import uuid
from dataclasses import dataclass

import numpy as np
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.uid import UID, ExplicitVRLittleEndian, VLPhotographicImageStorage

from audit import __version__
from audit.core.clinical import Restoration
from audit.errors import ExchangeError

__all__ = ["PhotoFacts", "coded", "photo_dicom", "uid_of"]

_NAMES = uuid.uuid5(uuid.NAMESPACE_URL, "urn:restoration-audit")
_TEETH = ("38199008", "Tooth structure")  # SNOMED CT


@dataclass(frozen=True)
class PhotoFacts:
    """What a photograph is of: restoration, visit date (ISO 8601), view, and the hash of its file."""

    restoration: Restoration
    on: str
    view: str
    sha256: str


def photo_dicom(pixels: np.ndarray, facts: PhotoFacts) -> bytes:
    """A DICOM file of a photograph; its identities are derived from the restoration, the visit and the hash.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (height, width, 3)
        RGB, upright.
    facts : PhotoFacts
    """
    if pixels.dtype != np.uint8 or pixels.ndim != 3 or pixels.shape[2] != 3:
        raise ExchangeError(
            f"photograph must be 8-bit RGB; got {pixels.dtype} of shape {pixels.shape}.", "Radiographs stay DICOM as they are."
        )
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID, meta.TransferSyntaxUID = VLPhotographicImageStorage, ExplicitVRLittleEndian
    made = FileDataset("", {}, file_meta=meta, preamble=b"\0" * 128)
    made.SOPClassUID, made.SOPInstanceUID = VLPhotographicImageStorage, uid_of("image", facts.sha256, facts.restoration.code, facts.on)
    _whose(made, facts)
    made.Modality, made.SeriesNumber, made.InstanceNumber = "XC", "1", "1"
    made.SeriesInstanceUID = uid_of("photos", facts.restoration.code, facts.on)
    made.ImageType, made.LossyImageCompression = ["DERIVED", "PRIMARY"], "01"
    made.PatientOrientation, made.AcquisitionContextSequence = "", []
    made.ImageComments = f"view: {facts.view}"
    made.AnatomicRegionSequence = [coded(*_TEETH)]
    made.PrimaryAnatomicStructureSequence = [coded(facts.restoration.tooth.snomed_ct, facts.restoration.tooth.name)]
    made.SamplesPerPixel, made.PhotometricInterpretation, made.PlanarConfiguration = 3, "RGB", 0
    made.Rows, made.Columns = pixels.shape[:2]
    made.BitsAllocated, made.BitsStored, made.HighBit, made.PixelRepresentation = 8, 8, 7, 0
    content = np.ascontiguousarray(pixels).tobytes()
    made.PixelData = content + b"\0" * (len(content) % 2)
    stream = io.BytesIO()
    made.save_as(stream, enforce_file_format=True)
    return stream.getvalue()


def _whose(made: Dataset, facts: PhotoFacts) -> None:
    """Patient by case code alone, and the study of that visit."""
    day = facts.on.replace("-", "")
    made.PatientName, made.PatientID, made.PatientBirthDate, made.PatientSex = "", facts.restoration.code, "", ""
    made.StudyInstanceUID = uid_of("study", facts.restoration.code, facts.on)
    made.StudyDate, made.StudyTime, made.StudyID, made.AccessionNumber, made.ReferringPhysicianName = day, "", "", "", ""
    made.ContentDate, made.ContentTime = day, "000000"
    made.Manufacturer, made.SoftwareVersions = "restoration-audit", __version__


def uid_of(*parts: str) -> UID:
    """The UID of something named, of the form 2.25 (PS3.5 B.2); the same name gives the same UID."""
    return UID(f"2.25.{uuid.uuid5(_NAMES, '/'.join(parts)).int}")


def coded(value: str, meaning: str, scheme: str = "SCT") -> Dataset:
    """One item of a code sequence."""
    item = Dataset()
    item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = value, scheme, meaning
    return item
