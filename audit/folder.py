"""Reads a practice folder: plain CSV tables, every row checked against the trade's words.

A row that breaks a rule is refused with one line and the rest goes on; only a folder without a usable
table of restorations is an error.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from itertools import pairwise
from pathlib import Path, PurePosixPath
from typing import TypeVar

from audit.core.clinical import (
    DEFAULT_SEVEN_EIGHTHS_PLAN,
    CaseFolder,
    Event,
    Finding,
    Grade,
    Instrument,
    KnownLength,
    PhotoEntry,
    Plan,
    Restoration,
    Visit,
)  # fmt: skip
from audit.core.row import Row, read_rows
from audit.core.tooth import Tooth
from audit.core.vocabulary import ALLOYS, DESIGNS, EVENTS, FINDINGS, GRADES, NOT_EXAMINED, STAGES, SURFACES, VIEWS
from audit.errors import RecordError

__all__ = ["IMAGE_SUFFIXES", "TABLES", "read_folder", "unlisted_images"]

IMAGE_SUFFIXES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".heic", ".heif", ".dcm")
EARLIEST_YEAR = 1950  # a casting placed earlier is a typing error
NUMBER_LIMITS: Mapping[str, tuple[float, float]] = {"probing_depth_mm": (0.0, 20.0), "recession_mm": (-10.0, 20.0)}
_LONGEST_NAME = 200  # of a file
_BEFORE_PLACEMENT = ("preoperative", "preparation", "die", "casting")
_INTERVALS = ("recall_months", "bitewing_months")
_PLAN_COLUMNS = ("plan_bevel_low_mm", "plan_bevel_high_mm", "plan_supragingival", "plan_extent_mm", "plan_source")

# table -> (columns that it must have, columns that it may have)
TABLES: Mapping[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "restorations.csv": (
        ("code", "tooth", "tooth_notation", "design", "alloy", "placed_on"),
        ("operator", "recall_months", "bitewing_months", *_PLAN_COLUMNS),
    ),
    "known_lengths.csv": (("restoration", "name", "length_mm", "u_mm"), ()),
    "instruments.csv": (("name", "kind", "size_mm"), ("u_mm",)),
    "visits.csv": (("restoration", "on", "stage"), ("examiner", "note")),
    "findings.csv": (("restoration", "on", "finding", "value"), ("surface", "examiner")),
    "grades.csv": (("restoration", "on", "system", "criterion", "grade", "seen_before"), ("examiner",)),
    "events.csv": (("restoration", "on", "kind"), ("note",)),
    "photos.csv": (("file", "restoration", "on", "view"), ()),
}

Record = TypeVar("Record")


@dataclass(frozen=True)
class _Known:
    """What a row is checked against: the folder, today, the restorations and the visits already read."""

    folder: Path
    today: date
    refused: _Refused
    restorations: Mapping[str, Restoration]
    visits: frozenset[tuple[str, str]] = frozenset()


@dataclass
class _Refused:
    """Lines for what was refused, all of them and by the restoration that the row names."""

    lines: list[str] = field(default_factory=list)
    of: dict[str, list[str]] = field(default_factory=dict)

    def add(self, row: Row, error: RecordError) -> None:
        self.lines.append(str(error))
        code = row.text("restoration") or row.text("code")
        if code:
            self.of.setdefault(code, []).append(str(error))

    def visit_of(self, code: str) -> str | None:
        """The first refused row of ``visits.csv`` that names this restoration."""
        return next((line.partition(":")[0] for line in self.of.get(code, ()) if line.startswith("visits.csv")), None)


def read_folder(path: str | Path, today: date) -> CaseFolder:
    """All tables of a practice folder, and one line for each row that was refused.

    Parameters
    ----------
    path : str or Path
        Folder with ``restorations.csv`` and, where there are any, the other tables of `TABLES`.
    today : date
        Later dates are refused.

    Raises
    ------
    RecordError
        No such folder, or no ``restorations.csv`` in it with at least one good row.
    """
    folder, refused = Path(path), _Refused()
    if not folder.is_dir():
        raise RecordError(f"practice folder must be a directory; got {folder.name!r}.", "Check the folder's name and place.")
    known = _Known(folder, today, refused, {})
    listed = _read("restorations.csv", _restoration, lambda r: r[0].code, known)
    known = replace(known, restorations={r.code: r for r, _ in listed})
    lengths = _read("known_lengths.csv", _known_length, lambda k: (k[0], k[1].name), known)
    dated = _read("visits.csv", _visit, lambda v: (v[0].restoration, v[0].on, v[0].stage), known)
    events = _read("events.csv", _event, lambda e: (e.restoration, e.on, e.kind), known)
    visits = _one_baseline_each(dated, events, refused)
    known = replace(known, visits=frozenset((v.restoration, v.on) for v in visits))
    return CaseFolder(
        restorations=tuple(replace(r, known_lengths=tuple(k for code, k in lengths if code == r.code)) for r, _ in listed),
        visits=tuple(visits),
        findings=tuple(_read("findings.csv", _finding, lambda f: (f.restoration, f.on, f.finding, f.surface, f.examiner), known)),
        grades=tuple(_read("grades.csv", _grade, lambda g: (g.restoration, g.on, g.system, g.criterion, g.examiner), known)),
        events=tuple(events),
        photos=tuple(_read("photos.csv", _photo, lambda p: p.file, known)),
        instruments=tuple(_read("instruments.csv", _instrument, lambda i: i.name, known)),
        refused_rows=tuple(refused.lines),
        refused_of={code: tuple(lines) for code, lines in refused.of.items()},
        recall_months={r.code: months["recall_months"] for r, months in listed if "recall_months" in months},
        bitewing_months={r.code: months["bitewing_months"] for r, months in listed if "bitewing_months" in months},
    )


def unlisted_images(path: str | Path, case: CaseFolder) -> tuple[str, ...]:
    """Image files of the folder that no good row of ``photos.csv`` names, relative and sorted; hidden ones left out."""
    folder, listed = Path(path), {photo.file for photo in case.photos}
    found = [p.relative_to(folder) for p in folder.rglob("*") if p.suffix.lower() in IMAGE_SUFFIXES and p.is_file()]
    names = (p.as_posix() for p in found if not any(part.startswith(".") for part in p.parts))
    return tuple(sorted(name for name in names if name not in listed))


def _read(table: str, make: Callable[[Row, _Known], Record], key: Callable[[Record], Hashable], known: _Known) -> list[Record]:
    """Good rows of one table; every other is refused with one line."""
    must, may = TABLES[table]
    is_first = table == "restorations.csv"
    if not is_first and not (known.folder / table).exists():
        return []
    refused, records, seen = known.refused, list[Record](), dict[Hashable, int]()
    try:
        for row in read_rows(known.folder / table, must, may, refused.lines):
            try:
                record = make(row, known)
                if (first := seen.setdefault(key(record), row.number)) != row.number:
                    raise row.refuse("row", f"not say again what row {first} says", str(key(record)), "Keep one of the two rows.")
                records.append(record)
            except RecordError as error:
                refused.add(row, error)
    except RecordError as error:
        if is_first:
            raise
        refused.lines.append(str(error))
    if is_first and not records:
        why = f"first: {refused.lines[0]}" if refused.lines else "the table has no rows."
        raise RecordError(f"restorations.csv must hold at least one good row; got none, {why}", "Correct the table and read it again.")
    return records


def _restoration(row: Row, known: _Known) -> tuple[Restoration, dict[str, int]]:
    code = row.required("code")
    if not re.fullmatch(r"[A-Za-z]{0,3}[0-9]+(-[A-Za-z0-9]*[0-9][A-Za-z0-9]*)+", code, re.ASCII):
        raise row.refuse("code", "be a case code like M01-004: member, hyphen, number", code, "Use a code; a name never goes in here.")
    notation = row.text("tooth_notation")
    try:
        tooth = Tooth.parse(row.required("tooth"), notation or None)
    except RecordError as error:
        at = f"{row.table} row {row.number}: "
        raise error if error.message.startswith(at) else RecordError(at + error.message, error.hint) from error
    design = row.word("design", DESIGNS)
    restoration = Restoration(
        code, tooth, notation, design, row.word("alloy", ALLOYS), row.day("placed_on", EARLIEST_YEAR, known.today), row.text("operator"),
        _plan(row, tooth, design),
    )  # fmt: skip
    months = {name: row.real(name, 1, 60) for name in _INTERVALS}
    return restoration, {name: round(count) for name, count in months.items() if count is not None}


def _plan(row: Row, tooth: Tooth, design: str) -> Plan:
    """The plan of the row; the customary one for a seven-eighths crown on an upper molar where the row has none."""
    if not any(row.text(name) for name in _PLAN_COLUMNS):
        return DEFAULT_SEVEN_EIGHTHS_PLAN if design == "seven_eighths" and tooth.is_upper and tooth.is_molar else Plan()
    low, high = row.real("plan_bevel_low_mm", 0, 10), row.real("plan_bevel_high_mm", 0, 10)
    if (low is None) != (high is None) or (low is not None and high is not None and low > high):
        raise row.refuse("plan_bevel_low_mm and plan_bevel_high_mm", "be given together, low not above high",
                         f"{low} and {high}", "Give both ends of the planned height, or neither.")  # fmt: skip
    bevel = None if low is None or high is None else (low, high)
    return Plan(
        bevel, row.yes_no("plan_supragingival"), row.real("plan_extent_mm", 0, 20), row.text("plan_source") or "plan of the practice"
    )


def _known_length(row: Row, known: _Known) -> tuple[str, KnownLength]:
    code = _code(row, known)
    length, u = row.real("length_mm", 0.5, 60), row.real("u_mm", 0.001, 5)
    if length is None or u is None:
        raise row.refuse("length_mm and u_mm", "both be given", "", "Give the length and its standard uncertainty.")
    if u > length / 10:
        raise row.refuse("u_mm", "be at most a tenth of length_mm", row.text("u_mm"), "Measure the length again with a caliper.")
    return code, KnownLength(row.required("name"), length, u)


def _instrument(row: Row, known: _Known) -> Instrument:
    """A rule, rod or probe that the practice has measured; `size_mm` has one number, for a probe one for each mark."""
    kind, name = row.word("kind", ("rule", "rod", "probe")), row.required("name")
    cells = re.split(r"[\s;]+", row.required("size_mm"))
    sizes = tuple(float(cell) for cell in cells if re.fullmatch(r"\d{1,3}(\.\d{1,6})?", cell, re.ASCII))
    rising = all(low < high for low, high in pairwise(sizes))
    if len(sizes) != len(cells) or not rising or sizes[-1] > 100 or sizes[0] <= 0 or (len(sizes) == 1) == (kind == "probe"):
        raise row.refuse("size_mm", "be a number, for a probe two or more that rise, up to 100", row.text("size_mm"),
                         "Write millimetres with a decimal point; marks of a probe with spaces between them.")  # fmt: skip
    u = row.real("u_mm", 0.0001, 1)
    return Instrument(name, kind, sizes, u)


def _visit(row: Row, known: _Known) -> tuple[Visit, Row]:
    code, stage = _code(row, known), row.word("stage", STAGES)
    on = _day(row, known, code, may_precede=stage in _BEFORE_PLACEMENT)
    return Visit(code, on, stage, row.text("examiner"), row.text("note")), row


def _one_baseline_each(dated: Sequence[tuple[Visit, Row]], events: Sequence[Event], refused: _Refused) -> list[Visit]:
    """The visits without those that are a second baseline of one restoration, the first by date being kept.

    What is compared starts anew with an intervention, and so does the baseline.
    """
    restarts = [(event.restoration, event.on) for event in events if EVENTS[event.kind].restarts_baseline]
    first, second = dict[tuple[str, int], str](), set[int]()
    for visit, row in sorted(dated, key=lambda pair: pair[0].on):
        if visit.stage != "baseline":
            continue
        period = sum(code == visit.restoration and on <= visit.on for code, on in restarts)
        if (known := first.setdefault((visit.restoration, period), visit.on)) != visit.on:
            second.add(row.number)
            hint = "Enter it as recall, or record the intervention between the two in events.csv."
            refused.add(
                row, row.refuse("stage", f"be baseline once, as on {known}, until an intervention", f"baseline on {visit.on}", hint)
            )
    return [visit for visit, row in dated if row.number not in second]


def _finding(row: Row, known: _Known) -> Finding:
    code, on = _at_visit(row, known)
    finding = row.word("finding", FINDINGS)
    if FINDINGS[finding] or row.text("value") == NOT_EXAMINED:
        value = row.word("value", (*FINDINGS[finding], NOT_EXAMINED))
    else:
        row.required("value")
        row.real("value", *NUMBER_LIMITS[finding])
        value = row.text("value")
    return Finding(code, on, finding, value, row.word("surface", SURFACES, ""), row.text("examiner"))


def _grade(row: Row, known: _Known) -> Grade:
    code, on = _at_visit(row, known)
    system = row.word("system", GRADES)
    criterion = row.word("criterion", GRADES[system])
    seen = row.yes_no("seen_before")
    if seen is None:
        raise row.refuse("seen_before", "be yes or no", "", "Say whether measurements had been seen before the grade was given.")
    return Grade(code, on, system, criterion, row.word("grade", GRADES[system][criterion]), row.text("examiner"), seen)


def _event(row: Row, known: _Known) -> Event:
    code = _code(row, known)
    return Event(code, _day(row, known, code), row.word("kind", EVENTS), row.text("note"))


def _photo(row: Row, known: _Known) -> PhotoEntry:
    code, on = _at_visit(row, known)
    file = row.required("file").replace("\\", "/")
    inside = PurePosixPath(file)
    if inside.is_absolute() or ".." in inside.parts or ":" in file:
        raise row.refuse("file", "be a path inside the folder", file, "Put the image into the folder and name it from there.")
    found = known.folder / inside
    if len(inside.name) > _LONGEST_NAME or not found.is_file() or not found.resolve().is_relative_to(known.folder.resolve()):
        raise row.refuse("file", "be an image file in the folder", file, "Check the file's name, or remove the row.")
    return PhotoEntry(inside.as_posix(), code, on, row.word("view", VIEWS))


def _code(row: Row, known: _Known) -> str:
    code = row.required("restoration")
    if code not in known.restorations:
        raise row.refuse(
            "restoration", "be a code of restorations.csv", code, "Correct the code, or the row of restorations.csv if it was refused."
        )
    return code


def _day(row: Row, known: _Known, code: str, *, may_precede: bool = False) -> str:
    on, placed = row.day("on", EARLIEST_YEAR, known.today), known.restorations[code].placed_on
    if on < placed and not may_precede:
        raise row.refuse("on", f"not lie before the placement on {placed}", on, "Correct the date or the stage.")
    return on


def _at_visit(row: Row, known: _Known) -> tuple[str, str]:
    """Code and date of a row that belongs to a visit."""
    code, on = _code(row, known), row.day("on", EARLIEST_YEAR, known.today)
    if (code, on) not in known.visits:
        mend = known.refused.visit_of(code)
        hint = f"Mend {mend} first: it was refused." if mend else "Correct the date, or add the visit."
        raise row.refuse("on", f"be the date of a visit of {code} in visits.csv", on, hint)
    return code, on
