"""Writing files of the practice folder so that a crash leaves the old one or the new one, and never loses what was there."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

__all__ = ["keep_former", "write_whole"]


def write_whole(path: Path, content: bytes) -> None:
    """Put `content` into `path`: whole, or not at all."""
    scratch = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with scratch.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.replace(scratch, path)
    finally:
        scratch.unlink(missing_ok=True)


def keep_former(path: Path) -> Path | None:
    """Copy the file that is about to be replaced to ``name.1``, ``name.2`` ... beside it; where it went."""
    if not path.is_file():
        return None
    number = 1
    while (former := path.with_name(f"{path.name}.{number}")).exists():
        number += 1
    shutil.copy2(path, former)
    return former
