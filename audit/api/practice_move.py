"""A whole practice moved to another computer: its ledger, its folder and its drafts, every file checked on both sides."""

from __future__ import annotations

import sqlite3
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from audit.api.desk import Desk
from audit.errors import ExchangeError
from audit.exchange.practice_box import (
    DRAFTS,
    FOLDER,
    LEDGER,
    MANIFEST,
    Box,
    copy_file,
    files_below,
    finish_box,
    read_box,
    sha256_of,
)
from audit.ledger.store import open_ledger
from audit.ledger.upkeep import copy_ledger, verify_ledger

__all__ = ["Moved", "check_practice", "export_practice", "import_practice"]


@dataclass(frozen=True)
class Moved:
    """What was copied and checked: files, rows of the ledger, the head of its chain, and photographs on record that no file holds."""

    files: int
    rows: int
    head: str
    missing: tuple[str, ...]


def export_practice(ledger_url: str, photo_folder: str | Path, box_folder: str | Path) -> Moved:
    """A practice into a folder that can be carried; run again after an interruption, it does what is left.

    Raises
    ------
    ExchangeError
        The target lies in the practice folder, or holds something else under a name that is needed.
    LedgerError
        The ledger's chain is broken, or it grew since an interrupted export was begun.
    """
    folder, box = Path(photo_folder).resolve(), Path(box_folder)
    if not folder.is_dir() or box.resolve().is_relative_to(folder) or folder.is_relative_to(box.resolve()):
        raise ExchangeError(f"export must go to a folder outside of the practice folder; got {box}.", "Name another folder.")
    if (box / MANIFEST).exists():
        raise ExchangeError(f"export must go to a new folder; {box} holds a finished one.", "Name another folder.")
    box.mkdir(parents=True, exist_ok=True)
    desk = Desk(ledger_url, folder)
    walk = verify_ledger(ledger_url)
    _copy_of_ledger(ledger_url, walk.head, box / LEDGER)
    files = {LEDGER: sha256_of(box / LEDGER)}
    if desk.store.is_file():
        files[DRAFTS] = _copy_of_drafts(desk.store, box / DRAFTS)
    for name, path in files_below(folder, frozenset(_databases(desk))):
        files[f"{FOLDER}/{name}"] = copy_file(path, box / FOLDER / name)
    if verify_ledger(ledger_url).head != walk.head:
        raise ExchangeError("ledger must not change while it is exported; it did.", "Close the pages and export to a new folder.")
    finish_box(box, files, walk.rows, walk.head)
    return check_practice(box)


def import_practice(box_folder: str | Path, photo_folder: str | Path, ledger_file: str | Path) -> Moved:
    """A practice out of its export; run again after an interruption, it does what is left.

    Parameters
    ----------
    box_folder : str or Path
        As written by `export_practice`.
    photo_folder : str or Path
        New practice folder; files that are there with another content stop the import.
    ledger_file : str or Path
        New ledger; on a database server by ``ledger restore`` from this file.

    Raises
    ------
    ExchangeError
        A file is not as exported, or another one stands in its place; nothing is overwritten.
    """
    box, target = Path(box_folder), Path(ledger_file)
    found = read_box(box)
    check_practice(box)
    desk = Desk(str(target), Path(photo_folder))
    places = {name: _place(name, desk, target) for name in found.files}
    for name, place in places.items():
        if place.exists() and (not place.is_file() or sha256_of(place) != found.files[name]):
            raise ExchangeError(f"import must not overwrite anything; {place.name} is there already with another content.",
                                "Choose an empty folder and a new ledger file; nothing was written.")  # fmt: skip
    for name, place in places.items():
        copy_file(box / name, place, found.files[name])
    if bad := next((name for name, place in places.items() if sha256_of(place) != found.files[name]), None):
        raise ExchangeError(f"what was written must read back the same; {bad} does not.", "Check the disk and import to another place.")
    with tempfile.TemporaryDirectory() as scratch:
        return _moved(found, target, Path(scratch))


def check_practice(box_folder: str | Path) -> Moved:
    """Read every file of an export back, and walk the chain of its ledger; nothing is changed.

    Raises
    ------
    ExchangeError
        A file is missing or is not as exported.
    """
    box = Path(box_folder)
    found = read_box(box)
    for name, digest in found.files.items():
        path = box / name
        if path.is_symlink() or not path.is_file() or sha256_of(path) != digest:
            raise ExchangeError(
                f"{name} must be as it was exported; it is missing or was changed.", "Copy the export again from where it was made."
            )
    with tempfile.TemporaryDirectory() as scratch:
        return _moved(found, box / LEDGER, Path(scratch))


def _moved(box: Box, ledger: Path, scratch: Path) -> Moved:
    """The chain walked on a copy, as opening a ledger may bring it up to date; and photographs on record that are not among the files."""
    copy = scratch / LEDGER
    copy_file(ledger, copy)
    walk = verify_ledger(str(copy), box.head)
    if (walk.rows, walk.head) != (box.rows, box.head):
        raise ExchangeError("ledger must have the chain that the manifest names; it has another.", "Copy the export again.")
    missing = tuple(name for name, digest in _photos(str(copy)) if box.files.get(f"{FOLDER}/{name}") != digest)
    return Moved(len(box.files), walk.rows, walk.head, missing)


def _photos(ledger_url: str) -> Iterator[tuple[str, str]]:
    """Name and hash of every photograph that was measured."""
    with open_ledger(ledger_url, must_exist=True) as ledger:
        for code in ledger.codes():
            for visit in ledger.history(code):
                yield from ((photo.file, photo.sha256) for photo in visit.photos if photo.sha256)


def _copy_of_ledger(ledger_url: str, head: str, target: Path) -> None:
    part = target.with_name("ledger.part-of-a-copy.sqlite")
    for rest in target.parent.glob(f"{part.name}*"):
        rest.unlink()
    if not target.exists():
        copy_ledger(ledger_url, str(part))
        part.rename(target)
    with tempfile.TemporaryDirectory() as scratch:
        copy_file(target, Path(scratch) / LEDGER)
        if verify_ledger(str(Path(scratch) / LEDGER)).head != head:
            raise ExchangeError("ledger must be the one that the export was begun with; it has grown since.", "Export to a new folder.")


def _copy_of_drafts(store: Path, target: Path) -> str:
    """Drafts as they are now; those of an unfinished export are made anew."""
    target.unlink(missing_ok=True)
    with closing(sqlite3.connect(store)) as old, closing(sqlite3.connect(target)) as new:
        old.backup(new)
        new.execute("PRAGMA journal_mode = DELETE")
    return sha256_of(target)


def _databases(desk: Desk) -> Iterator[Path]:
    """Files of the ledger and the drafts, which may lie in the practice folder."""
    address = desk.ledger_url.partition(":///")[2] if desk.ledger_url.startswith("sqlite") else desk.ledger_url
    for path in ([] if "://" in address else [Path(address)]) + [desk.store]:
        yield from (Path(f"{path.resolve()}{suffix}") for suffix in ("", "-wal", "-shm"))


def _place(name: str, desk: Desk, ledger: Path) -> Path:
    fixed: Mapping[str, Path] = {LEDGER: ledger, DRAFTS: desk.store}
    return fixed[name] if name in fixed else desk.folder / name.removeprefix(f"{FOLDER}/")
