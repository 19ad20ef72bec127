"""One picture without anything that points to a person, and what must still be looked at by eye."""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from pathlib import Path

from audit.errors import ExchangeError
from audit.exchange.dicom_clean import clean_dicom
from audit.exchange.leftovers import picture_leftovers
from audit.imaging.clean import clean_bytes
from audit.imaging.codec import read_image

__all__ = ["CleanPicture", "clean_picture"]

_FACES = ("smile_front", "smile_oblique")


@dataclass(frozen=True)
class CleanPicture:
    """A de-identified picture: its bytes, the suffix of its kind, and what to look for before it is sent."""

    content: bytes
    suffix: str
    warnings: tuple[str, ...]


def clean_picture(path: str | Path, *, view: str = "", code: str = "", secret: bytes | None = None) -> CleanPicture:
    """A picture file written anew: pixels only, upright; DICOM by the basic profile of PS3.15.

    Parameters
    ----------
    path : str or Path
        JPEG, PNG, TIFF, HEIC or DICOM.
    view : str, optional
        Smile views are warned of.
    code : str, optional
        Stands as Patient ID in a DICOM file.
    secret : bytes, optional
        Key for new DICOM UIDs; a fresh one by default, so that files cleaned at different times cannot be joined.

    Raises
    ------
    ImageError
        The picture cannot be read.
    ExchangeError
        Something is left in the result.
    """
    file = read_image(path)
    if file.format == "DICOM":
        content, suffix = clean_dicom(Path(path).read_bytes(), code, secret or secrets.token_bytes(32)), ".dcm"
    else:
        content, suffix = clean_bytes(file)
        if left := picture_leftovers(content):
            raise ExchangeError(f"cleaned picture must hold nothing but pixels; got {left[0]}.", "Do not send it; report this line.")
    return CleanPicture(content, suffix, _warnings(view, file.format == "DICOM"))


def _warnings(view: str, is_dicom: bool) -> tuple[str, ...]:
    found = []
    if view in _FACES:
        found.append("A smile view shows lips and perhaps the nose: it may be recognised. Crop it to the teeth or leave it out.")
    if is_dicom:
        found.append("Words burned into the picture are not looked for: look at it.")
    found.append("Whoever knows the mouth may know the restoration: send it only where consent covers that.")
    return tuple(found)
