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


def strip(
    out_file: Annotated[Path, typer.Option("--out", help="The PDF to write.")] = Path("strip.pdf"),
    paper: Annotated[str, typer.Option("--paper", help="a4 or letter.")] = "a4",
) -> None:
    """Write a sheet of reference strips to print, cut out and lay beside the tooth."""
    from audit import api

    sheet = api.write_strip_sheet(out_file, paper)
    out.print(f"{out_file}: sheet {sheet}. Print at 100 % on single-use waterproof stock, measure both check lengths, write them down.")
