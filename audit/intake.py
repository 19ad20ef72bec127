"""Judges whether an image may be measured and makes its Photo record: date, optics, sharpness, exposure.

All limits below are common practice, no published source, unless a line says otherwise. A flag is a
warning that travels with every number; only an image too small to hold a tooth is refused.
"""

from __future__ import annotations

import math
import re
from datetime import date
from typing import Literal

from audit.core.records import Optics, Photo
from audit.errors import ImageError
from audit.imaging.codec import ExifFacts, ImageFile
from audit.imaging.judge import PictureFacts, judge_picture

__all__ = ["SMALLEST_SIDE_PX", "accept"]

SMALLEST_SIDE_PX = 64
EARLIEST_YEAR = 1990  # digital photographs of teeth are not older
SOFT_BLUR_PX, SOFT_BLUR_OF_LONG_SIDE = 2.5, 0.0015  # blur of the sharpest edges, the larger of the two
CLIPPED_FRACTION = 0.05
DARK_LEVEL = 0.12  # encoded
LOW_JPEG_QUALITY = 60
FOCAL_LENGTH_MM, F_NUMBER, PIXEL_PITCH_UM = (1.0, 1000.0), (0.7, 90.0), (0.5, 20.0)
PITCH_AGREEMENT = 0.15  # between the two ways of telling the pixel pitch
FULL_FRAME_DIAGONAL_MM = math.hypot(36.0, 24.0)
_RADIOGRAPH_MODALITIES = ("IO", "DX", "CR", "RG", "PX")

Certainty = Literal["exact", "year", "doubtful", "unknown"]
Dated = tuple[str | None, Certainty, tuple[str, ...]]


def accept(file: ImageFile, *, radiograph: bool, today: date) -> Photo:
    """The Photo record of an image that may be measured.

    Parameters
    ----------
    file : ImageFile
    radiograph : bool
        Whether the marks say that it is one; a DICOM modality that is one is believed too.
    today : date
        Later capture dates are doubtful.

    Raises
    ------
    ImageError
        Smaller than 64 px on a side.
    """
    height, width = file.pixels.shape[:2]
    if min(width, height) < SMALLEST_SIDE_PX:
        raise ImageError(
            f"{file.file_name}: image must be at least {SMALLEST_SIDE_PX} px wide and high; got {width} x {height} px.",
            "Use the original photo, not a thumbnail.",
        )
    is_radiograph = radiograph or (file.dicom is not None and file.dicom.modality in _RADIOGRAPH_MODALITIES)
    captured_on, certainty, date_flags = _dated(file, today)
    optics, optics_flags = (Optics(), ()) if is_radiograph else _optics(file.exif, width, height)
    facts = judge_picture(file.pixels)
    flags = (*file.flags, *date_flags, *optics_flags, *_picture_flags(file, facts, is_radiograph))
    return Photo(
        file.sha256, width, height, captured_on, certainty, "radiograph" if is_radiograph else "photo", optics, flags, file.file_name
    )


def _picture_flags(file: ImageFile, facts: PictureFacts, is_radiograph: bool) -> tuple[str, ...]:
    height, width = file.pixels.shape[:2]
    soft_above = max(SOFT_BLUR_PX, SOFT_BLUR_OF_LONG_SIDE * max(width, height))
    found = {
        "soft": facts.edge_blur_px is None or facts.edge_blur_px > soft_above,
        "clipped": facts.clipped_fraction > CLIPPED_FRACTION,
        "dark": not is_radiograph and facts.median_level < DARK_LEVEL,
        "greyscale": not is_radiograph and facts.is_grey,
        "coloured_radiograph": is_radiograph and not facts.is_grey,
        "resampled": _is_resampled(file.exif, width, height),
        "low_jpeg_quality": file.jpeg_quality is not None and file.jpeg_quality < LOW_JPEG_QUALITY,
    }
    return tuple(flag for flag, holds in found.items() if holds)


def _is_resampled(exif: ExifFacts, width: int, height: int) -> bool:
    """Whether the size differs from what the camera wrote: cropped or resized, the file does not say which."""
    if exif.pixel_width is None or exif.pixel_height is None:
        return False
    return {exif.pixel_width, exif.pixel_height} != {width, height}


def _dated(file: ImageFile, today: date) -> Dated:
    """Capture date with its certainty, and why it is doubted."""
    if file.dicom is not None and file.dicom.captured_on is not None:
        return _judge_date(file.dicom.captured_on, "exact", today)
    exif = file.exif
    for text, certainty in ((exif.taken, "exact"), (exif.digitized, "doubtful"), (exif.modified, "doubtful")):
        found = re.match(r"(\d{4})(?:\D(\d\d)\D(\d\d))?", text or "")
        if found is None or found[1] == "0000":
            continue
        if found[2] is None or found[2] == "00":
            return _judge_year(found[1], certainty == "exact", today)
        return _judge_date(f"{found[1]}-{found[2]}-{found[3]}", "exact" if certainty == "exact" else "doubtful", today)
    return None, "unknown", ("date_missing",)


def _judge_year(year: str, is_capture: bool, today: date) -> Dated:
    if not EARLIEST_YEAR <= int(year) <= today.year:
        return year, "doubtful", ("date_in_future",) if int(year) > today.year else ("date_too_early",)
    return (year, "year", ()) if is_capture else (year, "doubtful", ("date_of_file",))


def _judge_date(text: str, certainty: Certainty, today: date) -> Dated:
    try:
        day = date.fromisoformat(text)
    except ValueError:
        return None, "unknown", ("date_invalid",)
    if day > today:
        return text, "doubtful", ("date_in_future",)
    if day.year < EARLIEST_YEAR:
        return text, "doubtful", ("date_too_early",)
    if (day.month, day.day) == (1, 1):  # where a camera's clock starts again, and where de-identified dates are put
        return text, "doubtful", ("date_clock_reset",)
    return text, certainty, () if certainty == "exact" else ("date_of_file",)


def _optics(exif: ExifFacts, width: int, height: int) -> tuple[Optics, tuple[str, ...]]:
    focal_mm = _believable(exif.focal_length_mm, FOCAL_LENGTH_MM)
    pitch_um, flags = _pixel_pitch_um(exif, focal_mm, width, height)
    camera = " ".join(word for word in (exif.make, exif.model) if word) or None
    return Optics(focal_mm, _believable(exif.f_number, F_NUMBER), pitch_um, camera), flags


def _pixel_pitch_um(exif: ExifFacts, focal_mm: float | None, width: int, height: int) -> tuple[float | None, tuple[str, ...]]:
    """Pitch on the sensor from the focal-plane resolution and from the 35-mm equivalent; ``None`` where they contradict.

    Notes
    -----
    Sensor diagonal = 43.27 mm * f / f35, over the diagonal in pixels. Neither holds once the picture was
    cropped or resized, so a picture of another size than the camera wrote gets none.
    """
    if _is_resampled(exif, width, height):
        return None, ()
    by_plane = by_equivalent = None
    if exif.focal_plane_px_per_mm is not None and exif.focal_plane_px_per_mm > 0:
        by_plane = _believable(1000.0 / exif.focal_plane_px_per_mm, PIXEL_PITCH_UM)
    if focal_mm is not None and exif.focal_length_35mm is not None and exif.focal_length_35mm > 0:
        diagonal_um = 1000.0 * FULL_FRAME_DIAGONAL_MM * focal_mm / exif.focal_length_35mm
        by_equivalent = _believable(diagonal_um / math.hypot(width, height), PIXEL_PITCH_UM)
    if by_plane is not None and by_equivalent is not None and abs(by_plane / by_equivalent - 1.0) > PITCH_AGREEMENT:
        return None, ("optics_contradict",)
    return by_plane if by_plane is not None else by_equivalent, ()


def _believable(value: float | None, limits: tuple[float, float]) -> float | None:
    return value if value is not None and limits[0] <= value <= limits[1] else None
