"""Setting a document with typst: data and pictures in, a tagged archival PDF out."""

from __future__ import annotations

import json
import struct
import tempfile
import zlib
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

import typst

from audit.errors import ReportError

__all__ = ["PAPERS", "check_paper", "pdf", "plates"]

PAPERS = ("a4", "letter")
_TEMPLATES = Path(__file__).parent / "templates"
_SHARED = ("house.typ", "plot.typ", "plate.typ")
# archival with structure (ISO 19005-2, level a) and accessible (ISO 14289-1) at once
_STANDARDS: list[Literal["a-2a", "ua-1"]] = ["a-2a", "ua-1"]


def pdf(template: str, data: Mapping[str, Any], files: Mapping[str, bytes], generated_on: str) -> bytes:
    """A document as PDF/A-2a and PDF/UA-1.

    Parameters
    ----------
    template : str
        Name of a file in ``templates/``.
    data : mapping
        JSON types; ``paper`` is one of `PAPERS`.
    files : mapping of str to bytes
        Pictures that the data names.
    generated_on : str
        ISO 8601 date, for the document's own date.

    Raises
    ------
    ReportError
        Text that the fonts of the program cannot set.
    """
    with tempfile.TemporaryDirectory() as folder:
        compiler = _compiler(Path(folder), template, data, files)
        stamp = datetime.fromisoformat(generated_on or "2000-01-01").replace(tzinfo=UTC)
        try:
            made: Any = compiler.compile(format="pdf", pdf_standards=[*_STANDARDS], timestamp=stamp)
        except typst.TypstError as error:
            raise ReportError(f"report must be set without an error; got {error.message}.",
                              "Look for unusual characters in notes and codes; the HTML report shows them.") from error  # fmt: skip
    return bytes(made)


def check_paper(paper: str) -> None:
    """Refuse a paper that no page is laid out for."""
    if paper not in PAPERS:
        raise ReportError(f"paper must be one of {', '.join(PAPERS)}; got {paper!r}.", "Choose a4 or letter.")


def plates(template: str, data: Mapping[str, Any], files: Mapping[str, bytes], ppi: float) -> list[bytes]:
    """The pages of a document as PNG pictures."""
    with tempfile.TemporaryDirectory() as folder:
        pages: Any = _compiler(Path(folder), template, data, files).compile(format="png", ppi=ppi)
    return [_with_resolution(bytes(page), ppi) for page in (pages if isinstance(pages, list) else [pages])]


def _with_resolution(png: bytes, ppi: float) -> bytes:
    """The picture with its resolution written in, which printers and journals ask for (chunk pHYs of ISO/IEC 15948, pixels a metre)."""
    body = b"pHYs" + struct.pack(">IIB", *[round(ppi / 0.0254)] * 2, 1)
    chunk = struct.pack(">I", len(body) - 4) + body + struct.pack(">I", zlib.crc32(body))
    after_head = 8 + 25  # signature and IHDR
    return png[:after_head] + chunk + png[after_head:]


def _compiler(root: Path, template: str, data: Mapping[str, Any], files: Mapping[str, bytes]) -> typst.Compiler:
    for name in (template, *_SHARED):
        (root / name).write_bytes((_TEMPLATES / name).read_bytes())
    (root / "data.json").write_text(json.dumps(data), encoding="utf-8")
    for name, content in files.items():
        (root / name).write_bytes(content)
    return typst.Compiler(str(root / template), root=str(root), ignore_system_fonts=True)
