"""One row of a plain CSV table, its cells checked on the way out.

Every refusal names table, row (as a spreadsheet counts: the header is row 1), rule, value and next step.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from audit.core.vocabulary import SAME_WORD
from audit.errors import RecordError

__all__ = ["Row", "read_rows"]

_LONGEST_CELL = 2000


@dataclass(frozen=True)
class Row:
    """One row: the table's file name, its number, its cells by column."""

    table: str
    number: int
    cells: Mapping[str, str]

    def refuse(self, name: str, rule: str, value: object, hint: str) -> RecordError:
        """The error that says which cell breaks which rule."""
        got = repr(value) if value not in (None, "") else "nothing"
        return RecordError(f"{self.table} row {self.number}: {name} must {rule}; got {got}.", hint)

    def text(self, name: str) -> str:
        """A cell, stripped; empty where the column or the value is missing."""
        return self.cells.get(name, "")

    def required(self, name: str) -> str:
        """A cell that must not be empty."""
        value = self.text(name)
        if not value:
            raise self.refuse(name, "be given", value, f"Fill in {name}.")
        return value

    def word(self, name: str, allowed: Collection[str], default: str | None = None) -> str:
        """A cell that is one of the `allowed` words; `default` where it is empty."""
        value = self.text(name)
        if not value and default is not None:
            return default
        if value not in allowed:
            hint = (
                f"Use {meant} for {value}." if (meant := SAME_WORD.get(value.lower())) in allowed else f"Use one of these words for {name}."
            )
            raise self.refuse(name, f"be one of {', '.join(allowed)}", value, hint)
        return value

    def yes_no(self, name: str) -> bool | None:
        """``yes`` or ``no``; ``None`` where the cell is empty."""
        value = self.word(name, ("yes", "no"), "")
        return None if not value else value == "yes"

    def real(self, name: str, low: float, high: float) -> float | None:
        """A number from `low` to `high` with a decimal point; ``None`` where the cell is empty."""
        value = self.text(name)
        if not value:
            return None
        number = float(value) if re.fullmatch(r"[+-]?\d{1,6}(\.\d{1,9})?", value, re.ASCII) else math.nan
        if not low <= number <= high:
            raise self.refuse(name, f"be a number from {low:g} to {high:g}", value, "Write the number alone, with a decimal point.")
        return number

    def day(self, name: str, earliest_year: int, today: date) -> str:
        """A date as year-month-day, not later than `today`."""
        value = self.required(name)
        try:
            day = date.fromisoformat(value) if re.fullmatch(r"\d{4}-\d\d-\d\d", value, re.ASCII) else None
        except ValueError:
            day = None
        if day is None:
            raise self.refuse(name, "be a date written year-month-day", value, "Write the date like 2024-03-18.")
        if day > today:
            raise self.refuse(name, f"not lie after today ({today})", value, "Correct the date; what has not happened yet is not recorded.")
        if day.year < earliest_year:
            raise self.refuse(name, f"not lie before {earliest_year}", value, "Correct the year.")
        return value


def read_rows(path: Path, must: Collection[str], may: Collection[str], refused: list[str]) -> Iterator[Row]:
    """Rows of a CSV file (comma or semicolon, UTF-8); lines that are not rows go to `refused`.

    Raises
    ------
    RecordError
        Unreadable, not UTF-8, or a column missing or twice; the whole table is then unusable.
    """
    table = path.name
    reader = csv.reader(io.StringIO(text := _text(path), newline=""), delimiter=_delimiter(text), strict=True)
    try:
        header = [name.strip().lower() for name in next(reader, [])]
    except csv.Error as error:
        raise RecordError(f"{table}: header must be plain CSV; got {error}.", "Save the table again as CSV.") from error
    for name in must:
        if header.count(name) != 1:
            raise RecordError(f"{table}: header must name column {name} once; got {', '.join(header)[:200] or 'nothing'}.",
                              f"Make the first row: {','.join(must)}.")  # fmt: skip
    for name in dict.fromkeys(header):
        if name and (name not in (*must, *may) or header.count(name) > 1):
            refused.append(str(RecordError(f"{table}: column must be one of {', '.join((*must, *may))}, once; got {name!r}.",
                                           "Rename or remove the column; it was not read.")))  # fmt: skip
    columns = [name if name in (*must, *may) and header.count(name) == 1 else "" for name in header]
    yield from _rows(table, reader, columns, refused)


def _rows(table: str, reader: Iterator[list[str]], columns: list[str], refused: list[str]) -> Iterator[Row]:
    number = 1
    while True:
        number += 1
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            refused.append(str(RecordError(f"{table} row {number}: row must be plain CSV; got {error}.", "Save the table again as CSV.")))
            continue
        if not any(cell.strip() for cell in cells):
            continue
        row = Row(table, number, {name: cell.strip() for name, cell in zip(columns, cells, strict=False) if name})
        if len(cells) > len(columns) and any(cell.strip() for cell in cells[len(columns) :]):
            refused.append(str(row.refuse("row", f"have {len(columns)} cells", len(cells), "Put a text that holds a comma in quotes.")))
        elif any(len(cell) > _LONGEST_CELL or "\0" in cell for cell in cells):
            refused.append(str(row.refuse("cell", f"be text of at most {_LONGEST_CELL} characters", "more", "Shorten the note.")))
        else:
            yield row


def _text(path: Path) -> str:
    try:
        return path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise RecordError(f"{path.name}: table must be readable; got {error.strerror}.", "Check the file's name and place.") from error
    except UnicodeDecodeError as error:
        raise RecordError(
            f"{path.name}: table must be UTF-8 text; got other bytes at {error.start}.", "Save the table as CSV UTF-8."
        ) from error


def _delimiter(text: str) -> str:
    """Semicolon where the header has one and no comma, as spreadsheets of some countries write it."""
    header = text.partition("\n")[0]
    return ";" if ";" in header and "," not in header else ","
