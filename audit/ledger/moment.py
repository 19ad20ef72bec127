"""The time at which a row is recorded."""

from __future__ import annotations

from datetime import UTC, datetime

__all__ = ["now"]


def now() -> str:
    """Now, UTC, to the second."""
    return datetime.now(UTC).isoformat(timespec="seconds")
