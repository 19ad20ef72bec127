"""What became of all restorations of a ledger."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Literal

from audit.analysis.outcome_summary import OutcomeSummary, outcome_summary
from audit.analysis.published import published_survival
from audit.core.dates import months_between
from audit.ledger.store import open_ledger

__all__ = ["outcome_tables", "published_survival"]


def outcome_tables(
    ledger_url: str, until: Literal["success", "survival"] = "success", by: Sequence[str] = (), today: date | None = None
) -> OutcomeSummary:
    """Survival, ends by kind, rates and members over all restorations of a ledger.

    Parameters
    ----------
    ledger_url : str
    until : {'success', 'survival'}
        What ends: success, or survival.
    by : sequence of str
        Strata: ``design``, ``tooth_group``, ``arch``, ``alloy``, ``operator``.
    today : date, optional
        For attendance.
    """
    on = (today or date.today()).isoformat()
    with open_ledger(ledger_url, must_exist=True) as ledger:
        records = [(ledger.restoration(code), ledger.history(code)) for code in ledger.codes()]
    years = {restoration.code: months_between(restoration.placed_on, on) / 12.0 for restoration, _ in records}
    return outcome_summary(records, until, years, by)
