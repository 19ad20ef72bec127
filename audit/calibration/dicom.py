"""The spacing that a DICOM header states, with the status that the standard gives it.

References
----------
DICOM PS3.3, 10.7 (Basic Pixel Spacing Calibration Macro) and 10.7.1.3: the first value is the spacing between
rows (vertical), the second between columns. Pixel Spacing is in the patient; Imager Pixel Spacing is at the
detector and is never adjusted. Where they differ, or a calibration type is given, Pixel Spacing was corrected or
calibrated; where they are equal, nothing was; where neither type nor Imager Pixel Spacing is there, nobody can tell.
Estimated Radiographic Magnification Factor (0018,1114) is source to detector over source to patient.
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
_MARK = "Mark a known length of the casting on the radiograph, or export it with its calibration."
_FIDUCIAL_U = 0.01  # relative, of a spacing calibrated on an object of known size; common practice, no published source
_FIDUCIAL, _GEOMETRY = "FIDUCIAL", "GEOMETRY"
_GREATEST = 1.5  # magnification beyond which a header is not believed
_METHOD = "dicom_spacing@2"


def read_spacing(photo: Photo, facts: DicomFacts) -> Calibration:
    """Millimetres per pixel at the tooth from a DICOM header.

    Notes
    -----
    ``FIDUCIAL``: calibrated on an object of known size at its depth. ``GEOMETRY``, or a Pixel Spacing that merely differs from that
    of the detector: corrected for a known or assumed magnification, at a depth in the patient that nobody states, so its
    uncertainty is that of the usual magnification. A projection only enlarges: a spacing in the patient larger than that of
    the detector, or of another shape, contradicts itself.

    Raises
    ------
    Refused
        ``no_reference`` without any spacing, ``spacing_status_unknown`` where nobody can tell whether it was corrected,
        ``bad_spacing`` where a value is not a length, ``spacing_contradicts`` where two values cannot both be right.
    """
    pixel, imager = facts.pixel_spacing_mm, facts.imager_pixel_spacing_mm
    if pixel is None and imager is None:
        raise Refused("no_reference", "Millimetres must rest on a reference or a stated spacing; got neither.", _MARK)
    for spacing in (pixel, imager):
        if spacing is not None and not all(math.isfinite(v) and 1e-4 < v < 10 for v in spacing):
            raise Refused("bad_spacing", f"Pixel spacing must be a length in mm; got {spacing}.", _MARK)
    if pixel is not None and imager is not None:
        _check_projection(pixel, imager)
    differs = pixel is not None and imager is not None and not _equal(pixel, imager)
    kind = (facts.calibration_type or "").upper()
    if pixel is not None and kind == _FIDUCIAL:
        return _calibration(photo, facts, pixel, 1.0, _FIDUCIAL_U, ("spacing_calibrated",))
    if pixel is not None and kind == _GEOMETRY:
        return _calibration(photo, facts, pixel, 1.0, _magnification_u(), ("spacing_corrected",))
    if pixel is not None and differs:
        return _calibration(photo, facts, pixel, 1.0, _magnification_u(), ("spacing_calibrated",))
    if imager is None or photo.modality != "radiograph" or kind:
        raise Refused("spacing_status_unknown", "Pixel Spacing must say whether it was calibrated; got "
                      f"{f'type {kind!r}' if kind else 'no type'} and {'no' if imager is None else 'an equal'} detector spacing.",
                      _MARK)  # fmt: skip
    return _at_the_detector(photo, facts, imager)


def _check_projection(pixel: tuple[float, float], imager: tuple[float, float]) -> None:
    ratios = [at_detector / in_patient for at_detector, in_patient in zip(imager, pixel)]
    if min(ratios) < 0.99 or max(ratios) > _GREATEST or max(ratios) / min(ratios) > 1.02:
        raise Refused("spacing_contradicts", f"Detector over patient spacing must lie in 1 to {_GREATEST:g}, the same both ways; "
                      f"got {ratios[0]:.3f} down and {ratios[1]:.3f} across.", _MARK)  # fmt: skip


def _at_the_detector(photo: Photo, facts: DicomFacts, imager: tuple[float, float]) -> Calibration:
    """A spacing of the detector, brought to the tooth by the stated magnification where it can be one, else by the usual."""
    stated = facts.magnification
    if stated is not None and 1.0 <= stated <= _GREATEST:
        return _calibration(photo, facts, imager, stated, _magnification_u(), ("magnification_from_header",))
    flags = ("detector_plane_spacing",) + (() if stated is None else ("magnification_not_believed",))
    return _calibration(photo, facts, imager, sum(MAGNIFICATION) / 2, _magnification_u(), flags)


def _equal(a: tuple[float, float], b: tuple[float, float]) -> bool:
    return all(math.isclose(x, y, rel_tol=1e-3) for x, y in zip(a, b))


def _magnification_u() -> float:
    """Relative standard uncertainty of a magnification that is only known to lie in its usual range."""
    low, high = MAGNIFICATION
    return (high - low) / math.sqrt(12.0) / ((high + low) / 2)


def _calibration(
    photo: Photo, facts: DicomFacts, spacing: tuple[float, float], magnification: float, u: float, flags: tuple[str, ...]
) -> Calibration:
    name = source("spacing", photo.identity)
    rows, columns = (Quantity(value / magnification, "mm/px", {name: value / magnification * u}) for value in spacing)
    evidence = {
        "spacing_mm": list(spacing), "magnification": magnification, "calibration_type": facts.calibration_type,
        "calibration_description": facts.calibration_description,
    }  # fmt: skip
    return Calibration("dicom", columns, rows, 0.0, None, None, "direct", _METHOD, flags, evidence)
