"""Photographs that wait to be marked and confirmed, one after the other, and whether their margin was looked at from near."""

from __future__ import annotations

from collections.abc import Container

from audit.api.desk import Desk, load_draft, save_draft
from audit.core.clinical import CaseFolder, PhotoEntry

__all__ = ["looked_near", "mark_looked", "next_waiting", "waiting_marks"]

_KIND = "looked"


def waiting_marks(desk: Desk, cases: CaseFolder) -> tuple[PhotoEntry, ...]:
    """Listed photos without confirmed marks beside them, tooth by tooth, the earliest visit first."""
    waiting = (entry for entry in cases.photos if not (desk.folder / entry.file).with_suffix(".geojson").is_file())
    return tuple(sorted(waiting, key=lambda entry: (entry.restoration, entry.on, entry.file)))


def next_waiting(waiting: tuple[PhotoEntry, ...], now: PhotoEntry, later: Container[str] = ()) -> PhotoEntry | None:
    """The first photo of the queue behind this one that is not put off, else the first before it; ``None`` where no other waits."""
    place = (now.restoration, now.on, now.file)
    open_ = [entry for entry in waiting if entry.file != now.file and entry.file not in later]
    behind = (entry for entry in open_ if (entry.restoration, entry.on, entry.file) > place)
    return next(behind, next(iter(open_), None))


def mark_looked(desk: Desk, file: str) -> None:
    """Record that the margin on a photo, or what else is marked on the tooth, was seen enlarged."""
    desk.image(file)
    draft = load_draft(desk, _KIND, file)
    if not draft.revision:
        save_draft(desk, _KIND, file, 0, {"near": True})


def looked_near(desk: Desk, file: str) -> bool:
    """Whether that was ever seen enlarged."""
    return bool(load_draft(desk, _KIND, file).revision)
