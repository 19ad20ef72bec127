"""The tables of a club bundle: what each column means, and all that a cell of it may be.

One table of rules serves the writer, the check on what was written, the receiving side, and the data dictionary. A cell that is no
number, no pseudonym and no word of the vocabulary cannot leave, nor come in; only `note` is free text, and only where it was chosen.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from audit.core.site import SITES
from audit.core.tooth import all_teeth
from audit.core.vocabulary import ALLOYS, DESIGNS, EVENTS, FINDINGS, GRADES, MEASURANDS, NOT_EXAMINED, STAGES, SURFACES, VIEWS

__all__ = ["SCHEMA", "TABLES", "Column", "cell_fault"]

SCHEMA = 1
Kind = Literal["code", "word", "number", "whole", "method", "text"]
_LONGEST_NOTE = 500
_FINDING_WORDS = tuple(dict.fromkeys([word for words in FINDINGS.values() for word in words] + [NOT_EXAMINED]))
_REFERENCES = ("known_length", "probe", "rod", "rule", "two_points", "strip", "disc", "grid", "dicom")
_CRITERIA = tuple(dict.fromkeys(name for scales in GRADES.values() for name in scales))
_GRADES = tuple(dict.fromkeys(word for scales in GRADES.values() for words in scales.values() for word in words))


@dataclass(frozen=True)
class Column:
    """One column: its name, what it means, its kind, and for words all that it may be; `needed` cells are never empty."""

    name: str
    title: str
    kind: Kind
    words: tuple[str, ...] = ()
    needed: bool = True


_CASE = Column("case", "pseudonym of the restoration, the same in every bundle of this sender to this club", "code")
_VISIT = Column("visit", "number of the visit, by date", "whole")
_MONTHS = Column("months", "months from placement, rounded to one", "whole")
_EXAMINER = Column("examiner", "pseudonym of the examiner", "code", needed=False)

TABLES: Mapping[str, tuple[Column, ...]] = MappingProxyType(
    {
        "restorations": (
            _CASE, Column("member", "pseudonym of the club member", "code"),
            Column("patient", "pseudonym of the patient, as far as the case codes tell patients apart", "code"),
            Column("operator", "pseudonym of who placed it", "code", needed=False),
            Column("tooth", "ISO 3950 designation", "word", tuple(tooth.iso3950 for tooth in all_teeth())),
            Column("design", "design of the casting", "word", tuple(DESIGNS)), Column("alloy", "colour of the alloy", "word", ALLOYS),
            Column("followed_months", "months from placement to the last visit, rounded to one", "whole"),
            Column("placed_years_ago", "whole years from placement to when the bundle was made", "whole"),
        ),
        "visits": (_CASE, _VISIT, _MONTHS, Column("stage", "stage of the visit", "word", STAGES), _EXAMINER,
                   Column("note", "free text, only where the sender chose to send it", "text", needed=False)),
        "readings": (
            _CASE, _VISIT, _MONTHS, Column("view", "view of the photo", "word", VIEWS),
            Column("measurand", "what was measured", "word", tuple(MEASURANDS)),
            Column("site", "part of the tooth", "word", SITES, needed=False),
            Column("status", "measured, detected or below detection", "word", ("measured", "detected", "below_detection")),
            Column("value", "value, where measured", "number", needed=False),
            Column("u", "standard uncertainty (k = 1), where measured", "number", needed=False),
            Column("low", "lower end of the 95 % interval", "number"), Column("high", "upper end of the 95 % interval", "number"),
            Column("unit", "UCUM code", "word", ("mm", "mm2", "um", "1", "deg")),
            Column("method", "method and its version", "method"),
            Column("reference", "kind of reference in the image", "word", _REFERENCES, needed=False),
        ),
        "refusals": (_CASE, _VISIT, _MONTHS, Column("view", "view of the photo", "word", VIEWS),
                     Column("measurand", "what was refused", "word", (*MEASURANDS, "mm_per_px", "photo", "annotations")),
                     Column("code", "why", "method")),
        "findings": (_CASE, _VISIT, _MONTHS, Column("finding", "what was looked at", "word", tuple(FINDINGS)),
                     Column("surface", "surface of the tooth", "word", SURFACES, needed=False),
                     Column("answer", "the examiner's answer, in words", "word", _FINDING_WORDS, needed=False),
                     Column("value", "the examiner's answer, a number (mm)", "number", needed=False), _EXAMINER),
        "grades": (_CASE, _VISIT, _MONTHS, Column("system", "grading system", "word", tuple(GRADES)),
                   Column("criterion", "criterion", "word", _CRITERIA), Column("grade", "the examiner's grade", "word", _GRADES),
                   Column("seen_before", "whether measurements had been seen before", "word", ("yes", "no")), _EXAMINER),
        "events": (_CASE, _MONTHS, Column("kind", "what happened", "word", tuple(EVENTS)),
                   Column("note", "free text, only where the sender chose to send it", "text", needed=False)),
    }
)  # fmt: skip


def cell_fault(column: Column, text: str, *, notes: bool) -> str:
    """Why a cell may not be what it is; empty where it may."""
    if not text:
        return "must not be empty" if column.needed else ""
    if column.kind == "word":
        return "" if text in column.words else "must be a word of the vocabulary"
    if column.kind == "text":
        plain = notes and len(text) <= _LONGEST_NOTE and text.isprintable() and text[0] not in "=+-@"
        return "" if plain else f"must be plain text of at most {_LONGEST_NOTE} characters, sent by choice" if notes else "must be empty"
    if column.kind == "number":
        number = float(text) if re.fullmatch(r"-?\d{1,9}(\.\d{1,25})?(e-\d{1,3})?", text, re.ASCII) else math.nan
        return "" if math.isfinite(number) else "must be a number"
    shape = {"code": r"[A-Z]-[A-Z2-7]{10}", "whole": r"-?\d{1,4}", "method": r"[a-z][a-z0-9_]{1,40}(@\d{1,3})?"}[column.kind]
    return "" if re.fullmatch(shape, text, re.ASCII) else f"must be a {column.kind}"
