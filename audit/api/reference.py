"""The reference in a photo: strips to print, and what a calibration found."""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from audit.api.photo import AnnotationSource, load_marks
from audit.calibration.calibrate import calibrate
from audit.calibration.several import calibrate_by_all
from audit.core.annotations import Feature, check_inside
from audit.core.records import Calibration, Photo
from audit.errors import RecordError, Refused
from audit.imaging.calibration_picture import calibration_png
from audit.imaging.codec import ImageFile, read_image
from audit.intake import accept
from audit.report.calibration_words import calibration_lines
from audit.report.strip_sheet import PAPERS_MM, strip_sheet_pdf

__all__ = ["ShownCalibration", "calibrate_photo", "save_picture", "unaided", "write_strip_sheet"]

_LETTERS = "ACDEFHJKLMNPQRTUVWXY34679"  # none that is taken for another when copied by hand


@dataclass(frozen=True)
class ShownCalibration:
    """A calibration with its words, one line each, and its picture."""

    calibration: Calibration
    lines: tuple[str, ...]
    picture_png: bytes


def calibrate_photo(path: str | Path, annotations: AnnotationSource = None) -> ShownCalibration:
    """The scale of one photo, in words and as a picture.

    Parameters
    ----------
    path : str or Path
    annotations : str, Path, mapping or None
        With the references marked. Where none is, the printed strip is looked for, then a rule, on a DICOM file its spacing.

    Raises
    ------
    ImageError, AnnotationError
        A mistake in the files.
    Refused
        There is no scale; with the reason and the next step.
    """
    file, marks = read_image(path), load_marks(annotations)
    check_inside(marks, file.pixels.shape[1], file.pixels.shape[0], file.sha256)
    photo = accept(file, radiograph=marks.is_radiograph, today=date.today())
    references = tuple(marks.all("reference"))
    if references or photo.modality == "radiograph" or file.dicom is not None:
        seen_in = next((f.seen_in for f in marks.features if f.role != "reference"), references[0].seen_in if references else "direct")
        calibration = calibrate_by_all(file.pixels, photo, references, tooth_seen_in=seen_in, dicom=file.dicom)
    else:
        calibration = unaided(file, photo)
    return ShownCalibration(calibration, tuple(calibration_lines(calibration)), calibration_png(file.pixels, calibration))


def unaided(file: ImageFile, photo: Photo) -> Calibration:
    """By whatever finds itself: a strip, the right way round or in a mirror, else a rule."""
    for kind, seen_in in (("strip", "direct"), ("strip", "mirror"), ("rule", "direct")):
        try:
            feature = Feature("reference", None, {"kind": kind, "seen_in": seen_in})
            return calibrate(file.pixels, photo, feature, tooth_seen_in=seen_in)
        except Refused as refused:
            if kind == "strip" and refused.code not in ("strip_not_found", "seen_in_contradicts"):
                raise
    raise Refused("no_reference", "A strip or a rule must be found beyond doubt where nothing is marked; got neither.",
                  "Mark the reference in an annotation file, and name it with --annotations.")  # fmt: skip


def save_picture(path: str | Path, shown: ShownCalibration) -> None:
    """Write the picture of a calibration as PNG.

    Raises
    ------
    RecordError
        A place that cannot be written.
    """
    _write(path, shown.picture_png)


def write_strip_sheet(path: str | Path, paper: str = "a4") -> str:
    """Write a PDF sheet of reference strips; its identity, new with every sheet, is returned.

    Raises
    ------
    RecordError
        Another paper than a4 or letter, or a place that cannot be written.
    """
    if paper not in PAPERS_MM:
        raise RecordError(f"paper must be one of {', '.join(PAPERS_MM)}; got {paper!r}.", "Use --paper a4 or --paper letter.")
    sheet = "".join(secrets.choice(_LETTERS) for _ in range(4))
    _write(path, strip_sheet_pdf(paper, sheet))
    return sheet


def _write(path: str | Path, data: bytes) -> None:
    try:
        Path(path).write_bytes(data)
    except OSError as error:
        raise RecordError(f"out must be a place to write to; got {error.strerror} for {Path(path).name}.", "Give another file.") from error
