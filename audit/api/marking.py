"""Marks made on the pages: their drafts, measuring a draft, confirming it into the practice folder and the ledger.

A confirmed file is never lost: the former one stays beside it under a number.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

from audit.api.desk import Desk, Draft, DraftConflict, load_draft, save_draft
from audit.api.examiner_first import without
from audit.api.files import keep_former, write_whole
from audit.api.photo import audit_key, load_marks, measure_photo
from audit.api.reports import read_case_folder
from audit.api.shapes import checked_shape, collection_of, is_whole, shapes_of
from audit.calibration.calibrate import calibrate
from audit.core.annotations import check_inside, parse_annotations
from audit.core.clinical import CaseFolder, KnownLength, PhotoEntry, Restoration
from audit.core.records import Calibration, Document
from audit.errors import AnnotationError, RecordError
from audit.imaging.codec import read_image
from audit.imaging.found import found_on
from audit.imaging.overlay import Marks
from audit.intake import accept
from audit.ledger.store import open_ledger

__all__ = [
    "Measured", "add_proposed_metal", "confirm_marks", "draft_marks", "draft_scale", "found_lines", "incomplete_marks", "marks_beside",
    "measure_draft", "save_marks",
]  # fmt: skip

_KIND = "marks"


@dataclass(frozen=True)
class Measured:
    """A document with the draft's revision that it was measured from, the collection measured, and the marks beside the photo then."""

    document: Document
    revision: int
    collection: dict[str, Any]
    beside: bytes = b""


def draft_marks(desk: Desk, file: str) -> Draft:
    """Shapes of a photo as last drawn; before anything was drawn, those of the file beside it.

    Raises
    ------
    ImageError
        No such photo.
    AnnotationError
        The file beside it is broken.
    """
    path = desk.image(file)
    draft = load_draft(desk, _KIND, file)
    return draft if draft.revision else replace(draft, body={"shapes": shapes_of(marks_beside(path)), "open": None})


def save_marks(desk: Desk, file: str, revision: int, body: Mapping[str, Any]) -> Draft:
    """Save the shapes of a photo that were made from `revision`.

    Raises
    ------
    DraftConflict
        Another window saved in between; nothing was written.
    """
    desk.image(file)
    shapes = [checked_shape(shape) for shape in body.get("shapes") or ()]
    return save_draft(desk, _KIND, file, revision, {"shapes": shapes, "open": body.get("open")})


def incomplete_marks(draft: Draft) -> list[str]:
    """Roles of shapes with too few points to be anything yet: they are left out of measuring."""
    return [shape["role"] for shape in draft.body["shapes"] if not shape["found"] and not is_whole(shape)]


def draft_scale(desk: Desk, file: str) -> Calibration | None:
    """The scale that the marked reference gives; ``None`` where none is marked.

    Raises
    ------
    Refused
        With the reason and the next step.
    """
    path = desk.image(file)
    marks = parse_annotations(collection_of(draft_marks(desk, file).body["shapes"], {}))
    feature = marks.first("reference")
    if feature is None:
        return None
    image = read_image(path)
    check_inside(marks, image.pixels.shape[1], image.pixels.shape[0], image.sha256)
    photo = accept(image, radiograph=marks.is_radiograph, today=date.today())
    seen_in = next((one.seen_in for one in marks.features if one.role != "reference"), feature.seen_in)
    lengths = _known_lengths(desk, file)
    return calibrate(image.pixels, photo, feature, tooth_seen_in=seen_in, dicom=image.dicom, known_lengths=lengths)


def measure_draft(desk: Desk, file: str, reader: str = "") -> Measured:
    """Measure a photo with the marks of its draft.

    Raises
    ------
    AuditError
        The photo cannot be read, or its marks contradict the contract.
    """
    path, draft = desk.image(file), draft_marks(desk, file)
    entry, restoration = _listed(read_case_folder(desk.folder), file)
    collection = collection_of(draft.body["shapes"], _members(path, entry, restoration, reader))
    document = measure_photo(path, collection, known_lengths=restoration.known_lengths)
    return Measured(document, draft.revision, {**collection, "sha256": document.photo.sha256}, _beside(path))


def confirm_marks(desk: Desk, file: str, measured: Measured) -> Document:
    """Write the measured marks beside the photo, and the photo with its readings into the ledger, as an audit of the folder would.

    Raises
    ------
    DraftConflict
        The marks have changed since they were measured, or somebody else has confirmed others.
    RecordError
        The photo is not listed.
    """
    path = desk.image(file)
    if load_draft(desk, _KIND, file).revision != measured.revision:
        raise DraftConflict("marks must be those that were measured; they have changed since.", "Measure again, then confirm.")
    cases = read_case_folder(desk.folder)
    entry, restoration = _listed(cases, file)
    text = json.dumps(measured.collection, allow_nan=False)
    body = json.loads(text)
    key = audit_key(path, body, restoration.known_lengths)
    if key.sha256 != measured.document.photo.sha256:
        raise DraftConflict("photo must be the one that was measured; its file has changed since.", "Measure again, then confirm.")
    marks = path.with_suffix(".geojson")
    if (now := _beside(path)) != text.encode():
        if now != measured.beside:
            who = marks_beside(path).get("reader", "somebody else")
            raise DraftConflict(f"photo must be confirmed by one reader at a time; {who} confirmed marks of it after these were measured.",
                                "Look at what is confirmed now, measure again, then confirm.")  # fmt: skip
        keep_former(marks)
        write_whole(marks, text.encode())
    with open_ledger(desk.ledger_url) as ledger:
        ledger.store_folder(cases)
        ledger.store_document(entry, measured.document, body, key.annotation_hash)
    return measured.document


def add_proposed_metal(desk: Desk, file: str, measured: Measured) -> Draft:
    """The metal that the tool outlined, added to the draft as a shape that the reader may correct.

    Raises
    ------
    RecordError
        Nothing was outlined.
    """
    regions = [r.details["region"] for r in measured.document.readings if r.details.get("region") and r.details.get("by") == "proposal"]
    if not regions:
        raise RecordError("there must be a proposed outline of metal to take over; got none.", "Draw the metal, or measure again.")
    feature = {"properties": {"role": "metal", "source": "reader", "proposed": True}, "geometry": regions[0]}
    draft = draft_marks(desk, file)
    kept = [shape for shape in draft.body["shapes"] if shape["role"] != "metal"]
    added = [{**shape, "id": f"p{measured.revision}-{shape['id']}"} for shape in shapes_of({"features": [feature]})]
    return save_marks(desk, file, draft.revision, {"shapes": [*kept, *added], "open": None})


def found_lines(measured: Measured, held: Set[str] = frozenset()) -> list[dict[str, Any]]:
    """What was found on the photo, as lines in its pixels: ``{"pen", "xy", "closed"}``, for drawing over it; nothing of what is `held`."""
    document = without(measured.document, held)
    return found_on(Marks(load_marks(measured.collection), document.calibration, document.readings, document.segments))


def _listed(cases: CaseFolder, file: str) -> tuple[PhotoEntry, Restoration]:
    entry = next((one for one in cases.photos if one.file == file), None)
    if entry is None:
        raise RecordError(f"photo must be listed in photos.csv; {file!r} is not.", "Bring it in: say which restoration and visit it shows.")
    return entry, next(one for one in cases.restorations if one.code == entry.restoration)


def _known_lengths(desk: Desk, file: str) -> Sequence[KnownLength]:
    cases = read_case_folder(desk.folder)
    entry = next((one for one in cases.photos if one.file == file), None)
    return () if entry is None else _listed(cases, file)[1].known_lengths


def _members(path: Path, entry: PhotoEntry, restoration: Restoration, reader: str) -> dict[str, Any]:
    """What the file says of the tooth: what it said before, and what the tables say."""
    former = {name: value for name, value in marks_beside(path).items() if name not in ("type", "features")}
    said = {
        "tooth": restoration.tooth.iso3950, "tooth_notation": "iso3950", "design": restoration.design, "alloy": restoration.alloy,
        "view": entry.view, "restoration": entry.restoration, "modality": "radiograph" if entry.view == "bitewing" else "photo",
    }  # fmt: skip
    return {**former, **said, **({"reader": reader} if reader else {})}


def _beside(path: Path) -> bytes:
    """The file of marks beside a photo as it is; empty where there is none."""
    marks = path.with_suffix(".geojson")
    return marks.read_bytes() if marks.is_file() else b""


def marks_beside(path: Path) -> dict[str, Any]:
    """The collection in the file beside a photo; an empty one where there is none."""
    marks = path.with_suffix(".geojson")
    if not marks.is_file():
        return {"type": "FeatureCollection", "features": []}
    try:
        data = json.loads(marks.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError) as error:
        raise AnnotationError(f"annotation file must be JSON; got {error} in {marks.name}.", "Mend or remove the file.") from error
    parse_annotations(data)
    return dict(data)
