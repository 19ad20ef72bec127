"""One file for the club: tables, their hashes, a signature; the same file for the same content.

The zip holds ``manifest.json``, ``manifest.sig`` (Ed25519 over the manifest's bytes), one CSV file a table and, where chosen, tooth
crops. The manifest names every other file with its SHA-256. Nothing in it bears a date: bundles of one sender are counted.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import zipfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from audit import __version__
from audit.errors import ExchangeError
from audit.exchange.club_schema import SCHEMA, TABLES, cell_fault
from audit.exchange.club_tables import Row
from audit.exchange.keys import ClubKeys, fingerprint
from audit.exchange.leftovers import picture_leftovers

__all__ = ["MANIFEST", "SIGNATURE", "Crop", "bundle_files", "preview", "write_bundle"]

MANIFEST, SIGNATURE = "manifest.json", "manifest.sig"
_EPOCH = (1980, 1, 1, 0, 0, 0)  # of every file in the zip: its format asks for a time


@dataclass(frozen=True)
class Crop:
    """A tooth crop: pseudonym of the case, number of the visit, view, and a clean JPEG."""

    case: str
    visit: int
    view: str
    jpeg: bytes


def bundle_files(
    tables: Mapping[str, Sequence[Row]], crops: Iterable[Crop], keys: ClubKeys, number: int, *, notes: bool
) -> dict[str, bytes]:
    """Every file of a bundle by its name, all cells and pictures checked.

    Raises
    ------
    ExchangeError
        A cell that its column does not allow, or a crop with anything beside its pixels.
    """
    files = {f"{name}.csv": _csv(name, tables.get(name, ()), notes=notes) for name in TABLES}
    for place, crop in enumerate(crops, 1):
        if left := picture_leftovers(crop.jpeg):
            raise ExchangeError(f"crop must hold nothing but pixels; got {left[0]}.", "This is a fault of the program: report it.")
        files[f"crops/{crop.case}/{crop.visit:03d}-{crop.view}-{place:04d}.jpg"] = crop.jpeg
    manifest = {
        "schema": SCHEMA, "club": keys.club, "sender": keys.public.hex(), "number": number, "software": __version__, "notes": notes,
        "rows": {name: len(tables.get(name, ())) for name in TABLES},
        "files": {name: hashlib.sha256(content).hexdigest() for name, content in sorted(files.items())},
    }  # fmt: skip
    body = json.dumps(manifest, indent=1, sort_keys=True).encode()
    return {MANIFEST: body, SIGNATURE: keys.sign(body), **files}


def write_bundle(files: Mapping[str, bytes]) -> bytes:
    """The files as one zip."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for name in (MANIFEST, SIGNATURE, *sorted(set(files) - {MANIFEST, SIGNATURE})):
            info = zipfile.ZipInfo(name, _EPOCH)
            info.compress_type, info.external_attr = zipfile.ZIP_DEFLATED, 0o600 << 16
            archive.writestr(info, files[name])
    return stream.getvalue()


def preview(files: Mapping[str, bytes], keys: ClubKeys) -> str:
    """All that would leave, as text: the manifest, every table whole, and the name and size of every crop."""
    parts = [f"To the club {keys.club}, signed by {fingerprint(keys.public)}. All that leaves:"]
    for name, content in files.items():
        if name == SIGNATURE:
            parts.append(f"--- {name}: {len(content)} bytes, signature of the manifest")
        elif name.startswith("crops/"):
            parts.append(f"--- {name}: picture of {len(content)} bytes")
        else:
            parts.append(f"--- {name}\n{content.decode()}")
    return "\n".join(parts)


def _csv(name: str, rows: Sequence[Row], *, notes: bool) -> bytes:
    columns = TABLES[name]
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow([column.name for column in columns])
    for number, row in enumerate(rows, 2):
        cells = [_text(row.get(column.name, "")) for column in columns]
        for column, text in zip(columns, cells, strict=True):
            if fault := cell_fault(column, text, notes=notes):
                raise ExchangeError(f"{name} row {number}: {column.name} {fault}; got {text[:40]!r}.",
                                    "It does not leave: correct the record and export again.")  # fmt: skip
        writer.writerow(cells)
    return stream.getvalue().encode()


def _text(value: object) -> str:
    return repr(float(value)) if isinstance(value, float) else str(value)
