"""Invented records that hold every kind of thing a report can say: stable, changed, below detection, detected, refused, ended."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from audit.core.annotations import parse_annotations
from audit.core.clinical import DEFAULT_SEVEN_EIGHTHS_PLAN, Event, Finding, Grade, Restoration, Visit
from audit.core.outcome import Change, NextRecall, PhotoRecord, PlanCheck, Status, ToothRecord, VisitRecord
from audit.core.quantity import Quantity
from audit.core.records import Calibration, Document, Photo, Reading, Refusal, Segment
from audit.core.tooth import Tooth
from audit.imaging.overlay import Marks, overlay_png
from audit.imaging.tiles import common_window_mm, tile
from audit.imaging.unroll import margin_length_mm, unrolled_margin
from audit.report.document import Report, make_report

CODE = "M01-004"
DATES = {
    "2019-05-06": ("placement", 0.0), "2019-06-11": ("baseline", 1.2), "2019-11-12": ("recall", 6.2), "2020-05-19": ("recall", 12.4),
    "2021-05-10": ("recall", 24.1), "2022-05-16": ("recall", 36.3), "2024-05-13": ("recall", 60.2),
}  # fmt: skip
HEIGHTS = {
    "2019-06-11": (0.42, 0.04), "2019-11-12": (0.44, 0.05), "2021-05-10": (0.41, 0.04), "2022-05-16": (0.46, 0.05),
    "2024-05-13": (0.43, 0.04),
}  # fmt: skip
OPENINGS = {"2021-05-10": (74.0, 14.0), "2022-05-16": (112.0, 15.0), "2024-05-13": (168.0, 17.0)}


def calibration(mm_per_px: float, identity: str = "fake") -> Calibration:
    scale = Quantity(mm_per_px, "mm/px", {f"comb/{identity}": 0.004 * mm_per_px, f"offset/{identity}": 0.009 * mm_per_px})
    return Calibration("rule", scale, scale, 0.0, None, Quantity(1.4, "px", {f"blur/{identity}": 0.1}), "direct", "rule_comb@1")


def annotations(mm_per_px: float, recession_mm: float = 0.0) -> dict[str, Any]:
    """Marks of a tooth 10 by 8 mm in the middle of a photo of 1200 by 900 px, whatever its scale."""

    def at(points: list[tuple[float, float]]) -> list[list[float]]:
        return [[600 + x / mm_per_px, 450 + y / mm_per_px] for x, y in points]

    angles = np.linspace(0, 2 * np.pi, 60)
    tooth = [(4.9 * np.cos(a), 3.9 * np.sin(a)) for a in angles]
    metal = [
        (-4.6, -1.3),
        (-3.4, -2.7),
        (-1.5, -3.6),
        (1.5, -3.6),
        (3.4, -2.7),
        (4.6, -1.3),
        (3.4, -1.9),
        (0, -2.9),
        (-3.4, -1.9),
        (-4.6, -1.3),
    ]
    margin = [(-4.6, -1.3), (-3.4, -1.9), (-1.7, -2.5), (0, -2.9), (1.7, -2.5), (3.4, -1.9), (4.6, -1.3)]
    gum = [(x, 3.2 + 0.6 * np.cos(x / 2.4) + recession_mm) for x in np.linspace(-5, 5, 25)]
    return {
        "type": "FeatureCollection",
        "features": [
            {"type": "Feature", "geometry": {"type": "Polygon", "coordinates": [at(tooth)]}, "properties": {"role": "facial_surface"}},
            {"type": "Feature", "geometry": {"type": "MultiPolygon", "coordinates": [[at(metal)]]}, "properties": {"role": "metal"}},
            {"type": "Feature", "geometry": {"type": "LineString", "coordinates": at(margin)}, "properties": {"role": "margin"}},
            {"type": "Feature", "geometry": {"type": "LineString", "coordinates": at(gum)}, "properties": {"role": "gingival_margin"}},
        ],
    }


def photograph(mm_per_px: float) -> np.ndarray:
    """A stand-in for a photograph: gum, enamel and gold as smooth blobs of 1200 by 900 px."""
    y, x = np.mgrid[0:900, 0:1200].astype(np.float32)
    x_mm, y_mm = (x - 600) * mm_per_px, (y - 450) * mm_per_px
    inside = 1 / (1 + np.exp(-40 * (1 - np.hypot(x_mm / 4.9, y_mm / 3.9))))
    gold = 1 / (1 + np.exp(np.clip(12 * (y_mm + 2.9 - 0.075 * x_mm**2), -50, 50))) * inside
    gum = np.array([196, 128, 122], np.float32) * (0.75 + 0.25 * np.cos(x_mm / 3)[..., None])
    enamel = np.array([222, 208, 184], np.float32) * (1 - 0.03 * np.hypot(x_mm, y_mm)[..., None])
    metal = np.array([205, 162, 84], np.float32) * (0.8 + 0.3 * np.sin(2.2 * x_mm + 3 * y_mm)[..., None])
    picture = gum + inside[..., None] * (enamel - gum) + gold[..., None] * (metal - enamel)
    return np.clip(picture, 0, 255).astype(np.uint8)


def segments(on: str) -> tuple[Segment, ...]:
    if on not in OPENINGS:
        return (Segment(0.0, 8.6, "continuous"), Segment(8.6, 10.4, "unassessable"))
    value, u = OPENINGS[on]
    return (
        Segment(0.0, 3.1, "continuous"), Segment(3.1, 5.6, "open", Quantity(value, "um", {"blur/x": u})), Segment(5.6, 7.0, "stained"),
        Segment(7.0, 8.6, "step"), Segment(8.6, 10.4, "unassessable"),
    )  # fmt: skip


def _opening(on: str) -> Reading:
    if on in OPENINGS:
        value, u = OPENINGS[on]
        return Reading.measured("widest_marginal_opening", Quantity(value, "um", {"blur/x": u}), "margin_profile@1")
    if on == "2019-11-12":
        return Reading("widest_marginal_opening", "um", "detected", None, (28.0, 96.0), "margin_profile@1")
    return Reading("widest_marginal_opening", "um", "below_detection", None, (0.0, 62.0), "margin_profile@1")


def facial_photo(on: str, number: int) -> PhotoRecord:
    name = f"M01-004/{on}_facial.jpg"
    marks = annotations(0.0125 + 0.0018 * (number % 3))
    if on == "2020-05-19":
        refusals = tuple(
            Refusal(
                measurand, "no_reference", "a length must have a reference in the same image; got none.", "Lay the rule beside the tooth."
            )
            for measurand in ("visible_metal_height", "widest_marginal_opening", "margin_to_gingiva")
        )
        share = Reading.measured("visible_metal_fraction", Quantity(0.112, "1", {"outline/x": 0.009}), "visible_metal@1")
        return PhotoRecord(str(number) * 64, name, "facial", on, "exact", "photo", None, (share,), (), refusals, marks)
    height, u = HEIGHTS[on]
    readings = (
        Reading.measured("visible_metal_height", Quantity(height, "mm", {"tilt/x": u}), "visible_metal@1"),
        Reading.measured("visible_metal_fraction", Quantity(0.11 + 0.002 * number, "1", {"outline/x": 0.008}), "visible_metal@1"),
        _opening(on),
        Reading.measured(
            "margin_to_gingiva", Quantity(0.3 + 0.11 * number, "mm", {"trace/x": 0.07}), "margin_to_gingiva@1", non_negative=False
        ),
    )
    return PhotoRecord(
        str(number) * 64,
        name,
        "facial",
        on,
        "exact",
        "photo",
        calibration(0.0125 + 0.0018 * (number % 3)),
        readings,
        segments(on),
        (),
        marks,
    )


def bitewing(on: str) -> PhotoRecord:
    readings = (
        Reading("widest_radiographic_gap", "um", "below_detection", None, (0.0, 88.0), "radiograph_slot@1", details={"site": "mesial"}),
        Reading.measured("margin_to_crest", Quantity(2.1, "mm", {"landmark/x": 0.15}), "crest@1"),
    )
    return PhotoRecord("b" * 64, f"M01-004/{on}_bitewing.dcm", "bitewing", on, "exact", "radiograph", None, readings, (), (), None)


def _findings(on: str) -> tuple[Finding, ...]:
    answers = [
        ("explorer", "catches" if on == "2024-05-13" else "no_catch", "facial"), ("retention", "firm", ""), 
        ("caries_at_margin", "none", ""),        ("probing_depth_mm", "3", "facial"), ("bleeding", "no", ""),
        ("uncovered_cusp", "intact", ""), ("pulp_test", "not_examined", ""),
    ]  # fmt: skip
    return tuple(Finding(CODE, on, finding, value, surface, "E1") for finding, value, surface in answers)


def restoration(code: str = CODE, tooth: str = "16", design: str = "seven_eighths") -> Restoration:
    return Restoration(code, Tooth.parse(tooth, "iso3950"), "iso3950", design, "gold", "2019-05-06", "M01", DEFAULT_SEVEN_EIGHTHS_PLAN)


def rich_record() -> ToothRecord:
    """Seven visits: height of metal stable, an opening that grows, gingiva receding, one photo without reference, one recementation."""
    event = Event(CODE, "2021-02-03", "recemented", "came off at a meal")
    visits = []
    for number, (on, (stage, months)) in enumerate(DATES.items()):
        photos: list[PhotoRecord] = [] if stage == "placement" else [facial_photo(on, number)]
        if on in ("2019-06-11", "2022-05-16"):
            photos.append(bitewing(on))
        grades = (Grade(CODE, on, "Ryge", "marginal_adaptation", "bravo", "E1", True),) if on == "2024-05-13" else ()
        found = () if stage == "placement" else _findings(on)
        visits.append(VisitRecord(Visit(CODE, on, stage, "E1"), months, found, grades, tuple(photos), ()))
    difference = Quantity(0.01, "mm", {"tilt/a": 0.04, "tilt/b": 0.03})
    wider = Quantity(130.0, "um", {"blur/a": 17.0, "blur/b": 16.0})
    base, last = "2019-06-11", "2024-05-13"
    changes = (
        Change("visible_metal_height", "facial", base, last, difference, 0.1, "budget", "no_change_distinguishable",
               "Height of the metal showing: no change distinguishable from measurement error (0.01 ± 0.10 mm).", "", "0.01 ± 0.10 mm"),
        Change("widest_marginal_opening", "facial", base, last, wider, 46.0, "posed_anew", "changed",
               "Widest marginal opening: wider by 130 ± 46 µm since baseline.", "", "130 ± 46 µm"),
        Change("margin_to_crest", "bitewing", base, last, None, None, "budget", "cannot_tell",
               "Margin to alveolar crest: cannot tell, no bitewing at the last visit.", "",
               "no bitewing at the last visit"),
    )  # fmt: skip
    plan = (
        PlanCheck("bevel height, mesiofacial cusp", Quantity(0.42, "mm", {"tilt/a": 0.04}), 0.3, 0.5, "within",
                  "Within the plan over the whole interval.", "common practice, no published source"),
        PlanCheck("margin to gingiva", Quantity(0.4, "mm", {"trace/a": 0.07}), 0.0, None, "above",
                  "Supragingival, as planned.", "common practice, no published source"),
    )  # fmt: skip
    return ToothRecord(
        restoration(), tuple(visits), (event,), Status("attention", "In place; one opening has grown by more than the measurement error."),
        base, changes, plan, ("The facial margin has opened: look at it with explorer and air.",),
        ("Mesial and distal margins: no bitewing since 2022-05-16.", "12-month photograph: no reference, lengths refused."),
        NextRecall("2024-11-13", "Six months, because of the opening; bitewing due by 2025-05."),
    )  # fmt: skip


def with_reading(record: ToothRecord, reading: Reading) -> ToothRecord:
    """The record with one more reading on every photo of the facial view."""
    visits = []
    for visit in record.visits:
        photos = tuple(replace(p, readings=(*p.readings, reading)) if p.view == "facial" else p for p in visit.photos)
        visits.append(replace(visit, photos=photos))
    return replace(record, visits=tuple(visits))


def ended_record() -> ToothRecord:
    """A tooth that was extracted: nothing is due any more."""
    event = Event("M02-001", "2022-08-30", "extracted", "vertical root fracture")
    visit = VisitRecord(Visit("M02-001", "2021-05-10", "recall"), 24.1, (), (), (), ())
    return ToothRecord(
        restoration("M02-001", "46", "complete_crown"), (visit,), (event,), 
        Status("ended", "Tooth extracted on 2022-08-30, month 40."), None, (), (), (),
        (), NextRecall(None, "No recall: the tooth was extracted."),
    )  # fmt: skip


def stable_record() -> ToothRecord:
    """A tooth at which nothing has happened."""
    visit = VisitRecord(Visit("M03-002", "2023-05-10", "recall"), 48.1, (), (), (), ())
    return ToothRecord(
        restoration("M03-002", "26", "onlay"), (visit,), (), 
        Status("in_place", "In place; no change distinguishable."), None, (), (), (), (),
        NextRecall("2024-05-10", "Yearly."),
    )  # fmt: skip


def rich_report() -> Report:
    """The rich record with its pictures."""
    record = rich_record()
    photos = [(v.visit.on, p) for v in record.visits for p in v.photos if p.view == "facial"]
    marks = [
        Marks(parse_annotations(p.annotations), p.calibration, p.readings, p.segments) if p.annotations else Marks(parse_annotations({}))
        for _, p in photos
    ]
    pixels = [photograph(0.0125 + 0.0018 * (int(p.sha256[0]) % 3)) for _, p in photos]
    window = common_window_mm([(m, 1200, 900) for m in marks])
    months = {v.visit.on: v.months for v in record.visits}
    captions = [f"{on}, month {months[on]:.0f}" for on, _ in photos]
    tiles = [
        tile(px, m, window, view="facial", on=on, caption=c) for px, m, (on, _), c in zip(pixels, marks, photos, captions, strict=True)
    ]
    axis = max(margin_length_mm(m) for m in marks)
    strips = [
        unrolled_margin(px, m, axis, view="facial", on=on, caption=c)
        for px, m, (on, _), c in zip(pixels, marks, photos, captions, strict=True)
    ]
    return make_report(record, tiles=tiles, margins=[s for s in strips if s], generated_on="2024-05-14")


def document() -> Document:
    """What the pages show of one measured photo."""
    photo = facial_photo("2024-05-13", 6)
    record = Photo(photo.sha256, 1200, 900, "2024-05-13", "exact", "photo")
    refusal = Refusal(
        "perforation_area", "no_occlusal_surface", "an occlusal outline must be marked; got none.", "Outline the occlusal surface."
    )
    return Document(record, photo.calibration, photo.readings, photo.segments, (refusal,))


def overlay() -> bytes:
    """The overlay of that photo."""
    photo = facial_photo("2024-05-13", 6)
    return overlay_png(photograph(0.0125), Marks(parse_annotations(photo.annotations), photo.calibration, photo.readings, photo.segments))
