"""A DICOM image without anything that points to a person: only what is listed here is carried over, all else stays behind.

Notes
-----
The Basic Application Level Confidentiality Profile of PS3.15 (Annex E) says attribute by attribute what must go; a list of what may stay
holds it for every attribute, private and future ones included. No option of the profile is taken: no dates, no patient characteristics,
no device, no descriptions are kept. Pixels are carried over as values (never as the compressed stream, which may hold text of its own);
words burned into them are not looked for, so that the picture must be looked at.

References
----------
DICOM PS3.15 Annex E, PS3.16 CID 7050 (code 113100), PS3.3 C.7 and C.8.11.
"""

from __future__ import annotations

import hmac
import io
from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

import pydicom
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.uid import UID, ExplicitVRLittleEndian

from audit.errors import ExchangeError

__all__ = ["clean_dicom", "dicom_leftovers"]

# numbers that say how to read, size and show the pixels
_NUMBERS = (
    "SamplesPerPixel", "PlanarConfiguration", "Rows", "Columns", "BitsAllocated", "BitsStored", "HighBit", "PixelRepresentation",
    "PixelSpacing", "ImagerPixelSpacing", "NominalScannedPixelSpacing", "PixelAspectRatio", "EstimatedRadiographicMagnificationFactor",
    "DistanceSourceToDetector", "DistanceSourceToPatient", "RescaleIntercept", "RescaleSlope", "WindowCenter", "WindowWidth",
    "PixelIntensityRelationshipSign",
)  # fmt: skip
# words with all that they may be
_WORDS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "Modality": ("IO", "DX", "PX", "XC", "CR", "RG", "OT"),
        "PhotometricInterpretation": ("MONOCHROME1", "MONOCHROME2", "RGB", "YBR_FULL"),
        "PixelSpacingCalibrationType": ("GEOMETRY", "FIDUCIAL"),
        "PixelIntensityRelationship": ("LIN", "LOG", "DISP"),
        "PresentationLUTShape": ("IDENTITY", "INVERSE"),
        "PresentationIntentType": ("FOR PRESENTATION", "FOR PROCESSING"),
        "LossyImageCompression": ("00", "01"),
        "PositionerType": ("NONE", "CEPHALOSTAT", "RIGID"),
        "ImageLaterality": ("R", "L", "B", "U"),
        "RescaleType": ("US", "OD", "HU"),
    }
)
_EMPTY = (
    "PatientName", "PatientBirthDate", "PatientSex", "StudyDate", "StudyTime", "ReferringPhysicianName", "StudyID", "AccessionNumber",
    "Manufacturer", "PatientOrientation", "SeriesNumber", "InstanceNumber", "ContentDate", "ContentTime",
)  # fmt: skip
_NEW_UIDS = ("StudyInstanceUID", "SeriesInstanceUID", "SOPInstanceUID")
_SAID = (
    "PatientIdentityRemoved",
    "DeidentificationMethod",
    "DeidentificationMethodCodeSequence",
    "BurnedInAnnotation",
    "ImageType",
    "PatientID",
)
_METHOD = "PS3.15 Basic Profile, by a list of what may stay; no option"
_META = {"FileMetaInformationGroupLength", "FileMetaInformationVersion", "MediaStorageSOPClassUID", "MediaStorageSOPInstanceUID",
         "TransferSyntaxUID", "ImplementationClassUID", "ImplementationVersionName"}  # fmt: skip


def clean_dicom(data: bytes, code: str, secret: bytes) -> bytes:
    """A new file of the same picture.

    Parameters
    ----------
    data : bytes
        A single-frame DICOM image.
    code : str
        Pseudonym that stands as Patient ID.
    secret : bytes
        Key that new UIDs are derived with: the same study stays one study, and nobody without the key finds the old UID.

    Raises
    ------
    ExchangeError
        The pixels cannot be decoded, or something is left in the result.
    """
    source = pydicom.dcmread(io.BytesIO(data))
    try:
        if source.file_meta.TransferSyntaxUID.is_compressed:
            source.decompress(generate_instance_uid=False)
    except Exception as error:  # decoders raise whatever the stream provokes
        raise ExchangeError(f"DICOM pixels must be decodable; got {error}.", "Export the image as uncompressed DICOM.") from error
    made = _carried(source)
    for keyword in _EMPTY:
        setattr(made, keyword, "")
    for keyword in _NEW_UIDS:
        setattr(made, keyword, _uid(str(source.get(keyword, "")) or keyword, secret))
    made.SOPClassUID, made.PatientID = source.SOPClassUID, code
    made.ImageType = ["DERIVED", "PRIMARY"]
    made.PatientIdentityRemoved, made.DeidentificationMethod = "YES", _METHOD
    made.DeidentificationMethodCodeSequence = [_code("113100", "DCM", "Basic Application Confidentiality Profile")]
    if source.get("BurnedInAnnotation") == "NO":
        made.BurnedInAnnotation = "NO"
    stream = io.BytesIO()
    made.save_as(stream, enforce_file_format=True)
    if left := dicom_leftovers(stream.getvalue(), data):
        raise ExchangeError(f"cleaned DICOM must hold nothing but the picture; got {left[0]}.", "Send the picture as PNG instead.")
    return stream.getvalue()


def _carried(source: Dataset) -> FileDataset:
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID, meta.TransferSyntaxUID = source.SOPClassUID, ExplicitVRLittleEndian
    made = FileDataset("", {}, file_meta=meta, preamble=b"\0" * 128)
    for keyword in _NUMBERS:
        if source.get(keyword) not in (None, ""):
            setattr(made, keyword, source[keyword].value)
    for keyword, allowed in _WORDS.items():
        if source.get(keyword) in allowed:
            setattr(made, keyword, source[keyword].value)
    made.add_new("PixelData", source["PixelData"].VR, source.PixelData)
    return made


def _uid(old: str, secret: bytes) -> UID:
    """A UID of the form 2.25 (PS3.5 B.2) that only the holder of the key can derive from the old one."""
    return UID(f"2.25.{int.from_bytes(hmac.digest(secret, b'uid/' + old.encode(), 'sha256')[:15])}")


def _code(value: str, scheme: str, meaning: str) -> Dataset:
    item = Dataset()
    item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = value, scheme, meaning
    return item


def dicom_leftovers(data: bytes, original: bytes | None = None) -> list[str]:
    """Everything in a DICOM file that may not be there, one line each.

    Parameters
    ----------
    data : bytes
    original : bytes, optional
        The file it was made from: none of its UIDs may be left, but that of the kind of image.
    """
    made = pydicom.dcmread(io.BytesIO(data))
    allowed = {*_NUMBERS, *_WORDS, *_EMPTY, *_NEW_UIDS, *_SAID, "SOPClassUID", "PixelData"}
    found = [f"element {element.tag} {element.keyword or '(private)'}" for element in made if element.keyword not in allowed]
    found += [f"{keyword} with a value" for keyword in _EMPTY if str(made.get(keyword, "") or "")]
    found += [f"{keyword} {made.get(keyword)!r}" for keyword, words in _WORDS.items() if keyword in made and made.get(keyword) not in words]
    found += [f"file meta {element.keyword}" for element in made.file_meta if element.keyword not in _META]
    found += ["a preamble with content"] if made.preamble and made.preamble.strip(b"\0") else []
    if original is not None:
        before = _uids(pydicom.dcmread(io.BytesIO(original)))
        found += [f"the original {keyword}" for keyword in _NEW_UIDS if str(made.get(keyword)) in before]
    return found


def _uids(source: Dataset) -> set[str]:
    values: list[Any] = [element.value for element in source.iterall() if element.VR == "UI"]
    return {str(value) for value in values} - {str(source.get("SOPClassUID"))}
