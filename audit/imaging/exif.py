"""What a camera wrote beside the picture: EXIF fields read as they stand.

Nothing is judged here (`audit.intake` does that), and nothing that could identify a person or a place
(GPS, serial numbers, owner, maker note, thumbnail) is read.

References
----------
CIPA DC-008 (Exif 2.32), tags by name.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from PIL import ExifTags, Image

__all__ = ["ExifFacts", "exif_facts"]

_EXIF_IFD = 0x8769
_INTEROP_IFD = 0xA005
_MM_PER_FOCAL_PLANE_UNIT: Mapping[int, float] = {2: 25.4, 3: 10.0, 4: 1.0, 5: 0.001}


@dataclass(frozen=True)
class ExifFacts:
    """EXIF fields of one image, ``None`` where absent or unreadable; dates are the text of the file.

    Parameters
    ----------
    orientation : int
        1 to 8; 1 where absent or not valid.
    taken, digitized, modified : str or None
        ``DateTimeOriginal``, ``DateTimeDigitized``, ``DateTime``.
    make, model : str or None
    focal_length_mm, focal_length_35mm, f_number : float or None
    focal_plane_px_per_mm : float or None
        Pixels per mm on the sensor, x direction, for an image of `pixel_width`.
    pixel_width, pixel_height : int or None
        Size when the camera wrote the file.
    colour_space : str or None
        ``srgb``, ``adobe_rgb`` or ``uncalibrated``.
    """

    orientation: int = 1
    taken: str | None = None
    digitized: str | None = None
    modified: str | None = None
    make: str | None = None
    model: str | None = None
    focal_length_mm: float | None = None
    focal_length_35mm: float | None = None
    f_number: float | None = None
    focal_plane_px_per_mm: float | None = None
    pixel_width: int | None = None
    pixel_height: int | None = None
    colour_space: str | None = None


def exif_facts(exif: Image.Exif) -> ExifFacts:
    """The fields that measuring needs, from a Pillow EXIF mapping."""
    base, camera = dict(exif), exif.get_ifd(_EXIF_IFD)
    orientation = _integer(base.get(ExifTags.Base.Orientation))
    return ExifFacts(
        orientation=orientation if orientation is not None and 1 <= orientation <= 8 else 1,
        taken=_text(camera.get(ExifTags.Base.DateTimeOriginal)),
        digitized=_text(camera.get(ExifTags.Base.DateTimeDigitized)),
        modified=_text(base.get(ExifTags.Base.DateTime)),
        make=_text(base.get(ExifTags.Base.Make)),
        model=_text(base.get(ExifTags.Base.Model)),
        focal_length_mm=_number(camera.get(ExifTags.Base.FocalLength)),
        focal_length_35mm=_number(camera.get(ExifTags.Base.FocalLengthIn35mmFilm)),
        f_number=_number(camera.get(ExifTags.Base.FNumber)),
        focal_plane_px_per_mm=_focal_plane(camera),
        pixel_width=_integer(camera.get(ExifTags.Base.ExifImageWidth)),
        pixel_height=_integer(camera.get(ExifTags.Base.ExifImageHeight)),
        colour_space=_colour_space(camera, exif.get_ifd(_INTEROP_IFD)),
    )


def _focal_plane(camera: Mapping[int, Any]) -> float | None:
    resolution = _number(camera.get(ExifTags.Base.FocalPlaneXResolution))
    unit = _integer(camera.get(ExifTags.Base.FocalPlaneResolutionUnit, 2))
    if resolution is None or unit is None or unit not in _MM_PER_FOCAL_PLANE_UNIT:
        return None
    return resolution / _MM_PER_FOCAL_PLANE_UNIT[unit]


def _colour_space(camera: Mapping[int, Any], interop: Mapping[int, Any]) -> str | None:
    space = _integer(camera.get(ExifTags.Base.ColorSpace))
    if space is None:
        return None
    if space == 1:
        return "srgb"
    is_adobe = space == 2 or str(interop.get(1, "")).startswith("R03")
    return "adobe_rgb" if is_adobe else "uncalibrated"


def _text(value: Any) -> str | None:
    if isinstance(value, bytes):
        value = value.decode("ascii", "replace")
    if not isinstance(value, str):
        return None
    return value.replace("\0", " ").strip() or None


def _number(value: Any) -> float | None:
    if isinstance(value, tuple) and len(value) == 1:
        value = value[0]
    try:
        number = float(value)
    except (TypeError, ValueError, ZeroDivisionError, OverflowError):
        return None
    return number if math.isfinite(number) else None


def _integer(value: Any) -> int | None:
    number = _number(value)
    return None if number is None else int(number)
