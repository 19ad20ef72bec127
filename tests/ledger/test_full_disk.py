"""A full disk is told; what was reported as stored stays, nothing is half there, and the same run completes it when there is room."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from invented import CODE, document, entry, folder
from sqlalchemy import Engine, event

from audit.errors import LedgerError
from audit.ledger.store import open_ledger
from audit.ledger.upkeep import verify_ledger

PHOTOS = 60


def store(url: str, told: set[int]) -> None:
    with open_ledger(url) as ledger:
        ledger.store_folder(folder(photos=tuple(entry(n) for n in range(PHOTOS))))
        for n in range(PHOTOS):
            ledger.store_document(entry(n), document(n), None, "marks")
            told.add(n)


def whole(url: str) -> set[int]:
    verify_ledger(url)
    with open_ledger(url) as ledger:
        photos = [photo for record in ledger.history(CODE) for photo in record.photos]
        assert ledger.counts()["readings"] == 3 * len(photos)
    return {int(photo.sha256, 16) for photo in photos}


def test_a_full_disk_loses_nothing_that_was_stored(sqlite_path: Path) -> None:
    """SQLite answers a page beyond ``max_page_count`` with the error of a full disk, SQLITE_FULL (sqlite.org/pragma.html)."""
    url, told = str(sqlite_path), set[int]()
    open_ledger(url).close()
    pages = sqlite_path.stat().st_size // 4096

    def no_more_room(raw: Any, _: Any) -> None:
        raw.execute(f"PRAGMA max_page_count = {pages + 12}")

    event.listen(Engine, "connect", no_more_room)
    try:
        with pytest.raises(LedgerError, match=r"full.*Hint: .*free space"):
            store(url, told)
    finally:
        event.remove(Engine, "connect", no_more_room)
    assert 0 < len(told) < PHOTOS and whole(url) == told
    store(url, told)
    assert whole(url) == told == set(range(PHOTOS))
