"""Photographs on their way into a practice: received whole, guessed, and entered once a person has said what they show."""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from audit.api.desk import Desk
from audit.api.practice_tables import put_rows
from audit.api.reports import read_case_folder
from audit.core.clinical import CaseFolder, Restoration
from audit.core.records import Photo
from audit.core.vocabulary import RADIOGRAPH_VIEWS, VIEWS
from audit.errors import AuditError, ImageError, RecordError
from audit.folder import IMAGE_SUFFIXES, unlisted_images
from audit.imaging.codec import read_image
from audit.intake import accept

__all__ = ["Guess", "guess_photo", "place_for", "stage_of", "take_in", "waiting_photos"]

INCOMING = "incoming"
_BASELINE_DAYS = 120  # the first visit after placement within this time is guessed to be the baseline


@dataclass(frozen=True)
class Guess:
    """What a file seems to show; empty words where nothing tells.

    Parameters
    ----------
    file : str
        Relative to the practice folder.
    usable : bool
    on, certainty : str
        Date of capture and how sure it is.
    restoration, view, stage : str
    remarks : tuple of str
        Flags of intake, or why the file is refused.
    twin : str
        A photo with the same bytes that is entered already.
    """

    file: str
    usable: bool
    on: str = ""
    certainty: str = "unknown"
    restoration: str = ""
    view: str = ""
    stage: str = ""
    remarks: tuple[str, ...] = ()
    twin: str = ""


def place_for(desk: Desk, name: str) -> Path:
    """Where an image that arrives under this name is to be put; never a path out of the folder, never an occupied one.

    Raises
    ------
    ImageError
        Its suffix is not that of an image.
    """
    base = re.sub(r"[^A-Za-z0-9._-]+", "_", name.replace("\\", "/").rpartition("/")[2]).lstrip("._-")[-120:]
    stem, suffix = os.path.splitext(base)
    if suffix.lower() not in IMAGE_SUFFIXES or not stem:
        raise ImageError(f"{name[-80:]}: file must be an image ({', '.join(IMAGE_SUFFIXES)}); got {suffix or 'no suffix'}.",
                         "Choose photographs or radiographs only.")  # fmt: skip
    return _free(desk.folder / INCOMING, stem, suffix.lower())


def waiting_photos(desk: Desk) -> tuple[str, ...]:
    """Image files of the folder that no table lists yet."""
    return unlisted_images(desk.folder, read_case_folder(desk.folder))


def guess_photo(desk: Desk, cases: CaseFolder, file: str) -> Guess:
    """What one file seems to show, from its own facts, its name and the visits on record."""
    try:
        photo = accept(read_image(desk.image(file)), radiograph=False, today=date.today())
    except AuditError as error:
        return Guess(file, False, remarks=(error.message, error.hint))
    on = photo.captured_on or ""
    code = _code(cases, file, on)
    restoration = next((one for one in cases.restorations if one.code == code), None)
    stage = stage_of(cases, restoration, on) if restoration is not None and len(on) == 10 else ""
    return Guess(file, True, on, photo.date_certainty, code, _view(photo, file), stage, photo.flags, _twin(desk, cases, file, photo.sha256))


def _twin(desk: Desk, cases: CaseFolder, file: str, sha256: str) -> str:
    """A listed photo with the same bytes."""
    size = desk.image(file).stat().st_size
    listed = ((one.file, desk.folder / one.file) for one in cases.photos)
    same = ((name, path) for name, path in listed if path.is_file() and path.stat().st_size == size)
    return next((name for name, path in same if hashlib.sha256(path.read_bytes()).hexdigest() == sha256), "")


def _code(cases: CaseFolder, file: str, on: str) -> str:
    """A code that stands in the file's name, else the one restoration that was seen that day."""
    named = [one.code for one in cases.restorations if re.search(rf"(?<![A-Za-z0-9]){re.escape(one.code)}(?![0-9])", file)]
    seen = list(dict.fromkeys(visit.restoration for visit in cases.visits if visit.on == on))
    return named[0] if len(named) == 1 else seen[0] if len(seen) == 1 else ""


def _view(photo: Photo, file: str) -> str:
    words = re.split(r"[^a-z]+", file.rpartition("/")[2].lower())
    named = [view for view in VIEWS if all(word in words for word in view.split("_"))]
    is_radiograph = photo.modality == "radiograph" or "greyscale" in photo.flags
    return named[-1] if named else RADIOGRAPH_VIEWS[0] if is_radiograph else ""


def stage_of(cases: CaseFolder, restoration: Restoration, on: str) -> str:
    """The stage that a visit of that day is, or most likely is."""
    mine = [visit for visit in cases.visits if visit.restoration == restoration.code]
    if same := [visit.stage for visit in mine if visit.on == on]:
        return same[-1]
    days = (date.fromisoformat(on) - date.fromisoformat(restoration.placed_on)).days
    if days <= 0:
        return "placement" if days == 0 else "preoperative"
    return "baseline" if days <= _BASELINE_DAYS and not any(visit.stage == "baseline" for visit in mine) else "recall"


def take_in(desk: Desk, rows: Sequence[Mapping[str, str]]) -> list[str]:
    """Enter photos: each row has ``file``, ``restoration``, ``on``, ``view``, ``stage``; the new names of the files.

    Notes
    -----
    A file that arrived in ``incoming`` is moved, unchanged, to ``photos/<code>/<date>_<view>``; any other stays where it is.
    A visit that is not on record yet is added.

    Raises
    ------
    RecordError
        A row breaks a rule: nothing was entered, nothing was moved.
    """
    cases = read_case_folder(desk.folder)
    visits = {(visit.restoration, visit.on) for visit in cases.visits}
    new = {(row["restoration"], row["on"]): row["stage"] for row in rows if (row["restoration"], row["on"]) not in visits}
    moves = [(desk.image(row["file"]), _home(desk, row)) for row in rows]
    moved: list[tuple[Path, Path]] = []
    try:
        for old, home in moves:
            if old != home:
                home = _free(home.parent, home.stem, home.suffix)
                os.replace(old, home)
            moved.append((old, home))
        names = [home.relative_to(desk.folder).as_posix() for _, home in moved]
        photos = [{"file": name, **{key: row[key] for key in ("restoration", "on", "view")}} for name, row in zip(names, rows)]
        added = [{"restoration": code, "on": on, "stage": stage} for (code, on), stage in new.items()]
        put_rows(desk, {"visits.csv": added, "photos.csv": photos})
    except (AuditError, OSError) as error:
        for old, home in moved:
            if old != home:
                os.replace(home, old)
        if isinstance(error, AuditError):
            raise
        raise RecordError(f"photos must be movable into their folder; got {error.strerror}.", "Check the folder's rights.") from error
    return names


def _home(desk: Desk, row: Mapping[str, str]) -> Path:
    path = desk.image(row["file"])
    if path.parent != desk.folder / INCOMING or not re.fullmatch(r"[A-Za-z0-9-]+", row["restoration"]):
        return path
    return desk.folder / "photos" / row["restoration"] / f"{row['on']}_{row['view']}{path.suffix.lower()}"


def _free(folder: Path, stem: str, suffix: str) -> Path:
    """A path in the folder that nothing has yet; the folder is made."""
    folder.mkdir(parents=True, exist_ok=True)
    path, number = folder / f"{stem}{suffix}", 1
    while path.exists():
        number += 1
        path = folder / f"{stem}-{number}{suffix}"
    return path
