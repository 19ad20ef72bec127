"""The verbs, in order: measure a photo, judge a folder, tell a tooth's record, write the reports. No arithmetic here.

Pages, commands and notebooks call this module and nothing behind it.
"""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from audit.analysis.posed_anew import PosedAnew, posed_anew
from audit.analysis.recall import tooth_record as _tooth_record
from audit.calibration.calibrate import calibrate
from audit.core.annotations import Annotations, check_inside, parse_annotations, read_annotations
from audit.core.clinical import CaseFolder, KnownLength
from audit.core.outcome import PhotoRecord, ToothRecord, VisitRecord
from audit.core.picture import Picture
from audit.core.records import Calibration, Document, Photo, Reading, Refusal, Segment
from audit.errors import AnnotationError, AuditError, ImageError, Refused
from audit.folder import IMAGE_SUFFIXES, read_folder, unlisted_images
from audit.imaging.codec import ImageFile, read_image
from audit.imaging.overlay import Marks
from audit.imaging.overlay import overlay_png as _overlay_png
from audit.imaging.tiles import common_window_mm, tile
from audit.imaging.unroll import margin_length_mm, unrolled_margin
from audit.intake import accept
from audit.ledger.store import Ledger, open_ledger
from audit.measure.gingiva import measure_gingiva
from audit.measure.margin import measure_margin
from audit.measure.metal import measure_metal
from audit.measure.radiograph import measure_radiograph
from audit.report import tables
from audit.report.cautions import CAUTIONS
from audit.report.charts import charts
from audit.report.document import Report, index_row, make_report
from audit.report.render import document_fragment, fragments, index_html, list_fragment
from audit.report.render import tooth_html as _tooth_html

__all__ = [
    "CAUTIONS", "AuditError", "AuditKey", "Ledger", "Report", "audit_key", "charts", "document_fragment", "fragments", "index_row",
    "judge_images", "list_fragment", "measure_photo", "open_ledger", "overlay_png", "read_case_folder", "refused_document",
    "report_data", "series", "tooth_codes",
    "tooth_html", "tooth_record", "tooth_records", "unlisted_images", "write_reports",
]  # fmt: skip

AnnotationSource = str | Path | Mapping[str, Any] | None
Progress = Callable[[int, int, str], None]
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
    return _measure(read_image(path), _load(annotations), known_lengths, today or date.today())


def refused_document(path: str | Path, error: AnnotationError) -> Document:
    """The document of a photo whose annotations are refused: the photo, and that one refusal."""
    photo = accept(read_image(path), radiograph=False, today=date.today())
    return Document(photo, None, refusals=(Refusal("annotations", "annotations_refused", error.message, error.hint),))


def overlay_png(path: str | Path, annotations: AnnotationSource, document: Document) -> bytes:
    """The photo with everything marked and found on it, as PNG bytes."""
    marks = Marks(_load(annotations), document.calibration, document.readings, document.segments)
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


def read_case_folder(folder: str | Path) -> CaseFolder:
    """The tables of a practice folder, read and checked."""
    return read_folder(folder, date.today())


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


def tooth_codes(ledger_url: str) -> list[str]:
    """Codes of all restorations in a ledger, sorted."""
    with open_ledger(ledger_url) as ledger:
        return list(ledger.codes())


def tooth_record(ledger_url: str, code: str, today: date | None = None) -> ToothRecord:
    """Everything that the years say of one restoration, statistics done."""
    with open_ledger(ledger_url) as ledger:
        return _record(ledger, code, posed_anew(map(ledger.history, ledger.codes())), today or date.today())


def tooth_records(ledger_url: str, today: date | None = None) -> list[ToothRecord]:
    """The records of all restorations, by code."""
    with open_ledger(ledger_url) as ledger:
        codes = ledger.codes()
        repeatability = posed_anew(map(ledger.history, codes))
        return [_record(ledger, code, repeatability, today or date.today()) for code in codes]


def series(ledger_url: str, code: str) -> pd.DataFrame:
    """Readings of one restoration over its visits, one row a reading."""
    return tables.series(tooth_record(ledger_url, code))


def report_data(ledger_url: str, code: str, photo_folder: str | Path) -> Report:
    """The report of one restoration as data, its pictures drawn from the photos in `photo_folder`."""
    folder = Path(photo_folder)
    rows = read_case_folder(folder).refused_of.get(code, ()) if (folder / "restorations.csv").is_file() else ()
    return _report(tooth_record(ledger_url, code), folder, rows)


def tooth_html(ledger_url: str, code: str, photo_folder: str | Path) -> str:
    """The report of one restoration as one self-contained HTML page."""
    return _tooth_html(report_data(ledger_url, code, photo_folder))


def write_reports(
    ledger_url: str, photo_folder: str | Path, out_folder: str | Path, *, refused_files: Sequence[str] = (),
    progress: Progress | None = None,
) -> Path:  # fmt: skip
    """One HTML report per restoration, tidy CSV tables beside them, and the index, whose path is returned.

    Parameters
    ----------
    refused_files : sequence of str
        One line for each file that was not taken in, for the index; refused rows of the folder's tables are read again.
    progress : callable, optional
        Called with (done, total, file) after each report.
    """
    out = Path(out_folder)
    out.mkdir(parents=True, exist_ok=True)
    records, cases = tooth_records(ledger_url), read_case_folder(photo_folder)
    for done, record in enumerate(records, 1):
        name = f"{record.restoration.code}.html"
        (out / name).write_text(
            _tooth_html(_report(record, Path(photo_folder), cases.refused_of.get(record.restoration.code, ()))), encoding="utf-8"
        )
        if progress is not None:
            progress(done, len(records), name)
    return _write_index(records, out, (*cases.refused_rows, *refused_files))


def _write_index(records: Sequence[ToothRecord], out: Path, refused: Sequence[str]) -> Path:
    kinds = {"readings": tables.series, "refusals": tables.refusals, "findings": tables.findings}
    for name, table in kinds.items():
        (out / f"{name}.csv").write_text(tables.to_csv([table(record) for record in records]), encoding="utf-8")
    counts = Counter(refusal.code for record in records for visit in record.visits for photo in visit.photos for refusal in photo.refusals)
    rows = [index_row(record, f"{record.restoration.code}.html") for record in records]
    index = out / "index.html"
    index.write_text(index_html(rows, counts, refused, generated_on=date.today().isoformat()), encoding="utf-8")
    return index


def _report(record: ToothRecord, folder: Path, refused_rows: Sequence[str]) -> Report:
    tiles, margins = _pictures(record, folder)
    return make_report(record, tiles=tiles, margins=margins, refused_rows=refused_rows, generated_on=date.today().isoformat())


def _record(ledger: Ledger, code: str, repeatability: Mapping[tuple[str, str], PosedAnew], today: date) -> ToothRecord:
    months = ledger.recall_months(code)
    return _tooth_record(ledger.restoration(code), ledger.history(code), today, recall_months=months, repeatability=repeatability)


def _load(annotations: AnnotationSource) -> Annotations:
    if annotations is None:
        return Annotations()
    return parse_annotations(annotations) if isinstance(annotations, Mapping) else read_annotations(annotations)


def _measure(file: ImageFile, marks: Annotations, known_lengths: Sequence[KnownLength], today: date) -> Document:
    height, width = file.pixels.shape[:2]
    check_inside(marks, width, height, file.sha256)
    photo = accept(file, radiograph=marks.is_radiograph, today=today)
    calibration, refusals = _calibrate(file, photo, marks, known_lengths)
    readings: list[Reading] = []
    segments: list[Segment] = []
    families = (measure_radiograph,) if photo.modality == "radiograph" else (measure_metal, measure_gingiva)
    for measure in families:
        found, refused = measure(file.pixels, photo, calibration, marks)
        readings, refusals = readings + found, refusals + refused
    if photo.modality == "photo":
        found, segments, refused = measure_margin(file.pixels, photo, calibration, marks)
        readings, refusals = readings + found, refusals + refused
    return Document(photo, calibration, tuple(readings), tuple(segments), tuple(refusals))


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
        feature = marks.first("reference")
        return calibrate(file.pixels, photo, feature, tooth_seen_in=seen_in, dicom=file.dicom, known_lengths=known_lengths), []
    except Refused as refused:
        return None, [Refusal("mm_per_px", refused.code, refused.message, refused.hint)]


@dataclass(frozen=True)
class _Shown:
    """One photo of a record with what is marked on it; pixels are read again when its picture is drawn."""

    path: Path
    photo: PhotoRecord
    on: str
    caption: str
    marks: Marks


def _pictures(record: ToothRecord, folder: Path) -> tuple[list[Picture], list[Picture]]:
    tiles: list[Picture] = []
    margins: list[Picture] = []
    shown = [one for visit in record.visits for photo in visit.photos if (one := _shown(visit, photo, folder))]
    for view in dict.fromkeys(one.photo.view for one in shown):
        strip = [one for one in shown if one.photo.view == view]
        window = common_window_mm([(one.marks, one.photo.width_px, one.photo.height_px) for one in strip])
        axis_mm = max(margin_length_mm(one.marks) for one in strip)
        for one in strip:
            pixels = read_image(one.path).pixels
            words = {"view": view, "on": one.on, "caption": one.caption}
            tiles.append(tile(pixels, one.marks, window, **words))
            if axis_mm > 0 and (strip_picture := unrolled_margin(pixels, one.marks, axis_mm, **words)) is not None:
                margins.append(strip_picture)
    return tiles, margins


def _shown(visit: VisitRecord, photo: PhotoRecord, folder: Path) -> _Shown | None:
    path = folder / photo.file
    if not photo.sha256 or not path.is_file():
        return None
    marks = Marks(_load(photo.annotations), photo.calibration, photo.readings, photo.segments)
    caption = f"{visit.visit.on}, {visit.visit.stage}, {visit.months:.0f} months"
    return _Shown(path, photo, visit.visit.on, caption, marks)
