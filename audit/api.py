"""The verbs, in order: measure a photo, audit a folder, tell a tooth's record. No arithmetic here.

Pages, commands and notebooks call this module and nothing behind it.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np

from audit.calibration.calibrate import calibrate
from audit.core.annotations import Annotations, check_inside, parse_annotations, read_annotations
from audit.core.clinical import KnownLength
from audit.core.records import Calibration, Document, Photo, Reading, Refusal, Segment
from audit.errors import Refused
from audit.imaging.codec import DicomFacts, ImageFile, read_image
from audit.intake import accept
from audit.measure.gingiva import measure_gingiva
from audit.measure.margin import measure_margin
from audit.measure.metal import measure_metal
from audit.measure.radiograph import measure_radiograph

__all__ = ["measure_photo"]

AnnotationSource = str | Path | Mapping[str, Any] | None


def measure_photo(
    path: str | Path, annotations: AnnotationSource = None, *, known_lengths: Sequence[KnownLength] = (), today: date | None = None
) -> Document:
    """Everything that can be measured on one photo, with what was refused and why.

    Parameters
    ----------
    path : str or Path
        JPEG, PNG, TIFF, HEIC or DICOM.
    annotations : str, Path, mapping or None
        GeoJSON FeatureCollection in pixel coordinates, as a file or decoded.
    known_lengths : sequence of KnownLength
        Caliper lengths of this restoration, for references that name one.
    today : date, optional
        For judging capture dates; the clock's by default.

    Raises
    ------
    ImageError
        The image cannot be read.
    AnnotationError
        The annotations break their contract or belong to another image.
    """
    return measure_image(read_image(path), _load(annotations), known_lengths=known_lengths, today=today)


def measure_image(file: ImageFile, marks: Annotations, *, known_lengths: Sequence[KnownLength] = (), today: date | None = None) -> Document:
    """As `measure_photo`, for an image that is decoded already."""
    height, width = file.pixels.shape[:2]
    check_inside(marks, width, height, file.sha256)
    photo = accept(file, radiograph=marks.is_radiograph, today=today or date.today())
    calibration, refusals = _calibrate(file.pixels, photo, marks, file.dicom, known_lengths)
    readings: list[Reading] = []
    segments: list[Segment] = []
    if photo.modality == "radiograph":
        found, refused = measure_radiograph(file.pixels, photo, calibration, marks)
        readings, refusals = readings + found, refusals + refused
    else:
        for measure in (measure_metal, measure_gingiva):
            found, refused = measure(file.pixels, photo, calibration, marks)
            readings, refusals = readings + found, refusals + refused
        found, segments, refused = measure_margin(file.pixels, photo, calibration, marks)
        readings, refusals = readings + found, refusals + refused
    return Document(photo, calibration, tuple(readings), tuple(segments), tuple(refusals))


def _load(annotations: AnnotationSource) -> Annotations:
    if annotations is None:
        return Annotations()
    return parse_annotations(annotations) if isinstance(annotations, Mapping) else read_annotations(annotations)


def _calibrate(
    pixels: np.ndarray, photo: Photo, marks: Annotations, dicom: DicomFacts | None, known_lengths: Sequence[KnownLength]
) -> tuple[Calibration | None, list[Refusal]]:
    measured = next((f for role in ("facial_surface", "occlusal_surface", "margin", "fit_site") if (f := marks.first(role))), None)
    seen_in = measured.seen_in if measured else "direct"
    try:
        feature = marks.first("reference")
        return calibrate(pixels, photo, feature, tooth_seen_in=seen_in, dicom=dicom, known_lengths=known_lengths), []
    except Refused as refused:
        return None, [Refusal("mm_per_px", refused.code, refused.message, refused.hint)]
