"""What a ledger says of a restoration over the years."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import date

import pandas as pd

from audit.analysis.posed_anew import PosedAnew, posed_anew
from audit.analysis.recall import tooth_record as _tooth_record
from audit.core.outcome import ToothRecord, VisitRecord
from audit.ledger.store import Ledger, open_ledger
from audit.report import tables

__all__ = ["LetThrough", "series", "tooth_codes", "tooth_record", "tooth_records"]


LetThrough = Callable[[str, Sequence[VisitRecord]], Sequence[VisitRecord]]
"""Takes from the visits of a restoration what is not to be shown yet."""


def tooth_codes(ledger_url: str) -> list[str]:
    """Codes of all restorations in a ledger, sorted."""
    with open_ledger(ledger_url, must_exist=True) as ledger:
        return list(ledger.codes())


def tooth_record(ledger_url: str, code: str, today: date | None = None, let_through: LetThrough | None = None) -> ToothRecord:
    """Everything that the years say of one restoration, statistics done; where `let_through` is given, of what it lets through."""
    with open_ledger(ledger_url, must_exist=True) as ledger:
        return _record(ledger, code, posed_anew(map(ledger.history, ledger.codes())), today or date.today(), let_through)


def tooth_records(ledger_url: str, today: date | None = None, let_through: LetThrough | None = None) -> list[ToothRecord]:
    """The records of all restorations, by code; where `let_through` is given, of what it lets through."""
    with open_ledger(ledger_url, must_exist=True) as ledger:
        codes = ledger.codes()
        repeatability = posed_anew(map(ledger.history, codes))
        return [_record(ledger, code, repeatability, today or date.today(), let_through) for code in codes]


def series(ledger_url: str, code: str) -> pd.DataFrame:
    """Readings of one restoration over its visits, one row a reading."""
    return tables.series(tooth_record(ledger_url, code))


def _record(
    ledger: Ledger, code: str, repeatability: Mapping[tuple[str, str], PosedAnew], today: date, let_through: LetThrough | None
) -> ToothRecord:
    months, visits = ledger.recall_months(code), ledger.history(code)
    seen = visits if let_through is None else let_through(code, visits)
    return _tooth_record(ledger.restoration(code), seen, today, recall_months=months, repeatability=repeatability)
