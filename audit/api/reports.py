"""Reports: a restoration's as data and as a page, all of a folder's with their index and tables."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path
from typing import Any

from audit.api.photo import load_marks
from audit.api.practice_summary import write_summary
from audit.api.record import LetThrough, tooth_record, tooth_records
from audit.core.clinical import CaseFolder
from audit.core.outcome import PhotoRecord, ToothRecord, VisitRecord
from audit.core.picture import Picture
from audit.exchange.dictionary import data_package
from audit.folder import read_folder
from audit.imaging.as_taken import as_taken
from audit.imaging.codec import read_image
from audit.imaging.overlay import Marks
from audit.imaging.photo_strip import StripPhoto, photo_strip
from audit.imaging.unroll import margin_length_mm, unrolled_margin
from audit.report import tables
from audit.report.document import Report, index_row, make_report
from audit.report.render import index_html
from audit.report.render import tooth_html as _tooth_html

__all__ = ["read_case_folder", "report_data", "report_of", "strip_tiles", "tooth_html", "write_reports"]

Progress = Callable[[int, int, str], None]
_Prepared = Callable[[Any], Any]  # pixels to pixels


def read_case_folder(folder: str | Path) -> CaseFolder:
    """The tables of a practice folder, read and checked."""
    return read_folder(folder, date.today())


def report_data(ledger_url: str, code: str, photo_folder: str | Path, let_through: LetThrough | None = None) -> Report:
    """The report of one restoration as data, its pictures drawn from the photos in `photo_folder`."""
    return report_of(tooth_record(ledger_url, code, let_through=let_through), photo_folder)


def report_of(record: ToothRecord, photo_folder: str | Path) -> Report:
    """The report of a record that is at hand."""
    folder, code = Path(photo_folder), record.restoration.code
    rows = read_case_folder(folder).refused_of.get(code, ()) if (folder / "restorations.csv").is_file() else ()
    return _report(record, folder, rows)


def tooth_html(ledger_url: str, code: str, photo_folder: str | Path, let_through: LetThrough | None = None) -> str:
    """The report of one restoration as one self-contained HTML page."""
    return _tooth_html(report_data(ledger_url, code, photo_folder, let_through))


def strip_tiles(record: ToothRecord, photo_folder: str | Path, *, greys_as_taken: bool = False) -> list[Picture]:
    """Tiles of every photo of a record, cropped round the tooth; the greys of radiographs are stretched for showing unless asked not to."""
    return _pictures(record, Path(photo_folder), as_taken if greys_as_taken else _unchanged)[0]


def write_reports(
    ledger_url: str, photo_folder: str | Path, out_folder: str | Path, *, refused_files: Sequence[str] = (),
    progress: Progress | None = None,
) -> Path:  # fmt: skip
    """One HTML report per restoration, tidy CSV tables and the practice's summary beside them, and the index, whose path is returned.

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
    refused = (*cases.refused_rows, *refused_files)
    write_summary(records, ledger_url, out, refused, date.today())
    return _write_index(records, out, refused)


def _write_index(records: Sequence[ToothRecord], out: Path, refused: Sequence[str]) -> Path:
    kinds = {"readings": tables.series, "refusals": tables.refusals, "findings": tables.findings}
    for name, table in kinds.items():
        (out / f"{name}.csv").write_text(tables.to_csv([table(record) for record in records]), encoding="utf-8")
    columns = {"readings": tables.SERIES_COLUMNS, "refusals": tables.REFUSAL_COLUMNS, "findings": tables.FINDING_COLUMNS}
    (out / "datapackage.json").write_text(json.dumps(data_package(columns), indent=1), encoding="utf-8")
    counts = Counter(refusal.code for record in records for visit in record.visits for photo in visit.photos for refusal in photo.refusals)
    rows = [index_row(record, f"{record.restoration.code}.html") for record in records]
    index = out / "index.html"
    index.write_text(
        index_html(
            rows, counts, refused, generated_on=date.today().isoformat(), beside={"summary.html": "This month: recalls and open questions"}
        ),
        encoding="utf-8",
    )
    return index


def _report(record: ToothRecord, folder: Path, refused_rows: Sequence[str]) -> Report:
    tiles, margins = _pictures(record, folder)
    return make_report(record, tiles=tiles, margins=margins, refused_rows=refused_rows, generated_on=date.today().isoformat())


def _unchanged(pixels: Any) -> Any:
    return pixels


def _pictures(record: ToothRecord, folder: Path, prepared: _Prepared = _unchanged) -> tuple[list[Picture], list[Picture]]:
    tiles: list[Picture] = []
    margins: list[Picture] = []
    shown = [one for visit in record.visits for photo in visit.photos if (one := _shown(visit, photo, folder, prepared))]
    for view in dict.fromkeys(one.view for one in shown):
        strip = [one for one in shown if one.view == view]
        axis_mm = max(margin_length_mm(one.marks) for one in strip)
        for one, tile, pixels in photo_strip(strip, record.baseline_on):
            tiles.append(tile)
            if axis_mm > 0:
                margin = unrolled_margin(pixels, one.marks, axis_mm, view=view, on=one.on, caption=one.caption)
                margins += [] if margin is None else [margin]
    return tiles, margins


def _shown(visit: VisitRecord, photo: PhotoRecord, folder: Path, prepared: _Prepared) -> StripPhoto | None:
    path = folder / photo.file
    if not photo.sha256 or not path.is_file():
        return None
    marks = Marks(load_marks(photo.annotations), photo.calibration, photo.readings, photo.segments)
    months = round(visit.months)
    caption = f"{visit.visit.on}, {visit.visit.stage}, {months} {'month' if months == 1 else 'months'}"
    return StripPhoto(
        lambda: prepared(read_image(path).pixels), marks, photo.width_px, photo.height_px, photo.view, visit.visit.on, caption
    )
