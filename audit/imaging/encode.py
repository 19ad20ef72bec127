"""Writing pixels: JPEG bytes with EXIF, and their decoded twin."""

from __future__ import annotations

import io
from collections.abc import Mapping

import numpy as np
from PIL import Image

__all__ = ["encode_jpeg", "encode_png"]

_EXIF_TAGS = {"Make": 0x010F, "Model": 0x0110, "Orientation": 0x0112, "Software": 0x0131, "DateTime": 0x0132}
_PHOTO_TAGS = {
    "ExposureTime": 0x829A, "FNumber": 0x829D, "DateTimeOriginal": 0x9003, "DateTimeDigitized": 0x9004, "FocalLength": 0x920A,
    "ISOSpeedRatings": 0x8827, "FocalPlaneXResolution": 0xA20E, "FocalPlaneYResolution": 0xA20F, "FocalPlaneResolutionUnit": 0xA210,
}  # fmt: skip
_PHOTO_IFD = 0x8769


def encode_jpeg(pixels: np.ndarray, quality: int, exif: Mapping[str, object]) -> tuple[bytes, np.ndarray]:
    """JPEG bytes of 8-bit RGB pixels, and the pixels that a reader will find in them.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (height, width, 3)
    quality : int
        1 to 100; chroma is not subsampled from 90 up.
    exif : mapping
        Values by EXIF name (``DateTimeOriginal``, ``FNumber``, ...); unknown names are refused with `KeyError`.
    """
    tags = Image.Exif()
    for name, value in exif.items():
        if name in _EXIF_TAGS:
            tags[_EXIF_TAGS[name]] = value
        else:
            tags.get_ifd(_PHOTO_IFD)[_PHOTO_TAGS[name]] = value
    stream = io.BytesIO()
    Image.fromarray(pixels).save(stream, "JPEG", quality=quality, subsampling=0 if quality >= 90 else 2, exif=tags.tobytes())
    data = stream.getvalue()
    return data, np.array(Image.open(io.BytesIO(data)).convert("RGB"))


def encode_png(pixels: np.ndarray) -> bytes:
    """PNG bytes of 8- or 16-bit pixels."""
    stream = io.BytesIO()
    Image.fromarray(pixels).save(stream, "PNG")
    return stream.getvalue()
