"""Decoding JPEG, PNG, TIFF and HEIC bytes to upright sRGB pixels, by the decoder that is safe for each.

A JPEG is decoded by libjpeg-turbo in its strict mode: OpenCV and Pillow fill what is missing with grey and
say nothing. Everything else is decoded by Pillow, except 16-bit colour, which Pillow would cut to 8 bits.
"""

from __future__ import annotations

import io
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import pillow_heif
import simplejpeg
from PIL import Image, ImageCms, JpegImagePlugin, PngImagePlugin, TiffImagePlugin

from audit.errors import ImageError
from audit.imaging.exif import ExifFacts, exif_facts

__all__ = ["Raster", "read_heic", "read_jpeg", "read_png", "read_tiff"]

CheckSize = Callable[[int, int], None]
_COPY = "Copy the file again from the camera or the imaging software."
_RGB = "Export it as RGB, from the camera's own file if there is one: colour that went through print inks is not the tooth's."
_SRGB_TOLERANCE = 2  # levels; profiles that differ less from sRGB are sRGB


@dataclass(frozen=True)
class Raster:
    """Decoded pixels with their depth, EXIF facts, flags and, for a JPEG, the quality of its tables."""

    pixels: np.ndarray
    bits: int
    exif: ExifFacts
    flags: tuple[str, ...] = ()
    jpeg_quality: int | None = None


def read_jpeg(data: bytes, check_size: CheckSize) -> Raster:
    """Pixels of a JPEG; the first picture where a phone packed several."""
    with JpegImagePlugin.JpegImageFile(io.BytesIO(data)) as header:
        mode, size, info = header.mode, header.size, dict(header.info)
        check_size(*size)
        exif, quality = exif_facts(header.getexif()), _quality(header.quantization)
    if mode not in ("RGB", "L"):
        raise ImageError(f"colour must be RGB or grey; got {mode}.", _RGB)
    if not _jpeg_is_whole(data):
        raise ImageError("JPEG must be complete; got one whose end is missing.", _COPY)
    pixels, flags = _strictly(data, mode)
    if pixels.shape[1::-1] != size:
        raise ImageError(f"JPEG must decode to the {size[0]} x {size[1]} px of its header; got another size.", _COPY)
    if b"MPF\0" in data[: 1 << 16]:
        flags += ("multi_picture",)
    pixels, colour_flags = _to_srgb(pixels, info.get("icc_profile"), exif)
    return Raster(_upright(pixels, exif.orientation), 8, exif, flags + colour_flags, quality)


def read_png(data: bytes, check_size: CheckSize) -> Raster:
    """Pixels of a PNG whose every chunk passes its checksum."""
    width, height, depth, colour_type = (int.from_bytes(data[16:20]), int.from_bytes(data[20:24]), data[24], data[25])
    check_size(width, height)
    if b"acTL" in _png_chunks(data):
        raise ImageError("image must be a single picture; got an animated PNG.", "Export the one frame that is to be measured.")
    with PngImagePlugin.PngImageFile(io.BytesIO(data)) as image:
        if depth == 16 and colour_type != 0:
            pixels, flags = _deep_colour(data, image.size)
            exif, info = exif_facts(image.getexif()), dict(image.info)
        else:
            pixels, flags = _by_pillow(image)
            exif, info = exif_facts(image.getexif()), dict(image.info)
    gamma = info.get("gamma")
    if gamma and abs(gamma - 0.45455) > 0.01 and "srgb" not in info and "icc_profile" not in info:
        flags += ("gamma_not_applied",)
    pixels, colour_flags = _to_srgb(pixels, info.get("icc_profile"), exif)
    return Raster(_upright(pixels, exif.orientation), 8 * pixels.itemsize, exif, flags + colour_flags)


def read_tiff(data: bytes, check_size: CheckSize) -> Raster:
    """Pixels of a TIFF of one page; both decoders turn it upright themselves."""
    with TiffImagePlugin.TiffImageFile(io.BytesIO(data)) as image:
        check_size(*image.size)
        tags: Any = image.tag_v2
        if image.n_frames > 1:
            raise ImageError(
                f"image must be a single picture; got a TIFF of {image.n_frames} pages.", "Export the one page that is to be measured."
            )
        if tags.get(254, 0) & 1 or 50706 in tags:
            raise ImageError(
                "TIFF must hold the full picture; got a camera raw file with its preview.", "Develop the raw file to TIFF or JPEG."
            )
        exif, profile = exif_facts(image.getexif()), image.info.get("icc_profile")
        depth = max(tags.get(258, (1,)))
        if depth == 16 and len(image.getbands()) > 1 and tags.get(262) == 2:
            pixels, flags = _deep_colour(data, image.size)
        elif depth == 16 and image.mode in ("RGB", "RGBA"):
            raise ImageError("16-bit TIFF must be RGB or grey; got another colour model.", _RGB)
        else:
            pixels, flags = _by_pillow(image)
            white_is_zero = tags.get(262) == 0 and pixels.dtype == np.uint16
            pixels = np.asarray(65535 - pixels) if white_is_zero else pixels
    pixels, colour_flags = _to_srgb(pixels, profile, exif)
    return Raster(np.ascontiguousarray(pixels), 8 * pixels.itemsize, exif, flags + colour_flags)


def read_heic(data: bytes, check_size: CheckSize) -> Raster:
    """Pixels of the primary picture of a HEIC file; its own turning is applied by the decoder, EXIF's is not."""
    container = pillow_heif.open_heif(io.BytesIO(data), convert_hdr_to_8bit=True)
    heif = container[container.primary_index]
    info: dict[str, Any] = dict(heif.info)
    check_size(*heif.size)
    block = Image.Exif()
    if info.get("exif"):
        block.load(info["exif"])
    exif = exif_facts(block)
    flags: tuple[str, ...] = ("multi_picture",) if len(container) > 1 else ()
    if info.get("bit_depth", 8) > 8:
        flags += ("reduced_to_8_bits",)
    pixels = np.array(heif)
    if pixels.ndim == 3 and pixels.shape[2] == 4:
        pixels, flags = np.ascontiguousarray(pixels[:, :, :3]), (*flags, "alpha_dropped")
    pixels, colour_flags = _to_srgb(pixels, info.get("icc_profile"), exif)
    return Raster(np.ascontiguousarray(pixels), 8, exif, flags + colour_flags)


def _by_pillow(image: Image.Image) -> tuple[np.ndarray, tuple[str, ...]]:
    """8-bit RGB or grey, or 16-bit grey, with what had to be converted."""
    flags: tuple[str, ...] = ()
    if image.mode in ("RGBA", "LA", "PA", "RGBX") or "transparency" in image.info:
        flags += ("alpha_dropped",)
    if image.mode in ("P", "PA"):
        if image.palette is None or image.palette.mode not in ("RGB", "RGBA"):
            raise ImageError("palette must be of RGB colours; got another.", _RGB)
        return np.array(image.convert("RGBA"))[:, :, :3].copy(), (*flags, "palette")
    if image.mode in ("RGBA", "RGBX", "LA"):
        values = np.array(image)
        return np.ascontiguousarray(values[..., :3] if image.mode != "LA" else values[..., 0]), flags
    if image.mode in ("RGB", "L"):
        return np.array(image), flags
    if image.mode.startswith("I;16"):
        return np.array(image).astype(np.uint16), flags
    if image.mode in ("CMYK", "LAB", "YCbCr", "HSV"):
        raise ImageError(f"colour must be RGB or grey; got {image.mode}.", _RGB)
    raise ImageError(f"pixels must be of 8 or 16 bits a channel; got mode {image.mode}.", "Export the image with 8 or 16 bits a channel.")


def _deep_colour(data: bytes, size: tuple[int, int]) -> tuple[np.ndarray, tuple[str, ...]]:
    """16-bit colour through OpenCV."""
    values = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED | cv2.IMREAD_IGNORE_ORIENTATION)
    if values is None or values.shape[1::-1] != size:
        raise ImageError("image must decode to the size in its header; got another or nothing.", _COPY)
    if values.dtype != np.uint16 or values.ndim != 3:
        raise ImageError(
            f"16-bit colour must decode to 16 bits; got {values.dtype} of {values.ndim} dimensions.", "Export it with 8 bits a channel."
        )
    flags = ("alpha_dropped",) if values.shape[2] == 4 else ()
    return np.ascontiguousarray(values[:, :, 2::-1]), flags


def _strictly(data: bytes, mode: str) -> tuple[np.ndarray, tuple[str, ...]]:
    """Pixels of a JPEG whose data is complete; stray bytes between its segments are flagged."""
    space = "RGB" if mode == "RGB" else "GRAY"
    flags: tuple[str, ...] = ()
    try:
        pixels = simplejpeg.decode_jpeg(data, space)
    except ValueError as error:
        if "extraneous bytes" not in str(error):
            raise
        pixels, flags = simplejpeg.decode_jpeg(data, space, strict=False), ("jpeg_damaged",)
    return np.asarray(pixels if mode == "RGB" else pixels[:, :, 0]), flags


def _jpeg_is_whole(data: bytes) -> bool:
    """Whether the end marker follows the start of the first scan (an EXIF thumbnail has its own, before it)."""
    at = 2
    while at + 4 <= len(data) and data[at] == 0xFF:
        marker = data[at + 1]
        if marker == 0xDA:
            return data.find(b"\xff\xd9", at) >= 0
        at += 1 if marker == 0xFF else 2 + int.from_bytes(data[at + 2 : at + 4])
    return False


def _png_chunks(data: bytes) -> tuple[bytes, ...]:
    """Names of all chunks up to IEND, each checksum verified."""
    at, names = 8, []
    while at + 12 <= len(data):
        length, name = int.from_bytes(data[at : at + 4]), data[at + 4 : at + 8]
        end = at + 8 + length
        if end + 4 > len(data) or zlib.crc32(memoryview(data)[at + 4 : end]) != int.from_bytes(data[end : end + 4]):
            break
        names.append(name)
        if name == b"IEND":
            return tuple(names)
        at = end + 4
    raise ImageError("PNG must be whole, with every checksum right; got one that is cut off or broken.", _COPY)


def _upright(pixels: np.ndarray, orientation: int) -> np.ndarray:
    """Pixels turned as EXIF orientation 1 to 8 says (Exif 2.32, tag 0x0112)."""
    if orientation in (5, 6, 7, 8):
        pixels = cv2.transpose(pixels)
    flip = {2: 1, 3: -1, 4: 0, 6: 1, 7: -1, 8: 0}.get(orientation)
    return np.ascontiguousarray(pixels if flip is None else cv2.flip(pixels, flip))


def _to_srgb(pixels: np.ndarray, profile: bytes | None, exif: ExifFacts) -> tuple[np.ndarray, tuple[str, ...]]:
    """8-bit colour brought to sRGB by its ICC profile; what cannot be brought there is flagged."""
    if pixels.ndim == 2:
        return pixels, ("profile_not_applied",) if profile else ()
    if not profile:
        return pixels, ("colour_space_uncertain",) if exif.colour_space in ("adobe_rgb", "uncalibrated") else ()
    try:
        transform = ImageCms.buildTransform(ImageCms.ImageCmsProfile(io.BytesIO(profile)), ImageCms.createProfile("sRGB"), "RGB", "RGB")
    except (ImageCms.PyCMSError, OSError, ValueError, TypeError):
        return pixels, ("profile_not_applied",)
    steps = np.arange(0, 256, 51, dtype=np.uint8)
    lattice = np.stack(np.meshgrid(steps, steps, steps), axis=-1).reshape(6, 36, 3)
    moved = np.abs(_apply(lattice, transform).astype(int) - lattice).max()
    if moved <= _SRGB_TOLERANCE:
        return pixels, ()
    return (pixels, ("profile_not_applied",)) if pixels.dtype != np.uint8 else (_apply(pixels, transform), ("converted_to_srgb",))


def _apply(pixels: np.ndarray, transform: ImageCms.ImageCmsTransform) -> np.ndarray:
    return np.array(ImageCms.applyTransform(Image.fromarray(pixels), transform))


def _quality(tables: dict[int, list[int]] | None) -> int | None:
    """IJG quality that the luminance table comes nearest to, by the scaling of libjpeg's standard table."""
    if not tables or 0 not in tables:
        return None
    scale = 100.0 * sum(tables[0]) / _IJG_LUMINANCE_SUM
    return round(min(100.0, max(1.0, 5000.0 / scale if scale > 100 else (200.0 - scale) / 2.0)))


_IJG_LUMINANCE_SUM = 3688  # of the standard luminance table, ITU-T T.81 Annex K.1
