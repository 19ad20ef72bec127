"""DICOM images: the stored values of one frame, and what the header says of the spacing.

Values are handed on as stored, spread evenly over the range of uint8 or uint16 (so that the top of the
range means the same in every format), and turned over for MONOCHROME1 so that more is brighter; rescale
and window are for looking and are never applied to what is measured.

References
----------
DICOM PS3.3 section 10.7 (Basic Pixel Spacing Calibration Macro): Pixel Spacing (0028,0030) is the
distance between row centres, then between column centres, in the patient; Imager Pixel Spacing
(0018,1164) is at the detector and is never adjusted for magnification.
"""

from __future__ import annotations

import io
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pydicom
from pydicom.dataset import Dataset
from pydicom.pixels.utils import pixel_array

from audit.errors import ImageError

__all__ = ["DicomFacts", "read_dicom"]

_GREY = ("MONOCHROME1", "MONOCHROME2")
_COLOUR = ("RGB", "YBR_FULL", "YBR_FULL_422", "YBR_RCT", "YBR_ICT")
_DEFLATED = b"1.2.840.10008.1.2.1.99"
_EXPORT = "Export the image again from the imaging software, as uncompressed DICOM or as PNG."


@dataclass(frozen=True)
class DicomFacts:
    """What a DICOM header says that measuring needs; ``None`` where absent or unreadable.

    Parameters
    ----------
    modality : str or None
        ``IO`` intra-oral radiograph, ``XC`` photograph, ...
    pixel_spacing_mm, imager_pixel_spacing_mm : tuple of float or None
        (between rows, between columns): vertical first, mm, as PS3.3 10.7 orders them.
    calibration_type, calibration_description : str or None
        ``GEOMETRY`` or ``FIDUCIAL``, and free text.
    magnification : float or None
        Estimated Radiographic Magnification Factor.
    photometric : str
    captured_on : str or None
        ISO 8601 date of acquisition, else of content, else of the study.
    sop_class : str or None
        UID.
    """

    modality: str | None
    pixel_spacing_mm: tuple[float, float] | None
    imager_pixel_spacing_mm: tuple[float, float] | None
    calibration_type: str | None
    calibration_description: str | None
    magnification: float | None
    photometric: str
    captured_on: str | None
    sop_class: str | None


def read_dicom(data: bytes, check_size: Callable[[int, int], None]) -> tuple[np.ndarray, int, DicomFacts]:
    """Spread values, bits stored and header facts of a single-frame DICOM image.

    Parameters
    ----------
    data : bytes
        The whole file.
    check_size : callable
        Called with (width, height) from the header before any pixel is decoded; raises to refuse.

    Raises
    ------
    ImageError
        Several frames, a photometric interpretation or depth that is not handled, or no readable pixel data.
    """
    if _DEFLATED in data[:4096]:  # would be inflated whole before its header can be judged
        raise ImageError("DICOM file must not be deflated; got the deflated transfer syntax.", _EXPORT)
    dataset = pydicom.dcmread(io.BytesIO(data))
    rows, columns = int(dataset.get("Rows", 0) or 0), int(dataset.get("Columns", 0) or 0)
    photometric = str(dataset.get("PhotometricInterpretation", "nothing"))
    stored = int(dataset.get("BitsStored", 0) or 0)
    check_size(columns, rows)
    _check_kind(dataset, photometric, stored)
    pixels = np.asarray(pixel_array(dataset))  # YBR is turned into RGB
    if pixels.shape[:2] != (rows, columns):
        raise ImageError(f"pixel data must have {rows} rows of {columns} columns; got shape {pixels.shape}.", _EXPORT)
    if photometric in _GREY:
        pixels = _grey(pixels, stored, photometric == "MONOCHROME1")
    elif pixels.ndim != 3 or pixels.dtype != np.uint8:
        raise ImageError(f"colour DICOM must be 8 bits a channel; got {pixels.dtype} of shape {pixels.shape}.", _EXPORT)
    return pixels, stored, _facts(dataset, photometric)


def _check_kind(dataset: Dataset, photometric: str, stored: int) -> None:
    frames = int(dataset.get("NumberOfFrames", 1) or 1)
    if frames > 1:
        raise ImageError(
            f"image must be a single picture; got a DICOM file of {frames} frames.", "Export the one frame that is to be measured."
        )
    if photometric not in _GREY + _COLOUR:
        raise ImageError(f"PhotometricInterpretation must be one of {', '.join(_GREY + _COLOUR)}; got {photometric}.", _EXPORT)
    if not 8 <= stored <= 16:
        raise ImageError(f"BitsStored must be 8 to 16; got {stored}.", _EXPORT)
    if int(dataset.get("PixelRepresentation", 0) or 0) != 0:
        raise ImageError("PixelRepresentation must be 0 (unsigned); got signed values.", _EXPORT)


def _grey(pixels: np.ndarray, stored: int, inverted: bool) -> np.ndarray:
    """Stored values as uint8 or uint16 over the whole range of the type, dark is low."""
    top = (1 << stored) - 1
    values = pixels.astype(np.uint32) & top
    values = top - values if inverted else values
    kind = np.uint8 if stored == 8 else np.uint16
    full = int(np.iinfo(kind).max)
    return np.asarray(((values * full + top // 2) // top).astype(kind))


def _facts(dataset: Dataset, photometric: str) -> DicomFacts:
    return DicomFacts(
        modality=_text(dataset, "Modality"),
        pixel_spacing_mm=_pair(dataset, "PixelSpacing"),
        imager_pixel_spacing_mm=_pair(dataset, "ImagerPixelSpacing"),
        calibration_type=_text(dataset, "PixelSpacingCalibrationType"),
        calibration_description=_text(dataset, "PixelSpacingCalibrationDescription"),
        magnification=_positive(_value(dataset, "EstimatedRadiographicMagnificationFactor")),
        photometric=photometric,
        captured_on=_date(dataset),
        sop_class=_text(dataset, "SOPClassUID"),
    )


def _value(dataset: Dataset, keyword: str) -> Any:
    """Value of a header element, ``None`` where it is absent or cannot be converted."""
    try:
        return dataset.get(keyword)
    except Exception:  # pydicom converts on access and raises whatever the broken value provokes
        return None


def _text(dataset: Dataset, keyword: str) -> str | None:
    value = _value(dataset, keyword)
    return None if value is None else str(value).strip() or None


def _positive(value: Any) -> float | None:
    try:
        number = float(value)
    except (TypeError, ValueError, OverflowError):
        return None
    return number if math.isfinite(number) and number > 0 else None


def _pair(dataset: Dataset, keyword: str) -> tuple[float, float] | None:
    value = _value(dataset, keyword)
    try:
        between_rows, between_columns = value
    except (TypeError, ValueError):
        return None
    first, second = _positive(between_rows), _positive(between_columns)
    return None if first is None or second is None else (first, second)


def _date(dataset: Dataset) -> str | None:
    for keyword in ("AcquisitionDateTime", "AcquisitionDate", "ContentDate", "StudyDate"):
        digits = (_text(dataset, keyword) or "")[:8]
        if len(digits) == 8 and digits.isdigit() and digits.isascii():
            return f"{digits[:4]}-{digits[4:6]}-{digits[6:]}"
    return None
