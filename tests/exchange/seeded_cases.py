"""Records and pictures in which every kind of identifier of 45 CFR 164.514(b)(2)(i) stands somewhere, to see that none leaves."""

from __future__ import annotations

import io
from datetime import date
from pathlib import Path

import numpy as np
from PIL import Image

from audit.analysis.recall import tooth_record
from audit.core.clinical import Event, Finding, Grade, Restoration, Visit
from audit.core.outcome import PhotoRecord, ToothRecord, VisitRecord
from audit.core.quantity import Quantity
from audit.core.records import Calibration, Reading, Refusal
from audit.core.tooth import Tooth

# the list of 45 CFR 164.514(b)(2)(i), letter by letter, all invented
IDENTIFIERS = {
    "A names": "Quimby Zeltrop", "B geography": "Snorfleburg 90210", "C dates": "2019-05-06", "D telephone": "555-867-5309",
    "E fax": "555-329-1111", "F e-mail": "quimby@zeltrop.example", "G social security": "078-05-1120", "H record number": "MRN-4471923",
    "I plan number": "HPBN-88123", "J account": "ACCT-77310", "K licence": "DDS-LIC-20931", "L vehicle": "VIN-1HGCM82633A",
    "M device": "SN-0042-LENS", "N URL": "https://zeltrop.example/q", "O IP address": "203.0.113.77", "P biometric": "fingerprint-9f2c",
    "Q photograph": "fullface_quimby.jpg", "R other": "case-of-the-mayor",
}  # fmt: skip
CODE, OPERATOR, EXAMINER = "M77-4471923", "Quimby Zeltrop", "DDS-LIC-20931"
DATES = ("2019-05-06", "2019-06-11", "2021-05-10", "2024-05-13")
EVERYTHING = " | ".join(IDENTIFIERS.values())


def photo(on: str, number: int) -> PhotoRecord:
    scale = Quantity(0.0125, "mm/px", {f"comb/{number}": 1e-4})
    calibration = Calibration(
        "rule", scale, scale, 0.0, None, None, "direct", "rule_comb@1", (IDENTIFIERS["M device"],), {"note": EVERYTHING}
    )
    readings = (
        Reading.measured("visible_metal_height", Quantity(0.4 + 0.01 * number, "mm", {"tilt/x": 0.04}), "visible_metal@1",
                         flags=(f"site:{OPERATOR}", EVERYTHING), details={"site": EVERYTHING}),
        Reading("widest_marginal_opening", "um", "below_detection", None, (0.0, 62.0), "margin_slot@1", flags=("surface:facial",)),
    )  # fmt: skip
    refusals = (Refusal("margin_to_crest", "ImageError", EVERYTHING, EVERYTHING),)
    marks = {"type": "FeatureCollection", "features": [], "reader": OPERATOR, "restoration": EVERYTHING}
    return PhotoRecord(f"{number}" * 64, IDENTIFIERS["Q photograph"], "facial", on, "exact", "photo", calibration, readings, (), refusals,
                       marks, (EVERYTHING,), 400, 300)  # fmt: skip


def seeded_record(code: str = CODE) -> ToothRecord:
    restoration = Restoration(code, Tooth.parse("16", "iso3950"), "iso3950", "seven_eighths", "gold", DATES[0], OPERATOR)
    history = []
    for number, (on, stage) in enumerate(zip(DATES, ("placement", "baseline", "recall", "recall"), strict=True)):
        findings = (
            Finding(code, on, "explorer", "no_catch", "facial", EXAMINER),
            Finding(code, on, "probing_depth_mm", "3", "mesial", EXAMINER),
        )
        grades = (Grade(code, on, "ryge", "marginal_adaptation", "alfa", EXAMINER, True),)
        events = (Event(code, on, "refinished", EVERYTHING),) if number == 2 else ()
        months = (date.fromisoformat(on) - date.fromisoformat(DATES[0])).days / 30.436875
        history.append(VisitRecord(Visit(code, on, stage, EXAMINER, EVERYTHING), months, findings, grades, (photo(on, number),), events))
    return tooth_record(restoration, history, date(2024, 6, 1))


def seeded_jpeg(path: Path) -> Path:
    """A picture, lying on its side by EXIF, with identifiers in EXIF, its thumbnail, XMP, comment, profile and behind its end."""
    pixels = np.zeros((60, 90, 3), np.uint8)
    pixels[:30, :45], pixels[30:, 45:] = (200, 40, 40), (40, 40, 200)
    thumbnail = io.BytesIO()
    Image.fromarray(pixels).resize((16, 12)).save(thumbnail, "JPEG", comment=EVERYTHING.encode())
    exif = Image.Exif()
    exif[0x010E], exif[0x013B], exif[0x8298], exif[0x0112] = EVERYTHING, OPERATOR, EVERYTHING, 6
    exif.get_ifd(0x8769)[0x9003], exif.get_ifd(0x8769)[0xA431] = "2019:05:06 10:00:00", IDENTIFIERS["M device"]
    exif.get_ifd(0x8769)[0x927C] = EVERYTHING.encode()
    exif.get_ifd(0x8825)[0x0002] = (34.0, 5.0, 6.0)
    stream = io.BytesIO()
    told = EVERYTHING.encode()
    Image.fromarray(pixels).save(
        stream, "JPEG", quality=95, subsampling=0, exif=exif.tobytes() + thumbnail.getvalue(), comment=told, xmp=told
    )  # fmt: skip
    path.write_bytes(stream.getvalue() + thumbnail.getvalue() + told)
    return path
