"""A drawn picture with its marks and its truth, and how it is written to files."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from audit.imaging.dicom_write import write_dicom

__all__ = ["Scene", "write_scene"]


@dataclass(frozen=True)
class Scene:
    """A picture whose lengths are known.

    Parameters
    ----------
    pixels : ndarray
        uint8 (height, width, 3) sRGB; uint16 (height, width) for radiographs, the whole range, radiopaque bright.
    annotations : dict
        GeoJSON FeatureCollection; `write_scene` adds the hash of the file.
    truth : dict
        Schema 1; lengths in the units of `audit.core.vocabulary.MEASURANDS`.
    exif : mapping
        Tags by name: EXIF for a JPEG (``DateTimeOriginal``, ``FocalLength``, ``FNumber`` ...), DICOM keywords for a radiograph.
    masks : mapping of str to ndarray of bool
        For tests; never written.
    """

    pixels: np.ndarray
    annotations: dict[str, Any]
    truth: dict[str, Any]
    exif: Mapping[str, Any] = field(default_factory=dict)
    masks: Mapping[str, np.ndarray] = field(default_factory=dict)


def write_scene(scene: Scene, path: str | Path) -> None:
    """Write the picture (by suffix), ``<stem>.geojson`` and ``<stem>.truth.json`` beside it."""
    path = Path(path)
    if path.suffix.lower() in (".dcm", ".dicom"):
        write_dicom(path, scene.pixels, scene.exif)
    elif scene.pixels.dtype == np.uint16:
        Image.fromarray((scene.pixels >> 8).astype(np.uint8)).save(path)
    else:
        Image.fromarray(scene.pixels).save(path)
    marks = {**scene.annotations, "sha256": hashlib.sha256(path.read_bytes()).hexdigest()}
    path.with_suffix(".geojson").write_text(json.dumps(marks, indent=1), encoding="utf-8")
    path.with_suffix(".truth.json").write_text(json.dumps(scene.truth, indent=1), encoding="utf-8")
