"""Who consented to what: one table beside the practice's others, and what it lets leave.

`consent.csv`: ``restoration``, ``purpose`` (record, club, teaching, publication), ``given`` (yes or no). No row is no consent; of two rows
about the same the refusal counts.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from audit.core.row import read_rows
from audit.errors import ExchangeError, RecordError

__all__ = ["PURPOSES", "consented"]

PURPOSES = ("record", "club", "teaching", "publication")


def consented(path: str | Path, purpose: str, codes: Iterable[str]) -> tuple[list[str], list[str]]:
    """Codes whose consent for a purpose is on record, and those whose is not.

    Raises
    ------
    ExchangeError
        No such table, or a row in it that cannot be read: what is not sure does not leave.
    """
    given: set[str] = set()
    refused: set[str] = set()
    lines: list[str] = []
    try:
        for row in read_rows(Path(path), ("restoration", "purpose", "given"), (), lines):
            if row.word("purpose", PURPOSES) == purpose:
                (given if row.yes_no("given") else refused).add(row.required("restoration"))
    except RecordError as error:
        raise ExchangeError(error.message, error.hint) from error
    if lines:
        raise ExchangeError(f"consent.csv must be whole; got {lines[0]}", "Correct the table; nothing leaves before.")
    codes = list(codes)
    return [c for c in codes if c in given - refused], [c for c in codes if c not in given - refused]
