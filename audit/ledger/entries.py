"""Which restoration and visit a file shows, as it was last entered."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, Row, select

from audit.core.clinical import PhotoEntry
from audit.ledger.append import add, latest, says
from audit.ledger.schema import entries

__all__ = ["WITHDRAWN", "add_entry", "current_entries", "current_entry", "withdraw_entry"]

WITHDRAWN = "withdrawn"
UNLISTED, LIST_AGAIN = "The folder no longer lists this file for this visit.", "List it in the table of photos again."


def add_entry(connection: Connection, entry: PhotoEntry, outcome: Mapping[str, Any]) -> None:
    """Add what a file shows, unless both its place and its photo were last entered so.

    Parameters
    ----------
    connection : Connection
    entry : PhotoEntry
    outcome : mapping
        ``sha256`` with ``audit_id``, or ``code``, ``reason`` and ``hint`` of a refused file.
    """
    row = {"restoration": entry.restoration, "file": entry.file, "on_date": entry.on, "view": entry.view, **outcome}
    same_place = latest(connection, entries, {"restoration": entry.restoration, "file": entry.file})
    same_photo = latest(connection, entries, {"sha256": outcome["sha256"], "file": entry.file}) if outcome["sha256"] else same_place
    if not (says(same_place, row) and says(same_photo, row)):
        add(connection, entries, row)


def withdraw_entry(connection: Connection, row: Row[Any], reason: str = UNLISTED, hint: str = LIST_AGAIN) -> None:
    """Add that a file no longer shows this restoration, and why."""
    kept = {name: getattr(row, name) for name in ("restoration", "file", "on_date", "view", "sha256")}
    add(connection, entries, {**kept, "audit_id": None, "code": WITHDRAWN, "reason": reason, "hint": hint})


def current_entries(connection: Connection, code: str) -> list[Row[Any]]:
    """Files that show this restoration now, in the order first entered; replaced, withdrawn and moved ones left out."""
    rows = connection.execute(select(entries).where(entries.c.restoration == code).order_by(entries.c.id))
    by_file = {row.file: row for row in rows}
    return [row for row in by_file.values() if row.code != WITHDRAWN and not _moved(connection, row)]


def current_entry(connection: Connection, code: str, file: str) -> Row[Any] | None:
    """What a file shows of this restoration now; ``None`` where it shows nothing of it."""
    row = latest(connection, entries, {"restoration": code, "file": file})
    return None if row is None or row.code == WITHDRAWN or _moved(connection, row) else row


def _moved(connection: Connection, row: Row[Any]) -> bool:
    """Whether the same file with the same content was later entered for another restoration, and still is."""
    if not row.sha256:
        return False
    newest = latest(connection, entries, {"sha256": row.sha256, "file": row.file})
    return newest is not None and newest.restoration != row.restoration
