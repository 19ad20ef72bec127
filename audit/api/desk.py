"""A practice at work: its folder, its ledger, and the store of what is not confirmed yet.

Notes
-----
Drafts are numbered and never overwritten: saving needs the number that was last read, so of two windows the later is told. The last
`KEPT` numbers of each subject are kept.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath
from typing import Any

from audit.errors import ImageError, LedgerError, RecordError
from audit.folder import IMAGE_SUFFIXES

__all__ = ["Desk", "Draft", "DraftConflict", "all_drafts", "load_draft", "save_draft"]

KEPT = 400
_LARGEST_BODY = 4_000_000  # characters
_TABLE = """CREATE TABLE IF NOT EXISTS drafts (
    kind TEXT NOT NULL, subject TEXT NOT NULL, revision INTEGER NOT NULL, saved_at TEXT NOT NULL, body TEXT NOT NULL,
    PRIMARY KEY (kind, subject, revision))"""


class DraftConflict(RecordError):
    """Somebody else saved the same subject in between; nothing was written."""


@dataclass(frozen=True)
class Draft:
    """What was saved last of one subject; revision 0 and an empty body where nothing was."""

    revision: int = 0
    body: Mapping[str, Any] = field(default_factory=dict)
    saved_at: str = ""


@dataclass(frozen=True)
class Desk:
    """Where a practice works.

    Parameters
    ----------
    ledger_url : str
        Path or database URL of its ledger.
    folder : Path
        Practice folder with photos and tables.
    """

    ledger_url: str
    folder: Path

    def image(self, file: str) -> Path:
        """The path of an image of the folder by its relative name.

        Raises
        ------
        ImageError
            It is no image file inside the folder.
        """
        inside = PurePosixPath(file.replace("\\", "/"))
        path = self.folder / inside
        hint = "Choose a photo of the list, or bring it in first."
        if inside.is_absolute() or ".." in inside.parts or ":" in file or "\0" in file or path.suffix.lower() not in IMAGE_SUFFIXES:
            raise ImageError(f"photo must be an image file inside the practice folder; got {file!r}.", hint)
        if not path.is_file() or not path.resolve().is_relative_to(self.folder.resolve()):
            raise ImageError(f"photo must be there; {file!r} is not in the practice folder.", hint)
        return path

    @property
    def store(self) -> Path:
        """The file of drafts: beside a ledger that is a file, else in the practice folder."""
        address = self.ledger_url.partition(":///")[2] if self.ledger_url.startswith("sqlite") else self.ledger_url
        is_file = "://" not in address
        return Path(address).with_name("drafts.sqlite") if is_file else self.folder / ".drafts.sqlite"


def load_draft(desk: Desk, kind: str, subject: str) -> Draft:
    """What was saved last."""
    with _opened(desk) as connection:
        return _last(connection, kind, subject)


def all_drafts(desk: Desk, kind: str) -> dict[str, Draft]:
    """What was saved last of every subject of a kind; nothing where there is no store yet, and none is made."""
    if not desk.store.is_file():
        return {}
    with _opened(desk) as connection:
        wanted = "SELECT subject, revision, body, saved_at, max(revision) FROM drafts WHERE kind = ? GROUP BY subject"
        rows = connection.execute(wanted, (kind,)).fetchall()
    return {row[0]: Draft(int(row[1]), json.loads(row[2]), row[3]) for row in rows}


def save_draft(desk: Desk, kind: str, subject: str, revision: int, body: Mapping[str, Any]) -> Draft:
    """Save a body that was made from `revision`.

    Raises
    ------
    DraftConflict
        A later one was saved in between.
    """
    text = json.dumps(body, allow_nan=False)
    if len(text) > _LARGEST_BODY:
        raise RecordError(f"draft must be at most {_LARGEST_BODY // 1_000_000} MB; got more.", "Mark with fewer points.")
    with _opened(desk) as connection:
        last = _last(connection, kind, subject)
        if last.revision != revision:
            raise DraftConflict(f"draft must follow revision {last.revision}; got one made from {revision}.", "Load what was saved last.")
        at = datetime.now(UTC).isoformat(timespec="seconds")
        connection.execute("INSERT INTO drafts VALUES (?, ?, ?, ?, ?)", (kind, subject, revision + 1, at, text))
        connection.execute("DELETE FROM drafts WHERE kind = ? AND subject = ? AND revision <= ?", (kind, subject, revision + 1 - KEPT))
        return Draft(revision + 1, body, at)


def _last(connection: sqlite3.Connection, kind: str, subject: str) -> Draft:
    wanted = "SELECT revision, body, saved_at FROM drafts WHERE kind = ? AND subject = ? ORDER BY revision DESC LIMIT 1"
    row = connection.execute(wanted, (kind, subject)).fetchone()
    return Draft() if row is None else Draft(int(row[0]), json.loads(row[1]), row[2])


@contextmanager
def _opened(desk: Desk) -> Iterator[sqlite3.Connection]:
    """The store in one transaction that nobody else writes in; made where there is none."""
    try:
        with closing(sqlite3.connect(desk.store, timeout=10.0, isolation_level=None)) as connection:
            connection.execute("PRAGMA journal_mode = WAL")
            connection.execute("PRAGMA synchronous = FULL")
            connection.execute(_TABLE)
            connection.execute("BEGIN IMMEDIATE")
            try:
                yield connection
            except BaseException:
                connection.execute("ROLLBACK")
                raise
            connection.execute("COMMIT")
    except sqlite3.Error as error:
        raise LedgerError(f"the store of drafts must be writable; got: {error}.", "Check the ledger's place and the free space.") from error
