"""What is left in an image file besides its pixels: read from the bytes, by rules of its own, so that the writer is not believed.

References
----------
JPEG: ITU-T T.81, annex B; JFIF: ECMA TR/98. PNG: ISO/IEC 15948, clause 11.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator

__all__ = ["jpeg_leftovers", "picture_leftovers", "png_leftovers"]

_SOI, _EOI, _SOS, _APP0 = 0xD8, 0xD9, 0xDA, 0xE0
# quantisation and Huffman tables, frames, restart interval: what decoding needs
_NEEDED = {0xC0, 0xC1, 0xC2, 0xC4, 0xDB, 0xDD, _SOS}
_PNG_HEAD = b"\x89PNG\r\n\x1a\n"
_PNG_NEEDED = {b"IHDR", b"PLTE", b"IDAT", b"IEND"}
_JFIF_BYTES = 14  # without a thumbnail


def picture_leftovers(data: bytes) -> list[str]:
    """Everything in a JPEG or PNG file that is not its pixels, one line each; nothing where it is clean."""
    if data[:8] == _PNG_HEAD:
        return png_leftovers(data)
    if data[:2] == b"\xff\xd8":
        return jpeg_leftovers(data)
    return ["neither a JPEG nor a PNG file"]


def jpeg_leftovers(data: bytes) -> list[str]:
    """Segments beyond those that decoding needs, a thumbnail in the JFIF header, bytes after the end."""
    found = []
    try:
        for marker, start, end in _segments(data):
            if marker == _APP0 and data[start : start + 5] == b"JFIF\0" and end - start == _JFIF_BYTES:
                continue
            if marker == _EOI:
                found += [f"{len(data) - end} bytes after the end"] if end != len(data) else []
            elif marker not in _NEEDED:
                name = f"APP{marker - _APP0}" if 0 <= marker - _APP0 < 16 else "comment" if marker == 0xFE else f"segment {marker:02X}"
                found.append(f"{name} of {end - start} bytes")
    except (IndexError, struct.error):
        found.append("broken structure")
    return found


def _segments(data: bytes) -> Iterator[tuple[int, int, int]]:
    """Marker, begin and end of the content of every segment, the entropy-coded data skipped."""
    at = 2
    while True:
        if data[at] != 0xFF:
            raise IndexError(at)
        marker = data[at + 1]
        if marker == _EOI:
            yield marker, at, at + 2
            return
        (length,) = struct.unpack_from(">H", data, at + 2)
        yield marker, at + 4, at + 2 + length
        at += 2 + length
        if marker == _SOS:
            while data[at] != 0xFF or data[at + 1] in (0x00, *range(0xD0, 0xD8)):
                at += 1


def png_leftovers(data: bytes) -> list[str]:
    """Chunks beyond those that decoding needs, bytes after the end."""
    found, at = [], len(_PNG_HEAD)
    try:
        while True:
            (length,) = struct.unpack_from(">I", data, at)
            kind = data[at + 4 : at + 8]
            at += 12 + length
            if kind not in _PNG_NEEDED:
                found.append(f"chunk {kind.decode('latin-1')} of {length} bytes")
            if kind == b"IEND":
                return found + ([f"{len(data) - at} bytes after the end"] if at != len(data) else [])
    except struct.error:
        return [*found, "broken structure"]
