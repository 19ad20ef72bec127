"""Reading an image file whole and once: what it is by its content, its pixels upright in sRGB, its facts.

The content decides, never the suffix. What would make a measurement wrong without showing is refused
(CMYK, animation, raw previews, broken checksums); what only needs saying becomes a flag.
"""

from __future__ import annotations

import hashlib
import re
import warnings
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from audit.errors import AuditError, ImageError
from audit.imaging.dicom import DicomFacts, read_dicom
from audit.imaging.exif import ExifFacts
from audit.imaging.raster import Raster, read_heic, read_jpeg, read_png, read_tiff

__all__ = ["LARGEST_MEGAPIXELS", "DicomFacts", "ExifFacts", "ImageFile", "read_image"]

LARGEST_MEGAPIXELS = 120
LARGEST_FILE_BYTES = 1 << 30
SMALLEST_SIDE_PX = 2

_SUFFIXES: Mapping[str, tuple[str, ...]] = {
    "JPEG": (".jpg", ".jpeg", ".jpe", ".jfif", ".mpo"),
    "PNG": (".png",),
    "TIFF": (".tif", ".tiff"),
    "HEIC": (".heic", ".heif", ".hif"),
    "DICOM": (".dcm", ".dicom", ".ima"),
}
_HEIC_BRANDS = (b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1")
_FOREIGN: Mapping[bytes, str] = {
    b"GIF8": "GIF", b"BM": "BMP", b"%PDF": "PDF", b"\0\0\0\x0cjP  ": "JPEG 2000", b"\xff\x4f\xff\x51": "JPEG 2000", b"8BPS": "Photoshop",
    b"PK\x03\x04": "ZIP or office document", b"IIRO": "camera raw", b"IIU\0": "camera raw", b"FUJIFILM": "camera raw", b"<": "text",
}  # fmt: skip
_KINDS = "JPEG, PNG, TIFF, HEIC or DICOM"


@dataclass(frozen=True)
class ImageFile:
    """One image file as read: pixels upright, in sRGB where they are colour, and read-only.

    Parameters
    ----------
    pixels : ndarray, shape (height, width, 3) RGB or (height, width) grey, uint8 or uint16
        The top of the type's range is white: a DICOM radiograph's stored values are spread over it, more is brighter.
    sha256 : str
        Of the bytes of the file, 64 hex digits.
    format : {'JPEG', 'PNG', 'TIFF', 'HEIC', 'DICOM'}
        By content.
    bits : int
        Bits per channel that carry information.
    exif : ExifFacts
    dicom : DicomFacts or None
    flags : tuple of str
        ``mislabelled``, ``palette``, ``alpha_dropped``, ``converted_to_srgb``, ``profile_not_applied``,
        ``colour_space_uncertain``, ``gamma_not_applied``, ``reduced_to_8_bits``, ``multi_picture``, ``jpeg_damaged``.
    jpeg_quality : int or None
        IJG quality that the quantisation table of a JPEG comes nearest to.
    file_name : str
        Base name, for messages.
    """

    pixels: np.ndarray
    sha256: str
    format: str
    bits: int
    exif: ExifFacts
    dicom: DicomFacts | None = None
    flags: tuple[str, ...] = ()
    jpeg_quality: int | None = None
    file_name: str = ""


def read_image(path: str | Path) -> ImageFile:
    """The image in a file, whatever its suffix says.

    Raises
    ------
    ImageError
        The file is missing, empty, truncated, broken, too large or too small, not one of the five formats,
        or holds what cannot be measured (CMYK, several frames, a raw preview). One line and a hint.
    """
    path = Path(path)
    data = _bytes(path)
    kind = _kind(data, path.name)
    try:
        with warnings.catch_warnings():  # pydicom and Pillow warn of every odd header field
            warnings.simplefilter("ignore")
            raster, dicom = _decode(kind, data)
    except AuditError as error:
        raise ImageError(f"{path.name}: {error.message}", error.hint) from error
    except MemoryError as error:
        raise ImageError(f"{path.name}: image must fit in memory; got {kind} that does not.", "Export it at a smaller size.") from error
    except Exception as error:  # decoders of foreign files raise whatever the broken bytes provoke
        said = " ".join(str(error).split())[:120] or type(error).__name__
        raise ImageError(f"{path.name}: image must be a whole {kind} file; got one that cannot be decoded ({said}).",
                         "Copy the file again from the camera or the imaging software.") from error  # fmt: skip
    raster.pixels.setflags(write=False)
    suffix = path.suffix.lower()
    labelled = ("mislabelled",) if suffix and suffix not in _SUFFIXES[kind] else ()
    return ImageFile(
        raster.pixels, hashlib.sha256(data).hexdigest(), kind, raster.bits, raster.exif, dicom,
        labelled + raster.flags, raster.jpeg_quality, path.name,
    )  # fmt: skip


def _bytes(path: Path) -> bytes:
    again = "Copy the file again from the camera or the imaging software."
    try:
        size = path.stat().st_size
        if size > LARGEST_FILE_BYTES:
            raise ImageError(f"{path.name}: file must be at most 1 GB; got {size / 1e9:.1f} GB.", "Export the image at a smaller size.")
        data = path.read_bytes()
    except (OSError, ValueError) as error:
        said = error.strerror if isinstance(error, OSError) else str(error)
        raise ImageError(f"{path.name}: file must be readable; got {said}.", "Check the file's name and place.") from error
    if not data:
        raise ImageError(f"{path.name}: file must hold an image; got an empty file (zero bytes).", again)
    return data


def _kind(data: bytes, name: str) -> str:
    """One of the five formats by magic bytes, or a refusal that names what the file is instead."""
    if data[:3] == b"\xff\xd8\xff":
        return "JPEG"
    if data[:8] == b"\x89PNG\r\n\x1a\n":
        return "PNG"
    if data[:4] in (b"II*\0", b"MM\0*") and data[8:10] != b"CR":
        return "TIFF"
    if data[128:132] == b"DICM":
        return "DICOM"
    if data[4:8] == b"ftyp" and data[8:12] in _HEIC_BRANDS and data[8:12] != b"avif":
        return "HEIC"
    found = next((word for magic, word in _FOREIGN.items() if data.startswith(magic)), "something else")
    if data[4:8] == b"ftyp":
        found = f"a {re.sub('[^a-zA-Z0-9]', '', data[8:12].decode('latin-1')) or 'media'} file"
    found = "WebP" if data[8:12] == b"WEBP" else "camera raw" if data[8:10] == b"CR" else found
    raise ImageError(f"{name}: file must be {_KINDS} by its content; got {found}.", f"Export the image as {_KINDS}.")


def _decode(kind: str, data: bytes) -> tuple[Raster, DicomFacts | None]:
    readers: Mapping[str, Callable[[bytes, Callable[[int, int], None]], Raster]] = {
        "JPEG": read_jpeg, "PNG": read_png, "TIFF": read_tiff, "HEIC": read_heic,
    }  # fmt: skip
    if kind in readers:
        return readers[kind](data, _check_size), None
    pixels, bits, facts = read_dicom(data, _check_size)
    return Raster(np.ascontiguousarray(pixels), bits, ExifFacts()), facts


def _check_size(width: int, height: int) -> None:
    """Refuse a picture from its header, before anything is decoded."""
    megapixels = width * height / 1e6
    if megapixels > LARGEST_MEGAPIXELS:
        raise ImageError(
            f"image must have at most {LARGEST_MEGAPIXELS} megapixels; got {width} x {height} px ({megapixels:.0f} megapixels).",
            "Crop to the tooth and its reference, without resizing.",
        )
    if min(width, height) < SMALLEST_SIDE_PX:
        raise ImageError(
            f"image must be at least {SMALLEST_SIDE_PX} px wide and high; got {width} x {height} px.",
            "Copy the file again from the camera or the imaging software.",
        )
