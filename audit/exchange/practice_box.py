"""A whole practice in one folder, to be carried to another computer: every file with its hash, and the head of the ledger's chain.

The box: ``manifest.json``, written last, so that a box without one is not finished; ``ledger.sqlite``; ``drafts.sqlite`` where there are
drafts; and the practice folder under ``folder/``. A file is put in place whole or not at all. What is there already with the same content
stays, so that a copy that was interrupted goes on; what is there with another content is never overwritten.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from audit import __version__
from audit.errors import ExchangeError

__all__ = ["DRAFTS", "FOLDER", "LEDGER", "MANIFEST", "Box", "copy_file", "files_below", "finish_box", "read_box", "sha256_of"]

SCHEMA = 1
MANIFEST, LEDGER, DRAFTS, FOLDER = "manifest.json", "ledger.sqlite", "drafts.sqlite", "folder"
_PART = ".part-of-a-copy"
_CHUNK = 1 << 20


@dataclass(frozen=True)
class Box:
    """What a finished box says of itself.

    Parameters
    ----------
    files : mapping of str to str
        SHA-256 by name within the box, with forward slashes.
    rows : int
        Rows of the ledger.
    head : str
        Head of its chain.
    """

    files: Mapping[str, str]
    rows: int
    head: str


def files_below(folder: Path, left_out: frozenset[Path]) -> Iterator[tuple[str, Path]]:
    """Every file below a folder by its relative name, sorted; remnants of copies and the files of `left_out` do not count.

    Raises
    ------
    ExchangeError
        A link, or what is neither file nor folder: it may lead out of the folder.
    """
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder).as_posix()
        if path.is_symlink() or not (path.is_dir() or path.is_file()):
            raise ExchangeError(f"practice folder must hold files only; {name} is a link or none.", "Put the file itself there.")
        if path.is_file() and path.resolve() not in left_out and not name.endswith(_PART):
            yield name, path


def copy_file(source: Path, target: Path, sha256: str = "") -> str:
    """Copy a file, whole or not at all; its hash. One that is there with the same content stays.

    Raises
    ------
    ExchangeError
        Another content is there already, or the source is not what its hash says.
    """
    if target.is_symlink() or target.exists():
        there, wanted = sha256_of(target) if target.is_file() and not target.is_symlink() else "", sha256 or sha256_of(source)
        if there != wanted:
            raise ExchangeError(f"copy must not overwrite anything; {target.name} is there already with another content.",
                                "Choose an empty folder, or move that file away.")  # fmt: skip
        return there
    target.parent.mkdir(parents=True, exist_ok=True)
    part, digest = target.with_name(target.name + _PART), hashlib.sha256()
    with source.open("rb") as old, part.open("wb") as new:
        while chunk := old.read(_CHUNK):
            digest.update(chunk)
            new.write(chunk)
        new.flush()
        os.fsync(new.fileno())
    if sha256 and digest.hexdigest() != sha256:
        part.unlink()
        raise ExchangeError(
            f"{source.name} must be as it was exported; its hash is another.", "Copy the export again from where it was made."
        )
    os.replace(part, target)
    return digest.hexdigest()


def sha256_of(path: Path) -> str:
    """Hash of a file's content."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def finish_box(box: Path, files: Mapping[str, str], rows: int, head: str) -> Box:
    """Write the manifest of a box whose files are all in place."""
    body = {"schema": SCHEMA, "software": __version__, "ledger": {"rows": rows, "head": head}, "files": dict(sorted(files.items()))}
    part = box / (MANIFEST + _PART)
    part.write_text(json.dumps(body, indent=1), encoding="utf-8")
    os.replace(part, box / MANIFEST)
    return Box(files, rows, head)


def read_box(box: Path) -> Box:
    """The manifest of a finished box; nothing of it is believed before it is checked.

    Raises
    ------
    ExchangeError
        No finished box, one of a newer schema, or a name that leads out of it.
    """
    try:
        body = json.loads((box / MANIFEST).read_text(encoding="utf-8"))
        schema, files, ledger = body["schema"], body["files"], body["ledger"]
        found = Box({str(name): str(digest) for name, digest in files.items()}, int(ledger["rows"]), str(ledger["head"]))
    except FileNotFoundError as error:
        raise ExchangeError(
            f"export must be finished; {box.name} holds no {MANIFEST}.", "Run the export again: it goes on where it was."
        ) from error
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise ExchangeError(f"{MANIFEST} must be readable; got {type(error).__name__}.", "Copy the export again.") from error
    if schema != SCHEMA:
        raise ExchangeError(f"export must be of schema {SCHEMA}; got {schema!r:.20}.", "Install the newer program.")
    bad = [name for name, digest in found.files.items() if not _is_inside(name) or not re.fullmatch("[0-9a-f]{64}", digest)]
    if bad:
        raise ExchangeError(f"{MANIFEST} must name files of the export with their hashes; got {bad[0][:60]!r}.", "Do not import it.")
    if LEDGER not in found.files:
        raise ExchangeError(f"export must hold {LEDGER}; it does not.", "Run the export again.")
    return found


def _is_inside(name: str) -> bool:
    parts = name.split("/")
    plain = not any(part in ("", ".", "..") or "\\" in part or ":" in part or "\0" in part for part in parts)
    return plain and not PurePosixPath(name).is_absolute() and (name in (LEDGER, DRAFTS) or (parts[0] == FOLDER and len(parts) > 1))
