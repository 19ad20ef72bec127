"""One photo: what names its audit, everything that can be measured on it, its picture with marks."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

from audit.calibration.several import calibrate_by_all
from audit.core.annotations import Annotations, check_inside, parse_annotations, read_annotations
from audit.core.clinical import KnownLength, Restoration
from audit.core.records import Calibration, Document, Photo, Reading, Refusal, Segment
from audit.core.tooth import Tooth
from audit.errors import AnnotationError, AuditError, ImageError, Refused
from audit.folder import IMAGE_SUFFIXES
from audit.imaging.codec import ImageFile, read_image
from audit.imaging.overlay import Marks
from audit.imaging.overlay import overlay_png as _overlay_png
from audit.intake import accept
from audit.measure.crown_size import IMPLAUSIBLE, judge_crown_size
from audit.measure.gingiva import measure_gingiva
from audit.measure.margin import measure_margin
from audit.measure.metal import measure_metal
from audit.measure.radiograph import measure_radiograph

__all__ = [
    "AnnotationSource",
    "AuditKey",
    "audit_key",
    "check_marks_belong",
    "judge_images",
    "load_marks",
    "measure_photo",
    "overlay_png",
    "refused_document",
]

AnnotationSource = str | Path | Mapping[str, Any] | None
_VERSIONS = "1"  # of how the stages are put together; the methods' own numbers stand in each reading


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
    return _measure(read_image(path), load_marks(annotations), known_lengths, today or date.today())


def refused_document(path: str | Path, error: AnnotationError) -> Document:
    """The document of a photo whose annotations are refused: the photo, and that one refusal."""
    photo = accept(read_image(path), radiograph=False, today=date.today())
    return Document(photo, None, refusals=(Refusal("annotations", "annotations_refused", error.message, error.hint),))


def overlay_png(path: str | Path, annotations: AnnotationSource, document: Document) -> bytes:
    """The photo with everything marked and found on it, as PNG bytes."""
    marks = Marks(load_marks(annotations), document.calibration, document.readings, document.segments)
    return _overlay_png(read_image(path).pixels, marks)


def judge_images(folder: str | Path) -> Iterator[tuple[str, Photo | AuditError]]:
    """Every image below a folder with what intake says of it, by relative name."""
    root = Path(folder)
    if not root.is_dir():
        raise ImageError(f"folder must exist; got {root.name}.", "Check the folder's name and place.")
    for path in sorted(p for p in root.rglob("*") if p.suffix.lower() in IMAGE_SUFFIXES and p.is_file()):
        try:
            outcome: Photo | AuditError = accept(read_image(path), radiograph=False, today=date.today())
        except AuditError as error:
            outcome = error
        yield path.relative_to(root).as_posix(), outcome


def check_marks_belong(marks: Mapping[str, Any] | None, restoration: Restoration) -> None:
    """Refuse marks whose file names another restoration, tooth or design than the tables do.

    Raises
    ------
    AnnotationError
        With what differs.
    """
    if marks is None:
        return
    notation = marks.get("tooth_notation") or restoration.tooth_notation or None
    tooth = marks.get("tooth")
    said = {
        "restoration": (marks.get("restoration"), restoration.code),
        "tooth": (Tooth.parse(str(tooth), notation).iso3950 if tooth else None, restoration.tooth.iso3950),
        "design": (marks.get("design"), restoration.design),
    }
    for name, (got, must) in said.items():
        if got and got != must:
            raise AnnotationError(f"{name} of the marks must be that of the tables, {must}; got {got}.",
                                  "Put the right annotation file beside the photo, or correct the tables.")  # fmt: skip


@dataclass(frozen=True)
class AuditKey:
    """What names an audit: the image, and everything beside its pixels that the result depends on."""

    sha256: str
    annotation_hash: str


def audit_key(path: Path, annotations: Mapping[str, Any] | None, known_lengths: Sequence[KnownLength]) -> AuditKey:
    """The name of the audit of one photo; the same name is never measured twice.

    Raises
    ------
    ImageError
        The file cannot be read.
    """
    try:
        sha256 = hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError as error:
        raise ImageError(f"{path.name}: file must be readable; got {error.strerror}.", "Check the name in photos.csv.") from error
    body = {"annotations": annotations, "known_lengths": [asdict(length) for length in known_lengths], "versions": _VERSIONS}
    return AuditKey(sha256, hashlib.sha256(json.dumps(body, sort_keys=True).encode()).hexdigest())


def load_marks(annotations: AnnotationSource) -> Annotations:
    """Marks from a file, from a decoded collection, or none at all."""
    if annotations is None:
        return Annotations()
    return parse_annotations(annotations) if isinstance(annotations, Mapping) else read_annotations(annotations)


def _measure(file: ImageFile, marks: Annotations, known_lengths: Sequence[KnownLength], today: date) -> Document:
    height, width = file.pixels.shape[:2]
    check_inside(marks, width, height, file.sha256)
    photo = accept(file, radiograph=marks.is_radiograph, today=today)
    calibration, refusals = _calibrate(file, photo, marks, known_lengths)
    no_scale = next((r for r in refusals if r.code == IMPLAUSIBLE), None)
    readings: list[Reading] = []
    segments: list[Segment] = []
    families = (measure_radiograph,) if photo.modality == "radiograph" else (measure_metal, measure_gingiva)
    for measure in families:
        found, refused = measure(file.pixels, photo, calibration, marks)
        readings, refusals = readings + found, refusals + refused
    if photo.modality == "photo":
        found, segments, refused = measure_margin(file.pixels, photo, calibration, marks)
        readings, refusals = readings + found, refusals + refused
    if no_scale is not None:
        refusals = [replace(no_scale, measurand=r.measurand) if r.code == "no_reference" else r for r in refusals]
    return Document(photo, calibration, tuple(r.resting_on(calibration) for r in readings), tuple(segments), tuple(refusals))


def _calibrate(
    file: ImageFile, photo: Photo, marks: Annotations, known_lengths: Sequence[KnownLength]
) -> tuple[Calibration | None, list[Refusal]]:
    roles = ("facial_surface", "occlusal_surface", "margin", "fit_site")
    measured = next((feature for role in roles if (feature := marks.first(role))), None)
    seen_in = measured.seen_in if measured else "direct"
    if len({feature.seen_in for feature in marks.features if feature.role != "reference"}) > 1:
        return None, [Refusal("mm_per_px", "mixed_light_path", "Everything measured must be seen the same way; got marks seen directly and "
                              "in the mirror.", "Mark the tooth either directly or in the mirror.")]  # fmt: skip
    try:
        references = tuple(marks.all("reference"))
        found = calibrate_by_all(file.pixels, photo, references, tooth_seen_in=seen_in, dicom=file.dicom, known_lengths=known_lengths)
    except Refused as refused:
        return None, [Refusal("mm_per_px", refused.code, refused.message, refused.hint)]
    judged = judge_crown_size(found, marks)
    return (None, [judged]) if isinstance(judged, Refusal) else (judged, [])
