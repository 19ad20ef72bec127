"""The table that every outcome statistic takes: one row a restoration, how long it was followed and how that ended.

Notes
-----
Times are years since placement. ``entry`` is when the restoration came under observation: one first seen years after placement enters
the risk set only then. ``free`` is the last time it was seen without the end, ``found`` the time at which the end was found (empty where
it was not), ``end`` what ended it. The end happened between ``free`` and ``found``: failures are found at visits.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Sequence

import numpy as np
import pandas as pd

from audit.errors import RecordError

__all__ = ["COLUMNS", "exits", "followed", "strata"]

NOT_RECORDED = "not recorded"
COLUMNS = ("patient", "entry", "free", "found", "end")


def followed(table: pd.DataFrame) -> pd.DataFrame:
    """The rows that tell something: those that left after they came under observation.

    Parameters
    ----------
    table : DataFrame
        Columns `COLUMNS` and any others.

    Raises
    ------
    RecordError
        A column is missing, a time is none, or a row contradicts itself.
    """
    missing = [name for name in COLUMNS if name not in table.columns]
    if missing:
        raise RecordError(f"table of outcomes must have the columns {', '.join(COLUMNS)}; got none named {missing[0]}.", "Add the column.")
    entry, free, found = (table[name].to_numpy(dtype=float) for name in ("entry", "free", "found"))
    ended, named = np.isfinite(found), np.array([isinstance(end, str) and end != "" for end in table["end"]], dtype=bool)
    checks = {
        "entry and free must be numbers of years from 0 on": ~(np.isfinite(entry) & np.isfinite(free)) | (entry < 0.0) | (free < 0.0),
        "found must not lie before free": ended & ~(found >= free),
        "end must be named where and only where it was found": ended != named,
    }
    for rule, broken in checks.items():
        if broken.any():
            row = table[broken].iloc[0]
            raise RecordError(f"{rule}; got entry {row['entry']}, free {row['free']}, found {row['found']}, end {row['end']!r}.",
                              "Correct the dates of this restoration's visits and events.")  # fmt: skip
    kept = np.where(ended, found, free) > entry
    if not kept.any():
        raise RecordError("table of outcomes must hold a restoration that was followed; got none.", "Record recalls first.")
    return table if kept.all() else table[kept]


def exits(table: pd.DataFrame, date_used: str = "found") -> np.ndarray:
    """When each restoration left the risk set, years: at the end's date, or where it was last seen.

    Parameters
    ----------
    table : DataFrame
        From `followed`.
    date_used : {'found', 'middle'}
        The date that stands for the end: when it was found, or the middle between that and the last time without it.
    """
    if date_used not in ("found", "middle"):
        raise ValueError(f"date_used must be found or middle; got {date_used!r}")
    entry, free, found = (table[name].to_numpy(dtype=float) for name in ("entry", "free", "found"))
    end = found if date_used == "found" else (np.maximum(free, entry) + found) / 2.0
    return np.where(np.isfinite(found), end, free)


def strata(table: pd.DataFrame, by: Sequence[str]) -> Iterator[tuple[tuple[Hashable, ...], pd.DataFrame]]:
    """Every stratum that has a row, by its values; a value that was left empty is a stratum of its own, ``not recorded``.

    Raises
    ------
    RecordError
        No such column.
    """
    missing = [name for name in by if name not in table.columns]
    if missing:
        raise RecordError(f"strata must be columns of the table; got {missing[0]!r}.", f"Use one of {', '.join(map(str, table.columns))}.")
    for key, rows in table.groupby(list(by), sort=True, dropna=False, observed=True):
        values = key if isinstance(key, tuple) else (key,)
        yield tuple(NOT_RECORDED if value in ("", None) or value != value else value for value in values), rows
