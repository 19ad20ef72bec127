"""The spacing that a DICOM header states, with the status that the standard gives it.

References
----------
DICOM PS3.3, 10.7 (Basic Pixel Spacing Calibration Macro) and 10.7.1.3: the first value is the spacing between
rows (vertical), the second between columns. Pixel Spacing is in the patient; Imager Pixel Spacing is at the
detector and is never adjusted. Where they differ, or a calibration type is given, Pixel Spacing was corrected or
calibrated; where they are equal, nothing was; where neither type nor Imager Pixel Spacing is there, nobody can tell.
"""

from __future__ import annotations

import math

from audit.core.quantity import Quantity, source
from audit.core.records import Calibration, Photo
from audit.errors import Refused
from audit.imaging.dicom import DicomFacts

__all__ = ["read_spacing"]

MAGNIFICATION = (1.03, 1.10)
"""Magnification of a bitewing by the paralleling technique, lowest and highest; common practice, no published source."""
_CALIBRATED_U = 0.01  # relative, of a spacing that was calibrated; common practice, no published source
_METHOD = "dicom_spacing@1"


def read_spacing(photo: Photo, facts: DicomFacts) -> Calibration:
    """Millimetres per pixel at the tooth from a DICOM header.

    Raises
    ------
    Refused
        ``no_reference`` without any spacing, ``spacing_status_unknown`` where nobody can tell whether it was corrected,
        ``bad_spacing`` where a value is not a length.
    """
    pixel, imager = facts.pixel_spacing_mm, facts.imager_pixel_spacing_mm
    if pixel is None and imager is None:
        raise Refused("no_reference", "Millimetres must rest on a reference or a stated spacing; got neither.",
                      "Mark a known length of the casting on the radiograph.")  # fmt: skip
    for spacing in (pixel, imager):
        if spacing is not None and not all(math.isfinite(v) and 1e-4 < v < 10 for v in spacing):
            raise Refused(
                "bad_spacing", f"Pixel spacing must be a length in mm; got {spacing}.", "Mark a known length of the casting instead."
            )
    if pixel is not None and (facts.calibration_type or (imager is not None and not _equal(pixel, imager))):
        return _calibration(photo, facts, pixel, 1.0, _CALIBRATED_U, "spacing_calibrated")
    if imager is None or photo.modality != "radiograph":
        raise Refused("spacing_status_unknown", "Pixel Spacing must say whether it was calibrated; got no type and no detector spacing.",
                      "Mark a known length of the casting, or export the radiograph with its calibration.")  # fmt: skip
    if facts.magnification is not None and 1.0 <= facts.magnification <= 1.5:
        return _calibration(photo, facts, imager, facts.magnification, _magnification_u(), "magnification_from_header")
    return _calibration(photo, facts, imager, sum(MAGNIFICATION) / 2, _magnification_u(), "detector_plane_spacing")


def _equal(a: tuple[float, float], b: tuple[float, float]) -> bool:
    return all(math.isclose(x, y, rel_tol=1e-3) for x, y in zip(a, b))


def _magnification_u() -> float:
    """Relative standard uncertainty of a magnification that is only known to lie in its usual range."""
    low, high = MAGNIFICATION
    return (high - low) / math.sqrt(12.0) / ((high + low) / 2)


def _calibration(photo: Photo, facts: DicomFacts, spacing: tuple[float, float], magnification: float, u: float, flag: str) -> Calibration:
    name = source("spacing", photo.identity)
    rows, columns = (Quantity(value / magnification, "mm/px", {name: value / magnification * u}) for value in spacing)
    evidence = {
        "spacing_mm": list(spacing), "magnification": magnification, "calibration_type": facts.calibration_type,
        "calibration_description": facts.calibration_description,
    }  # fmt: skip
    return Calibration("dicom", columns, rows, 0.0, None, None, "direct", _METHOD, (flag,), evidence)
