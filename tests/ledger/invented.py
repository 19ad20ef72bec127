"""Invented restorations, visits and documents."""

from __future__ import annotations

from audit.core.clinical import CaseFolder, Event, Finding, Grade, PhotoEntry, Restoration, Visit
from audit.core.quantity import Quantity, source
from audit.core.records import Calibration, Document, Optics, Photo, Reading, Refusal, Segment
from audit.core.tooth import Tooth
from audit.errors import ImageError
from audit.ledger.store import Ledger

CODE = "M01-001"
RESTORATION = Restoration(CODE, Tooth.parse("16", "iso3950"), "iso3950", "seven_eighths", "gold", "2020-01-15", "M01")


def sha(number: int) -> str:
    return f"{number:064x}"


def document(number: int = 1, measurands: int = 3) -> Document:
    """A document with readings of every status."""
    photo = Photo(sha(number), 600, 400, "2020-03-01", "exact", "photo", Optics(100.0, 22.0, 6.0, "camera"), ("soft",), f"{number}.jpg")
    scale = Quantity(0.0123, "mm/px", {source("graduation", "R7:10-30"): 1e-5, source("offset", photo.identity): -2e-5}, {"offset/x": 4.0})
    calibration = Calibration(
        "rule", scale, scale.scaled(1.01), 12.5, None, Quantity(1.2, "px"), "direct", "rule_comb@1", ("few",), {"at": [1.5]}
    )
    value = Quantity(1 / 3, "mm", {source("pose", photo.identity): 0.1 + 0.2, source("graduation", "R7:10-30"): -1e-17})
    readings = (
        Reading.measured("visible_metal_height", value, "visible_metal@1", flags=("site:mesiofacial",), details={"outline": [[1.0, 2.5]]}),
        Reading("widest_marginal_opening", "um", "below_detection", None, (0.0, 57.0), "margin@1", Quantity(-3.0, "um", {"blur/x": 20.0})),
        Reading("mean_marginal_opening", "um", "detected", None, (10.0, 80.0), "margin@1"),
    )
    segments = (Segment(0.0, 1.25, "continuous"), Segment(1.25, 2.0, "open", Quantity(140.0, "um", {"blur/x": 25.0})))
    return Document(
        photo, calibration, readings[:measurands], segments, (Refusal("margin_to_gingiva", "no_trace", "No trace.", "Trace it."),)
    )


def entry(number: int = 1, *, code: str = CODE, on: str = "2020-03-01", view: str = "facial") -> PhotoEntry:
    return PhotoEntry(f"photos/{number}.jpg", code, on, view)


def folder(**tables: tuple) -> CaseFolder:
    given = {
        "visits": (Visit(CODE, "2020-03-01", "baseline", "E1"), Visit(CODE, "2021-01-20", "recall", "E1")),
        "findings": (Finding(CODE, "2020-03-01", "explorer", "no_catch", "mesial", "E1"),),
        "grades": (Grade(CODE, "2020-03-01", "ryge", "caries", "alfa", "E1"),),
        "events": (Event(CODE, "2020-06-01", "recemented", "came off at dinner"),),
    }
    return CaseFolder((RESTORATION,), **{**given, **tables})


def fill(ledger: Ledger) -> None:
    """Two measured photos and a refused one."""
    ledger.store_folder(folder(photos=(entry(1), entry(2, on="2021-01-20"), entry(3))))
    ledger.store_document(entry(1), document(1), {"type": "FeatureCollection", "features": []}, "marks-1")
    ledger.store_document(entry(2, on="2021-01-20"), document(2), None, "marks-0")
    ledger.store_refused_file(entry(3), ImageError("image must be whole; got a truncated JPEG.", "Export it again."))
