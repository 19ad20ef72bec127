"""What a club keeps of its members' bundles: the files themselves, never changed, and tables made from the newest of each.

A folder: ``senders.csv`` (which keys belong to members), ``bundles/`` (every accepted file under its hash) and ``merged/`` (made anew
from them at every merge). Of the same case in two bundles of one sender the one of the later bundle counts; each row says whose it is and
which bundle it came in.
"""

from __future__ import annotations

import csv
import hashlib
import io
import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from audit.errors import ExchangeError
from audit.exchange.club_read import Bundle, read_bundle
from audit.exchange.club_schema import TABLES
from audit.exchange.keys import fingerprint

__all__ = ["Merged", "accept_sender", "merge", "merged_tables"]

_PROVENANCE = ("sender", "bundle")


@dataclass(frozen=True)
class Merged:
    """What a merge did: files taken in now, files known already, and what the folder holds after it."""

    taken: int
    known: int
    senders: int
    cases: int


def accept_sender(club_folder: str | Path, sender: str) -> None:
    """Note that the holder of a key is a member; `sender` is the fingerprint that the member read out."""
    folder = Path(club_folder)
    if len(sender) != 16 or set(sender) - set("0123456789abcdef"):
        raise ExchangeError(f"sender must be a fingerprint of 16 hex digits; got {sender!r}.", "Ask the member to read it out.")
    folder.mkdir(parents=True, exist_ok=True)
    known = _senders(folder)
    if sender not in known:
        _write(folder / "senders.csv", "sender\n" + "".join(f"{one}\n" for one in sorted({*known, sender})))


def merge(club_folder: str | Path, bundles: Iterable[bytes]) -> Merged:
    """Take bundles in: all of them or, where one is refused, none; the same again changes nothing.

    Raises
    ------
    ExchangeError
        A bundle that is not as it must be, of a sender who is not known, or for another club.
    """
    folder = Path(club_folder)
    known, held = _senders(folder), _held(folder)
    fresh: dict[str, bytes] = {}
    read = [read_bundle(path.read_bytes()) for path in held]
    given = 0
    for data in bundles:
        given += 1
        name = hashlib.sha256(data).hexdigest()
        if any(path.stem == name for path in held) or name in fresh:
            continue
        bundle = read_bundle(data)
        _check(bundle, known, read)
        read.append(bundle)
        fresh[name] = data
    (folder / "bundles").mkdir(parents=True, exist_ok=True)
    for name, data in fresh.items():
        _write(folder / "bundles" / f"{name}.zip", data)
    tables = _joined(read)
    for name, rows in tables.items():
        _write(folder / "merged" / f"{name}.csv", _csv(name, rows))
    return Merged(len(fresh), given - len(fresh), len({bundle.sender for bundle in read}), len(tables["restorations"]))


def merged_tables(club_folder: str | Path) -> dict[str, list[dict[str, str]]]:
    """The tables of a club as last merged, with sender and bundle of each row."""
    tables = {}
    for name in TABLES:
        path = Path(club_folder) / "merged" / f"{name}.csv"
        if not path.is_file():
            raise ExchangeError(f"club folder must hold merged tables; {Path(club_folder).name} has none.", "Merge a bundle first.")
        with path.open(encoding="utf-8", newline="") as file:
            tables[name] = list(csv.DictReader(file))
    return tables


def _check(bundle: Bundle, known: set[str], read: Sequence[Bundle]) -> None:
    sender = fingerprint(bundle.sender)
    if sender not in known:
        raise ExchangeError(f"sender must be known to the club; got {sender}.",
                            "Have the member read the fingerprint out, then accept it by name.")  # fmt: skip
    if read and bundle.club != read[0].club:
        raise ExchangeError(f"bundle must be for the club {read[0].club}; got {bundle.club}.", "Merge it into that club's folder.")
    if any(one.sender == bundle.sender and one.number == bundle.number for one in read):
        raise ExchangeError(f"bundle must have a number of its own; {sender} sent another one numbered {bundle.number}.",
                            "Ask the sender: the keys may be in use at two places.")  # fmt: skip


def _joined(bundles: Sequence[Bundle]) -> dict[str, list[dict[str, str]]]:
    newest: dict[tuple[bytes, str], Bundle] = {}
    for bundle in sorted(bundles, key=lambda one: (one.sender, one.number)):
        for row in bundle.tables["restorations"]:
            newest[bundle.sender, row["case"]] = bundle
    tables: dict[str, list[dict[str, str]]] = {name: [] for name in TABLES}
    for bundle in sorted(bundles, key=lambda one: (one.sender, one.number)):
        source = {"sender": fingerprint(bundle.sender), "bundle": bundle.sha256[:16]}
        for name, rows in bundle.tables.items():
            tables[name] += [{**source, **row} for row in rows if newest[bundle.sender, row["case"]] is bundle]
    return tables


def _csv(name: str, rows: Sequence[Mapping[str, str]]) -> str:
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow([*_PROVENANCE, *(column.name for column in TABLES[name])])
    writer.writerows(row.values() for row in rows)  # in the order of the columns, as read
    return stream.getvalue()


def _senders(folder: Path) -> set[str]:
    path = folder / "senders.csv"
    return set(path.read_text(encoding="ascii").split()[1:]) if path.is_file() else set()


def _held(folder: Path) -> list[Path]:
    return sorted((folder / "bundles").glob("*.zip"))


def _write(path: Path, content: str | bytes) -> None:
    """Whole or not at all: written beside, then put in place."""
    path.parent.mkdir(parents=True, exist_ok=True)
    fresh = path.with_name(path.name + ".new")
    fresh.write_bytes(content.encode() if isinstance(content, str) else content)
    os.replace(fresh, path)
