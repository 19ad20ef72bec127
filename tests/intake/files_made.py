"""Small image files made for the tests by the libraries' own writers, never by the code under test."""

from __future__ import annotations

import io
import struct
import zlib

import numpy as np
import pydicom
from PIL import Image
from pydicom.dataset import FileDataset, FileMetaDataset
from pydicom.uid import ExplicitVRLittleEndian


def scene(height: int = 90, width: int = 120) -> np.ndarray:
    """A picture without symmetry: dark field, bright corner, an edge across."""
    y, x = np.mgrid[:height, :width]
    red = np.where(x * 0.9 + y * 0.3 > width * 0.6, 190, 70)
    picture = np.stack([red, 40 + y, 60 + x // 2], axis=-1).astype(np.uint8)
    picture[:20, :30] = (250, 30, 30)
    return picture


def saved(picture: np.ndarray, kind: str, mode: str | None = None, **settings: object) -> bytes:
    image = Image.fromarray(picture)
    stream = io.BytesIO()
    (image.convert(mode) if mode else image).save(stream, kind, **settings)
    return stream.getvalue()


def png_header(width: int, height: int, depth: int = 8, colour: int = 2) -> bytes:
    """A PNG of the given size that holds no pixels to speak of, with right checksums."""

    def chunk(name: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))

    header = struct.pack(">IIBBBBB", width, height, depth, colour, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(b"\0" * 64)) + chunk(b"IEND", b"")


def jpeg_claiming(width: int, height: int) -> bytes:
    """A small JPEG whose frame header claims another size."""
    data = bytearray(saved(scene(), "JPEG"))
    at = data.index(b"\xff\xc0") + 5
    data[at : at + 4] = struct.pack(">HH", height, width)
    return bytes(data)


def dicom(pixels: np.ndarray, photometric: str = "MONOCHROME2", bits: int = 12, **fields: object) -> bytes:
    """A DICOM file of one grey frame by pydicom, `fields` by keyword."""
    meta = FileMetaDataset()
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    meta.MediaStorageSOPClassUID = "1.2.840.10008.5.1.4.1.1.1.3.1"
    meta.MediaStorageSOPInstanceUID = "2.25.1"
    dataset = FileDataset(None, {}, file_meta=meta, preamble=b"\0" * 128)
    dataset.SOPClassUID, dataset.SOPInstanceUID = meta.MediaStorageSOPClassUID, "2.25.1"
    dataset.Rows, dataset.Columns = pixels.shape[:2]
    dataset.SamplesPerPixel, dataset.PhotometricInterpretation = 1, photometric
    dataset.BitsAllocated, dataset.BitsStored, dataset.HighBit = 8 * pixels.itemsize, bits, bits - 1
    dataset.PixelRepresentation, dataset.Modality = 0, "IO"
    dataset.PixelData = pixels.tobytes()
    for keyword, value in fields.items():
        setattr(dataset, keyword, value)
    stream = io.BytesIO()
    pydicom.dcmwrite(stream, dataset)
    return stream.getvalue()
