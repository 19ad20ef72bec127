"""Pixels written anew with nothing beside them: upright, in sRGB, no metadata, no thumbnail, no text."""

from __future__ import annotations

import io

import numpy as np
from PIL import Image

from audit.imaging.codec import ImageFile

__all__ = ["clean_bytes"]

QUALITY = 95


def clean_bytes(file: ImageFile) -> tuple[bytes, str]:
    """The picture of a file as new bytes with its suffix: a JPEG stays one (written again, finely), all else becomes a PNG.

    Notes
    -----
    Orientation and colour profile are applied when the file is read. Decoding a JPEG and coding it again changes values by about one
    level: what was measured on the original need not come out to the last digit on the copy.
    """
    stream = io.BytesIO()
    image = Image.fromarray(np.ascontiguousarray(file.pixels))
    if file.format == "JPEG":
        image.save(stream, "JPEG", quality=QUALITY, subsampling=0)
        return stream.getvalue(), ".jpg"
    image.save(stream, "PNG")
    return stream.getvalue(), ".png"
