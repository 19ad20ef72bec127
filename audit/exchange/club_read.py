"""Reading a bundle from somebody else: nothing in it is believed before it is checked, and nothing is ever unpacked to a path it names.

Refused whole: a file that is no zip, too many or too large files, names of any other form, anything encrypted or linked, a newer schema,
a hash or a signature that does not hold, a cell that its column does not allow.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import re
import zipfile
import zlib
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NoReturn

from audit.core.vocabulary import VIEWS
from audit.errors import ExchangeError
from audit.exchange.club_bundle import MANIFEST, SIGNATURE
from audit.exchange.club_schema import SCHEMA, TABLES, cell_fault
from audit.exchange.keys import CLUB_NAME, is_signed_by
from audit.exchange.leftovers import picture_leftovers

__all__ = ["Bundle", "read_bundle"]

LARGEST_ZIP, LARGEST_FILE, LARGEST_ALL, MOST_FILES = 200 << 20, 64 << 20, 400 << 20, 20_000
_NAMES = re.compile(rf"({'|'.join(TABLES)})\.csv|crops/C-[A-Z2-7]{{10}}/\d{{3}}-({'|'.join(VIEWS)})-\d{{4,5}}\.jpg", re.ASCII)
_AGAIN = "Ask the sender for the bundle again."


@dataclass(frozen=True)
class Bundle:
    """A bundle that was checked.

    Parameters
    ----------
    sha256 : str
        Of the whole file.
    club : str
    sender : bytes
        Public key whose holder signed it; whether that is a member is for the receiving side to know.
    number : int
        How many bundles this made it for the sender.
    tables : mapping of str to list of dict
        Cells as text.
    crops : int
        How many pictures.
    """

    sha256: str
    club: str
    sender: bytes
    number: int
    tables: Mapping[str, list[dict[str, str]]]
    crops: int


def read_bundle(data: bytes) -> Bundle:
    """A bundle from its bytes.

    Raises
    ------
    ExchangeError
        Anything about it that is not as it must be.
    """
    if len(data) > LARGEST_ZIP:
        _refuse(f"be at most {LARGEST_ZIP >> 20} MB", f"{len(data) >> 20} MB")
    try:
        files = _files(data)
        manifest = _manifest(files)
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, EOFError, OSError, ValueError, KeyError, TypeError, OverflowError,
            RecursionError, zlib.error) as error:  # fmt: skip
        _refuse("be a whole bundle", f"{type(error).__name__}")
    tables = {name: _table(name, files[f"{name}.csv"], notes=manifest["notes"]) for name in TABLES}
    crops = [name for name in files if name.startswith("crops/")]
    known = {row["case"] for row in tables["restorations"]}
    for name in crops:
        if name.split("/")[1] not in known or picture_leftovers(files[name]):
            _refuse("hold clean crops of its own cases only", name)
    for name, key in (("restorations", ("case",)), ("visits", ("case", "visit"))):
        told = [tuple(row[part] for part in key) for row in tables[name]]
        if twice := next((one for one, count in Counter(told).items() if count > 1), None):
            _refuse(f"tell each row of {name} once", " ".join(twice))
    if stray := next((row["case"] for table in tables.values() for row in table if row["case"] not in known), None):
        _refuse("name only cases of its own", stray)
    return Bundle(
        hashlib.sha256(data).hexdigest(), manifest["club"], bytes.fromhex(manifest["sender"]), manifest["number"], tables, len(crops)
    )


def _files(data: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        infos = archive.infolist()
        names = [info.filename for info in infos]
        if len(infos) > MOST_FILES or len(set(names)) != len(names):
            _refuse(f"hold at most {MOST_FILES} files, each once", str(len(infos)))
        for info in infos:
            if info.filename not in (MANIFEST, SIGNATURE) and not _NAMES.fullmatch(info.filename):
                _refuse("hold tables and crops only", info.filename[:60])
            if info.flag_bits & 1 or (info.external_attr >> 16) & 0o170000 not in (0, 0o100000):
                _refuse("hold plain files only", info.filename)
        if max((info.file_size for info in infos), default=0) > LARGEST_FILE or sum(info.file_size for info in infos) > LARGEST_ALL:
            _refuse(f"hold at most {LARGEST_ALL >> 20} MB", "more")
        return {info.filename: _content(archive, info) for info in infos}


def _content(archive: zipfile.ZipFile, info: zipfile.ZipInfo) -> bytes:
    """A file's content, never more than it claims to hold."""
    with archive.open(info) as file:
        content = file.read(info.file_size + 1)
    if len(content) != info.file_size:
        _refuse("hold files of the size that it says", info.filename)
    return content


def _manifest(files: Mapping[str, bytes]) -> dict[str, Any]:
    manifest = json.loads(files[MANIFEST])
    if not isinstance(manifest, dict) or type(manifest.get("schema")) is not int:
        _refuse("have a manifest", "none that can be read")
    if manifest["schema"] != SCHEMA:
        newer = manifest["schema"] > SCHEMA
        raise ExchangeError(f"bundle must be of schema {SCHEMA}; got schema {manifest['schema']}.",
                            "Install the newer program." if newer else _AGAIN)  # fmt: skip
    if not is_signed_by(bytes.fromhex(manifest["sender"]), files[MANIFEST], files[SIGNATURE]):
        _refuse("bear the signature of its sender", "another or none")
    hashes = {name: hashlib.sha256(content).hexdigest() for name, content in files.items() if name not in (MANIFEST, SIGNATURE)}
    if hashes != manifest["files"] or not {f"{name}.csv" for name in TABLES} <= set(hashes):
        _refuse("hold the files of its manifest, unchanged", "others")
    number, club = manifest["number"], manifest["club"]
    if (
        type(number) is not int
        or not 0 < number < 10**9
        or type(manifest["notes"]) is not bool
        or not re.fullmatch(CLUB_NAME, club, re.ASCII)
    ):
        _refuse("have a number and a club", "others")
    return manifest


def _table(name: str, content: bytes, *, notes: bool) -> list[dict[str, str]]:
    columns = TABLES[name]
    try:
        head, *lines = list(csv.reader(io.StringIO(content.decode("utf-8"), newline=""), strict=True))
    except (csv.Error, UnicodeDecodeError, ValueError) as error:
        _refuse(f"hold {name} as plain CSV", type(error).__name__)
    if head != [column.name for column in columns]:
        _refuse(f"hold {name} with its columns", ",".join(head)[:60])
    if uneven := next((number for number, cells in enumerate(lines, 2) if len(cells) != len(columns)), None):
        _refuse(f"hold {name} with whole rows", f"row {uneven}")
    for column, cells in zip(columns, zip(*lines, strict=True), strict=False):
        for text in set(cells):  # words repeat: each is judged once
            if fault := cell_fault(column, text, notes=notes):
                number = cells.index(text) + 2
                raise ExchangeError(f"{name} row {number}: {column.name} {fault}; got {text[:40]!r}.", _AGAIN)
    return [dict(zip(head, cells, strict=True)) for cells in lines]


def _refuse(rule: str, got: str) -> NoReturn:
    raise ExchangeError(f"bundle must {rule}; got {got}.", _AGAIN)
