"""Rows put into the tables of a practice folder: whole or not at all, the former table kept, other rows as they were.

Notes
-----
A row with the key of one that is there takes its place, columns that it does not name stay; the ledger keeps what was said before. The
folder is read after writing: where a new row is refused, the former table comes back and the refusal is raised.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from audit.api.desk import Desk
from audit.api.files import write_whole
from audit.api.reports import read_case_folder
from audit.errors import RecordError
from audit.folder import TABLES
from audit.ledger.store import open_ledger

__all__ = ["put_rows", "remember_tables"]

FORMER = ".former"
KEYS: Mapping[str, tuple[str, ...]] = {
    "restorations.csv": ("code",),
    "known_lengths.csv": ("restoration", "name"),
    "instruments.csv": ("name",),
    "visits.csv": ("restoration", "on", "stage"),
    "findings.csv": ("restoration", "on", "finding", "surface", "examiner"),
    "grades.csv": ("restoration", "on", "system", "criterion", "examiner"),
    "events.csv": ("restoration", "on", "kind"),
    "photos.csv": ("file",),
}

Rows = Sequence[Mapping[str, str]]


@dataclass(frozen=True)
class _Table:
    """A CSV table as text cells."""

    columns: list[str]
    rows: list[list[str]]
    delimiter: str

    def text(self) -> str:
        stream = io.StringIO(newline="")
        csv.writer(stream, delimiter=self.delimiter, lineterminator="\n").writerows([self.columns, *self.rows])
        return stream.getvalue()


def put_rows(desk: Desk, rows: Mapping[str, Rows]) -> None:
    """Put rows into tables of the practice folder, and what the folder then says into the ledger.

    Parameters
    ----------
    desk : Desk
    rows : mapping of str to sequence of mapping
        By table, cells by column; tables are written in the order given.

    Raises
    ------
    RecordError
        A row breaks a rule; no table has changed.
    """
    paths = {name: desk.folder / name for name in rows if rows[name]}
    former = {path: path.read_bytes() if path.is_file() else None for path in paths.values()}
    refused = set(_refusals(desk))
    for name, path in paths.items():
        _keep(path)
        write_whole(path, _with(_read(path, name), name, rows[name]).text().encode())
    if said := [line for line in _refusals(desk) if line not in refused]:
        for path, content in former.items():
            if content is None:
                path.unlink()
            else:
                write_whole(path, content)
        message, _, hint = said[0].partition(" Hint: ")
        raise RecordError(message, hint or "Correct the row.")
    remember_tables(desk)


def remember_tables(desk: Desk) -> None:
    """Put what the tables say now into the ledger."""
    with open_ledger(desk.ledger_url) as ledger:
        ledger.store_folder(read_case_folder(desk.folder))


def _refusals(desk: Desk) -> tuple[str, ...]:
    return read_case_folder(desk.folder).refused_rows if (desk.folder / "restorations.csv").is_file() else ()


def _read(path: Path, name: str) -> _Table:
    must, may = TABLES[name]
    if not path.is_file():
        return _Table([*must, *may], [], ",")
    text = path.read_bytes().decode("utf-8-sig")
    header = text.partition("\n")[0]
    delimiter = ";" if ";" in header and "," not in header else ","
    columns, *rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)) or [[*must, *may]]
    return _Table([column.strip().lower() for column in columns], rows, delimiter)


def _with(table: _Table, name: str, added: Rows) -> _Table:
    """The table with rows added, each in the place of the one with its key."""
    columns = table.columns + [column for row in added for column in row if column not in table.columns]
    columns = list(dict.fromkeys(columns))
    rows = [[*row, *[""] * (len(columns) - len(row))] for row in table.rows]
    places = {_key(dict(zip(columns, row)), name): number for number, row in enumerate(rows)}
    for cells in added:
        number = places.setdefault(_key(cells, name), len(rows))
        before = rows[number] if number < len(rows) else [""] * len(columns)
        row = [cells.get(column, said) for column, said in zip(columns, before)]
        rows[number:] = [row, *rows[number + 1 :]]
    return _Table(columns, rows, table.delimiter)


def _key(cells: Mapping[str, str], name: str) -> tuple[str, ...]:
    return tuple(cells.get(column, "").strip() for column in KEYS[name])


def _keep(path: Path) -> None:
    """Copy a table to the hidden folder of former ones, under the time."""
    if path.is_file():
        kept = path.parent / FORMER
        kept.mkdir(exist_ok=True)
        stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S%f")
        write_whole(kept / f"{path.stem}-{stamp}{path.suffix}", path.read_bytes())
