"""A drawn image with its truth and annotations, and how it is written to disk."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from audit.imaging.dicom_write import write_dicom
from audit.imaging.encode import encode_jpeg, encode_png

__all__ = ["Scene", "write_scene"]


@dataclass(frozen=True)
class Scene:
    """A drawn image whose lengths, areas and openings are known.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (height, width, 3); uint16, shape (height, width), for radiographs
        As a reader of the file would find them.
    annotations : dict
        GeoJSON FeatureCollection of the project's contract; ``sha256`` is filled when written.
    truth : dict
        Plain JSON types; see `audit.synthetic.truth`.
    exif : mapping
    masks : mapping of str to ndarray of bool, shape (height, width)
        For tests only.
    encoded : bytes or None
        The JPEG file whose decoded twin `pixels` is.
    """

    pixels: np.ndarray
    annotations: dict[str, Any]
    truth: dict[str, Any]
    exif: Mapping[str, Any] = field(default_factory=dict)
    masks: Mapping[str, np.ndarray] = field(default_factory=dict)
    encoded: bytes | None = None


def write_scene(scene: Scene, path: str | Path) -> None:
    """Write the image (by suffix), ``<stem>.geojson`` and ``<stem>.truth.json``.

    Parameters
    ----------
    path : path ending in .jpg, .png or, for a radiograph, .dcm
        Parent folders must exist. PNG carries no EXIF; the tags of a DICOM file are those of `Scene.exif`.
    """
    path = Path(path)
    suffix = path.suffix.lower()
    if suffix in (".jpg", ".jpeg"):
        path.write_bytes(scene.encoded or encode_jpeg(scene.pixels, 95, scene.exif)[0])
    elif suffix == ".png":
        eight = scene.pixels if scene.pixels.dtype == np.uint8 else (scene.pixels >> 8).astype(np.uint8)
        path.write_bytes(encode_png(eight))
    elif suffix == ".dcm":
        write_dicom(path, scene.pixels, scene.exif)
    else:
        raise ValueError(f"a scene must be written as .jpg, .png or .dcm; got {path.suffix!r}")
    sha256 = hashlib.sha256(path.read_bytes()).hexdigest()
    _write(path.with_suffix(".geojson"), {**scene.annotations, "sha256": sha256})
    _write(path.with_suffix(".truth.json"), {**scene.truth, "sha256": sha256})


def _write(path: Path, data: Mapping[str, Any]) -> None:
    path.write_text(json.dumps(data, indent=1) + "\n", encoding="utf-8")
