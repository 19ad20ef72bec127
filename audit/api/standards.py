"""One restoration in the open standards: FHIR for records, DICOM for images with their readings."""

from __future__ import annotations

import json
from pathlib import Path

from audit.api.record import tooth_record
from audit.core.outcome import PhotoRecord, ToothRecord
from audit.exchange.dicom_photo import PhotoFacts, photo_dicom
from audit.exchange.dicom_sr import readings_sr
from audit.exchange.fhir import fhir_bundle
from audit.imaging.codec import read_image

__all__ = ["write_standards"]


def write_standards(ledger_url: str, code: str, photo_folder: str | Path, out_folder: str | Path) -> list[Path]:
    """A FHIR R4 Bundle, and for each photo on hand a DICOM image with a structured report of its readings.

    Parameters
    ----------
    ledger_url, code : str
    photo_folder : str or Path
        Photos that are not there are left out; DICOM radiographs stay as they are and get a report beside them.
    out_folder : str or Path
        Made where it is missing. Nothing is de-identified: this is for the practice's own systems.

    Returns
    -------
    list of Path
        The files written.
    """
    record = tooth_record(ledger_url, code)
    out = Path(out_folder)
    out.mkdir(parents=True, exist_ok=True)
    path = out / f"{code}.fhir.json"
    path.write_text(json.dumps(fhir_bundle(record), indent=1, ensure_ascii=False), encoding="utf-8")
    written = [path]
    for visit in record.visits:
        for photo in visit.photos:
            source = Path(photo_folder) / photo.file
            if photo.sha256 and source.is_file():
                written += _photo(record, visit.visit.on, photo, source, out)
    return written


def _photo(record: ToothRecord, on: str, photo: PhotoRecord, source: Path, out: Path) -> list[Path]:
    file, stem = read_image(source), f"{record.restoration.code}_{on}_{photo.view}_{photo.sha256[:8]}"
    written = []
    if file.format == "DICOM":
        image = source.read_bytes()
    elif file.pixels.ndim == 3:
        image = photo_dicom(file.pixels, PhotoFacts(record.restoration, on, photo.view, photo.sha256))
        written.append(out / f"{stem}.dcm")
        written[0].write_bytes(image)
    else:
        return []  # a radiograph exported as a plain picture has no spacing and no place among DICOM radiographs
    report = out / f"{stem}_readings.dcm"
    report.write_bytes(readings_sr(image, record.restoration, photo.readings, photo.refusals))
    return [*written, report]
