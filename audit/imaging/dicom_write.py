"""Writes a grey radiograph as a 12-bit DICOM intra-oral image without anything that points to a person.

References
----------
DICOM PS3.3 A.26 (Digital X-Ray and Intra-Oral X-Ray), C.8.11.9 (Intra-Oral), 10.7 (pixel spacing); PS3.5; PS3.15 E.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from pydicom.dataset import FileDataset, FileMetaDataset
from pydicom.uid import UID, DigitalIntraOralXRayImageStorageForPresentation, ExplicitVRLittleEndian

__all__ = ["write_dicom"]

BITS = 12
DEFAULT_TAGS: Mapping[str, Any] = {"PhotometricInterpretation": "MONOCHROME2", "StudyDate": "20200102"}


def write_dicom(path: str | Path, grey: np.ndarray, tags: Mapping[str, Any]) -> None:
    """Write grey values as Digital Intra-Oral X-Ray Image - For Presentation.

    Parameters
    ----------
    path : path
    grey : ndarray of uint16, shape (height, width)
        Whole range, radiopaque = bright; kept to 12 bits.
    tags : mapping
        By DICOM keyword: ``ImagerPixelSpacing`` (row, column; mm), ``StudyDate`` (YYYYMMDD), optionally
        ``PixelSpacing`` with ``PixelSpacingCalibrationType``, ``EstimatedRadiographicMagnificationFactor``,
        ``PhotometricInterpretation`` (``MONOCHROME1``: stored values fall with radiopacity).

    Notes
    -----
    Identifiers are derived from the pixels, so the same picture gives the same file.
    """
    tags = {**DEFAULT_TAGS, **tags}
    stored = (grey >> (16 - BITS)).astype(np.uint16)
    if tags["PhotometricInterpretation"] == "MONOCHROME1":
        stored = np.asarray((2**BITS - 1) - stored, dtype=np.uint16)
    root = str(int(hashlib.sha256(stored.tobytes()).hexdigest()[:24], 16))
    data = _identity(path, root, str(tags["StudyDate"]))
    _image_pixels(data, stored)
    for keyword, value in tags.items():
        setattr(data, keyword, list(value) if isinstance(value, tuple) else value)
    # IDENTITY: values are ready for display; INVERSE where low values are radiopaque
    data.PresentationLUTShape = "INVERSE" if data.PhotometricInterpretation == "MONOCHROME1" else "IDENTITY"
    data.save_as(Path(path), enforce_file_format=True)


def _identity(path: str | Path, root: str, date: str) -> FileDataset:
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = DigitalIntraOralXRayImageStorageForPresentation
    meta.MediaStorageSOPInstanceUID = UID(f"2.25.{root}3")
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    data = FileDataset(str(path), {}, file_meta=meta, preamble=b"\0" * 128)
    data.SOPClassUID, data.SOPInstanceUID = meta.MediaStorageSOPClassUID, meta.MediaStorageSOPInstanceUID
    data.StudyInstanceUID, data.SeriesInstanceUID = f"2.25.{root}1", f"2.25.{root}2"
    data.Modality, data.PresentationIntentType = "IO", "FOR PRESENTATION"
    data.PatientName, data.PatientID, data.PatientBirthDate, data.PatientSex = "", "INVENTED", "", ""
    data.StudyDate, data.SeriesDate, data.AcquisitionDate, data.StudyTime, data.ContentDate = date, date, date, "", date
    data.AccessionNumber, data.ReferringPhysicianName, data.StudyID, data.Manufacturer = "", "", "", "synthetic scene"
    data.SeriesNumber, data.InstanceNumber, data.PatientOrientation = "1", "1", ""
    data.PatientIdentityRemoved, data.DeidentificationMethod, data.BurnedInAnnotation = "YES", "never identified: drawn", "NO"
    data.PositionerType, data.ImageType = "NONE", ["ORIGINAL", "PRIMARY", ""]
    return data


def _image_pixels(data: FileDataset, stored: np.ndarray) -> None:
    data.Rows, data.Columns = stored.shape
    data.SamplesPerPixel, data.PixelRepresentation = 1, 0
    data.BitsAllocated, data.BitsStored, data.HighBit = 16, BITS, BITS - 1
    data.PixelIntensityRelationship, data.PixelIntensityRelationshipSign = "LOG", 1
    data.RescaleIntercept, data.RescaleSlope, data.RescaleType = "0", "1", "US"
    data.LossyImageCompression = "00"
    data.WindowCenter, data.WindowWidth = str(2 ** (BITS - 1)), str(2**BITS)
    data.PixelData = stored.tobytes()
