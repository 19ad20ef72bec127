"""The commands that keep a ledger: verified, backed up, restored, a day under a wrong date taken back; and what it tells of outcomes."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.table import Table

__all__ = ["ledger"]

ledger = typer.Typer(no_args_is_help=True, help="Verify, back up and restore a ledger; withdraw a day entered under a wrong date.")
out = Console(highlight=False, soft_wrap=True)

LedgerArgument = Annotated[str, typer.Argument(help="Ledger file or database URL.")]


@ledger.command()
def verify(
    url: LedgerArgument,
    head: Annotated[str | None, typer.Option("--head", help="Head of the chain as noted before; it must still be passed.")] = None,
) -> None:
    """Walk the chain over every row and name the first that is not as it was recorded."""
    from audit.ledger.upkeep import verify_ledger

    walk = verify_ledger(url) if head is None else verify_ledger(url, head)
    out.print(f"{walk.rows} rows are as they were recorded. Head of the chain, to be noted elsewhere: {walk.head}")


@ledger.command()
def backup(url: LedgerArgument, file: Annotated[Path, typer.Argument(help="A file that does not exist yet.")]) -> None:
    """Copy a ledger into one file, and verify the copy."""
    from audit.ledger.upkeep import copy_ledger

    walk = copy_ledger(url, str(file))
    out.print(f"{walk.rows} rows copied to {file.name} and verified. Head of the chain: {walk.head}")


@ledger.command()
def restore(
    file: Annotated[Path, typer.Argument(help="A backup.")],
    url: Annotated[str, typer.Argument(help="A file that does not exist yet, or an empty database.")],
) -> None:
    """Copy a backup into an empty place, and verify what was restored."""
    from audit.ledger.upkeep import copy_ledger

    walk = copy_ledger(str(file), url)
    out.print(f"{walk.rows} rows restored and verified. Head of the chain: {walk.head}")


@ledger.command()
def withdraw(
    url: LedgerArgument,
    code: Annotated[str, typer.Argument(help="Case code, like M01-004.")],
    day: Annotated[str, typer.Argument(help="Date of the visit as it was entered, like 2021-03-04.")],
    reason: Annotated[str, typer.Option("--reason", help="Why; kept in the ledger.")],
) -> None:
    """Take back all that was recorded of a restoration on one day; nothing is erased."""
    from audit.ledger.upkeep import withdraw_visit

    count = withdraw_visit(url, code, day, reason)
    out.print(
        f"{count} rows of {code} on {day} no longer count. Take the day out of the folder's tables too, or the next audit enters it again."
    )


@ledger.command()
def outcomes(
    url: LedgerArgument,
    out_folder: Annotated[Path | None, typer.Option("--out", help="Write the tables there as CSV too.")] = None,
    survival: Annotated[bool, typer.Option("--survival", help="Until the restoration is lost; without it, until success is.")] = False,
    by: Annotated[list[str] | None, typer.Option("--by", help="Stratum: design, tooth_group, arch, alloy, operator.")] = None,
) -> None:
    """Tell what became of all restorations: survival with numbers at risk, ends by kind, rates, members beside one another."""
    from audit.api.outcomes import outcome_tables

    found = outcome_tables(url, "survival" if survival else "success", by or ())
    for note in found.notes:
        out.print(note, markup=False)
    table = Table("stratum", "years", "at risk", "Kaplan-Meier", "95 % by patients", "Turnbull")
    for row in found.survival.to_dict("records"):
        interval = "refused" if row["why_no_interval"] else f"{row['low']:.1%} to {row['high']:.1%}"
        between = f"{row['turnbull_low']:.1%} to {row['turnbull_high']:.1%}"
        table.add_row(row["stratum"], f"{row['years']:g}", str(row["at_risk"]), f"{row['kaplan_meier']:.1%}", interval, between)
    out.print(table)
    for why in sorted(set(found.survival["why_no_interval"]) - {""}):
        out.print(f"Refused interval: {why}", markup=False)
    if out_folder is None:
        out.print("All tables as CSV: add --out FOLDER.")
        return
    out_folder.mkdir(parents=True, exist_ok=True)
    for name in ("meaning", "followed", "survival", "incidence", "rates", "members"):
        getattr(found, name).to_csv(out_folder / f"{name}.csv", index=False)
    out.print(f"Tables in {out_folder}.", markup=False)


@ledger.command()
def recalls(
    url: LedgerArgument,
    file: Annotated[Path | None, typer.Option("--out", help="Write the whole list there as CSV too.")] = None,
    every: Annotated[bool, typer.Option("--all", help="Those not due yet and those that ended too.")] = False,
) -> None:
    """List who is lost, overdue and due for recall, and when the next bitewing is due."""
    from audit.api.recalls import recalls as find_recalls

    found = find_recalls(url)
    counts = ", ".join(f"{count} {name.replace('_', ' ')}" for name, count in found.counts().items())
    out.print(f"On {found.today}: {counts}.")
    table = Table("restoration", "standing", "due on", "last seen on", "bitewing")
    for row in found.rows:
        if every or row["standing"] in ("lost", "overdue", "due"):
            table.add_row(*(str(row[name] or "") for name in ("restoration", "standing", "due_on", "last_seen_on", "bitewing")))
    out.print(table)
    if file is not None:
        found.to_frame().to_csv(file, index=False)
        out.print(f"List in {file}.", markup=False)
