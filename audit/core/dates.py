"""Months between visits: the only calendar arithmetic of the project.

Notes
-----
A month is 365.2425 / 12 days, so that intervals compare whatever the calendar; due dates use calendar months.
"""

from __future__ import annotations

import calendar
from datetime import date

__all__ = ["DAYS_PER_MONTH", "add_months", "months_between"]

DAYS_PER_MONTH = 365.2425 / 12.0


def months_between(start: str, end: str) -> float:
    """Months from one ISO 8601 date to another; negative where `end` comes first."""
    return (date.fromisoformat(end) - date.fromisoformat(start)).days / DAYS_PER_MONTH


def add_months(on: str, months: int) -> str:
    """The same day `months` calendar months later; the last day of the month where there is no such day."""
    start = date.fromisoformat(on)
    year, month = divmod(start.year * 12 + start.month - 1 + months, 12)
    return date(year, month + 1, min(start.day, calendar.monthrange(year, month + 1)[1])).isoformat()
