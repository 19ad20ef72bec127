"""The commands that concern the reference in a photo: strips to print, and what a calibration found."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

__all__ = ["add_reference_commands"]

out = Console(highlight=False, soft_wrap=True, markup=False)


def add_reference_commands(app: typer.Typer) -> None:
    """Make the commands known to the program."""
    app.command()(strip)
    app.command()(calibrate)


def strip(
    out_file: Annotated[Path, typer.Option("--out", help="The PDF to write.")] = Path("strip.pdf"),
    paper: Annotated[str, typer.Option("--paper", help="a4 or letter.")] = "a4",
) -> None:
    """Write a sheet of reference strips to print, cut out and lay beside the tooth."""
    from audit import api

    sheet = api.write_strip_sheet(out_file, paper)
    out.print(f"{out_file}: sheet {sheet}. Print at 100 % on single-use waterproof stock, measure both check lengths, write them down.")


def calibrate(
    photo: Annotated[Path, typer.Argument(help="JPEG, PNG, TIFF, HEIC or DICOM.")],
    annotations: Annotated[
        Path | None,
        typer.Option("--annotations", help="GeoJSON with the reference; by default the one beside the photo."),
    ] = None,
    out_file: Annotated[Path | None, typer.Option("--out", help="A PNG of what was found.")] = None,
) -> None:
    """Say what the reference in a photo shows: the scale at the tooth, and where its uncertainty comes from."""
    from audit import api

    beside = photo.with_suffix(".geojson")
    shown = api.calibrate_photo(photo, annotations or (beside if beside.is_file() else None))
    for line in shown.lines:
        out.print(line)
    if out_file is not None:
        api.save_picture(out_file, shown)
        out.print(f"Picture of what was found: {out_file}")
