"""The club: one bundle out, many in, and what they hold side by side."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from audit.api.record import tooth_records
from audit.api.reports import strip_tiles
from audit.core.outcome import ToothRecord
from audit.errors import ExchangeError
from audit.exchange.club_bundle import Crop, bundle_files, preview, write_bundle
from audit.exchange.club_store import Merged, accept_sender, merge, merged_tables
from audit.exchange.club_tables import club_rows
from audit.exchange.consent import consented
from audit.exchange.keys import ClubKeys, club_keys, fingerprint, next_number

__all__ = ["ClubExport", "accept_sender", "club_summary", "merge_bundles", "prepare_bundle"]

_NO_CROP = ("smile_front", "smile_oblique", "stage")


@dataclass(frozen=True)
class ClubExport:
    """What would leave for a club, and the cases that stay because no consent for the club is on record."""

    keys: ClubKeys
    records: tuple[ToothRecord, ...]
    crops: tuple[Crop, ...]
    notes: bool
    left_out: tuple[str, ...]
    keys_folder: Path

    def preview(self) -> str:
        """All of it as text."""
        return preview(self._files(number=1), self.keys)

    def write(self, path: str | Path) -> str:
        """Write the bundle; the fingerprint of its sender, to be read out to the club once."""
        number = next_number(self.keys_folder, self.keys.club)
        Path(path).write_bytes(write_bundle(self._files(number)))
        return fingerprint(self.keys.public)

    def _files(self, number: int) -> dict[str, bytes]:
        return bundle_files(club_rows(self.records, self.keys, notes=self.notes), self.crops, self.keys, number, notes=self.notes)


def prepare_bundle(
    ledger_url: str, club: str, keys_folder: str | Path, consent: str | Path, *, notes: bool = False, photo_folder: str | Path | None = None
) -> ClubExport:  # fmt: skip
    """Everything for one bundle; nothing is written yet, but the keys of a new club.

    Parameters
    ----------
    ledger_url : str
    club : str
        Short name of the club.
    keys_folder : str or Path
        Where the keys are kept.
    consent : str or Path
        Table of consent; a case without consent for the club stays.
    notes : bool
        Whether free text leaves too.
    photo_folder : str or Path, optional
        Where the photos lie that tooth crops are cut from; without it none leave.
    """
    keys = club_keys(keys_folder, club)
    records = {record.restoration.code: record for record in tooth_records(ledger_url)}
    may, stay = consented(consent, "club", records)
    sent = tuple(records[code] for code in may)
    crops = () if photo_folder is None else tuple(crop for record in sent for crop in _crops(record, Path(photo_folder), keys))
    return ClubExport(keys, sent, crops, notes, tuple(stay), Path(keys_folder))


def merge_bundles(club_folder: str | Path, paths: Sequence[str | Path]) -> Merged:
    """Take bundle files into a club's folder: all or none."""
    return merge(club_folder, map(_bytes, paths))


def club_summary(club_folder: str | Path) -> pd.DataFrame:
    """What each member sent, side by side: cases, visits, readings, refusals, visits without a grade, and events by kind. Counts only."""
    tables = merged_tables(club_folder)
    member = {(row["sender"], row["case"]): row["member"] for row in tables["restorations"]}
    graded = {(row["sender"], row["case"], row["visit"]) for row in tables["grades"]}
    recalls = [row for row in tables["visits"] if row["stage"] in ("baseline", "recall")]
    rows: dict[str, Counter[str]] = {}
    for name in ("restorations", "visits", "readings", "refusals"):
        for row in tables[name]:
            rows.setdefault(member[row["sender"], row["case"]], Counter())[name] += 1
    for row in recalls:
        rows[member[row["sender"], row["case"]]]["ungraded recalls"] += (row["sender"], row["case"], row["visit"]) not in graded
    for row in tables["events"]:
        rows[member[row["sender"], row["case"]]][row["kind"]] += 1
    return pd.DataFrame.from_dict(rows, orient="index").fillna(0).astype(int).rename_axis("member").sort_index().reset_index()


def _bytes(path: str | Path) -> bytes:
    try:
        return Path(path).read_bytes()
    except OSError as error:
        raise ExchangeError(f"bundle must be readable; got {error.strerror} for {Path(path).name}.", "Check the file's name.") from error


def _crops(record: ToothRecord, folder: Path, keys: ClubKeys) -> Iterable[Crop]:
    order = {on: number for number, on in enumerate(sorted(visit.visit.on for visit in record.visits), 1)}
    case = keys.pseudonym("case", record.restoration.code)
    for tile in strip_tiles(record, folder):
        if tile.view not in _NO_CROP:
            yield Crop(case, order[tile.on], tile.view, tile.jpeg)
