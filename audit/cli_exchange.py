"""Commands for what leaves the practice and what comes in: reports on paper, clean pictures, the club."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.console import Console

from audit.errors import ImageError

if TYPE_CHECKING:
    from audit.api import Moved

__all__ = ["add_exchange_commands", "check_paper", "write_pdfs"]

out = Console(highlight=False, soft_wrap=True, markup=False)
club = typer.Typer(no_args_is_help=True, help="Bundles for a study club: de-identified, signed, merged and compared.")

practice = typer.Typer(no_args_is_help=True, help="A whole practice moved to another computer: ledger, photos, tables and drafts.")

LedgerOption = Annotated[str, typer.Option("--ledger", help="Ledger file or database URL.")]
KeysOption = Annotated[Path, typer.Option("--keys", help="Folder of the keys; keep it private and backed up.")]


def add_exchange_commands(app: typer.Typer) -> None:
    """Make the commands known to the program."""
    app.add_typer(club, name="club")
    app.add_typer(practice, name="practice")
    app.command()(deidentify)
    app.command()(standards)
    app.command()(portfolio)


def check_paper(paper: str) -> None:
    """Refuse a paper before anything is measured for it."""
    from audit import api

    api.check_paper(paper)


def write_pdfs(ledger: str, folder: Path, out_folder: Path, paper: str) -> None:
    """One PDF per restoration beside the pages."""
    from audit import api

    written = api.write_pdfs(ledger, folder, out_folder, paper)
    out.print(f"{len(written)} reports as PDF in {out_folder}.")


def deidentify(
    picture: Annotated[Path, typer.Argument(help="JPEG, PNG, TIFF, HEIC or DICOM.")],
    out_file: Annotated[Path, typer.Option("--out", help="The file to write; its suffix is set to the kind written.")],
    view: Annotated[str, typer.Option("--view", help="View of the photo; smile views are warned of.")] = "",
    code: Annotated[str, typer.Option("--code", help="Pseudonym for a DICOM file.")] = "",
) -> None:
    """Write a picture anew with nothing in it but its pixels (encoded again), and check what was written."""
    from audit import api

    made = api.clean_picture(picture, view=view, code=code)
    path = out_file.with_suffix(made.suffix)
    if path.exists():
        raise ImageError(
            f"--out must be a new file; got {path.name}, which is there already.", "Name another file: originals are never altered."
        )
    path.write_bytes(made.content)
    out.print(f"{path}: pixels only, read back and checked.")
    for line in made.warnings:
        out.print(f"  look: {line}")


def standards(
    code: Annotated[str, typer.Argument(help="Case code.")],
    folder: Annotated[Path, typer.Argument(help="Practice folder with the photos.")],
    out_folder: Annotated[Path, typer.Option("--out", help="Where the files go.")] = Path("standards"),
    ledger: LedgerOption = "reports/ledger.sqlite",
) -> None:
    """Write one restoration as HL7 FHIR R4 and DICOM, for the practice's own systems; nothing is de-identified."""
    from audit import api

    written = api.write_standards(ledger, code, folder, out_folder)
    out.print(f"{len(written)} files in {out_folder}: a FHIR Bundle, and DICOM images with structured reports.")


def portfolio(
    folder: Annotated[Path, typer.Argument(help="Practice folder with the photos, consent.csv and portfolio/.")],
    codes: Annotated[list[str], typer.Argument(help="Case codes, in the order in which they are told.")],
    out_folder: Annotated[Path, typer.Option("--out", help="Where portfolio.pdf and plates/ go.")] = Path("portfolio"),
    purpose: Annotated[str, typer.Option("--purpose", help="For which consent must be on record: teaching or publication.")] = "teaching",
    paper: Annotated[str, typer.Option("--paper", help="a4 or letter.")] = "a4",
    ledger: LedgerOption = "reports/ledger.sqlite",
) -> None:
    """Chosen cases of a resident as one PDF with plates; what the resident writes stands in portfolio/CODE.md of the folder."""
    from audit import api

    made = api.write_portfolio(ledger, codes, folder, out_folder, purpose=purpose, paper=paper)
    for path in made.to_fill_in:
        out.print(f"  to be filled in: {path}")
    for line in made.look_at:
        out.print(f"  look: {line}")
    out.print(f"{made.pdf}, and {len(made.plates)} plates of 300 dpi beside it.")


@club.command()
def export(
    out_file: Annotated[Path, typer.Argument(help="The bundle to write.")],
    name: Annotated[str, typer.Option("--club", help="Short name of the club, like north-club.")],
    consent: Annotated[Path, typer.Option("--consent", help="consent.csv: restoration, purpose, given.")],
    ledger: LedgerOption = "reports/ledger.sqlite",
    keys: KeysOption = Path("keys"),
    photos: Annotated[Path | None, typer.Option("--crops-from", help="Practice folder to cut tooth crops from.")] = None,
    notes: Annotated[bool, typer.Option("--notes", help="Free text leaves as well: read all of it first.")] = False,
    preview: Annotated[
        bool, typer.Option("--preview", help="Show exactly what would leave; no bundle is written, only the keys of a new club.")
    ] = False,
) -> None:
    """Write one de-identified, signed bundle for a club: months for dates, pseudonyms for codes, no metadata."""
    from audit import api

    prepared = api.prepare_bundle(ledger, name, keys, consent, notes=notes, photo_folder=photos)
    if preview:
        typer.echo(prepared.preview())
    else:
        sender = prepared.write(out_file)
        out.print(
            f"{out_file}: {len(prepared.records)} restorations, {len(prepared.crops)} crops. Sender {sender}: read it out to the club once."
        )
    for code in prepared.left_out:
        out.print(f"  stays: {code} (no consent for the club on record)")


@club.command()
def accept(
    folder: Annotated[Path, typer.Argument(help="The club's folder.")],
    sender: Annotated[str, typer.Argument(help="Fingerprint that the member read out.")],
) -> None:
    """Note that a sender is a member of the club."""
    from audit import api

    api.accept_sender(folder, sender)
    out.print(f"{sender} is a member now.")


@club.command(name="merge")
def merge_command(
    folder: Annotated[Path, typer.Argument(help="The club's folder.")],
    bundles: Annotated[list[Path], typer.Argument(help="Bundle files of members.")],
) -> None:
    """Take bundles into the club's folder: all or none; the same again changes nothing."""
    from audit import api

    done = api.merge_bundles(folder, bundles)
    out.print(f"{done.taken} taken in, {done.known} known already; {done.cases} restorations of {done.senders} senders.")


@club.command()
def compare(
    folder: Annotated[Path, typer.Argument(help="The club's folder.")],
    out_folder: Annotated[Path, typer.Option("--out", help="Where club.html and club.pdf go.")] = Path("club-report"),
    paper: Annotated[str, typer.Option("--paper", help="a4 or letter.")] = "a4",
) -> None:
    """Write the club's report, by member code and without a ranking: attendance first, then outcomes, agreement and refusals."""
    from audit import api

    written = api.write_club_report(folder, out_folder, paper)
    out.print(api.club_summary(folder).to_string(index=False))
    out.print(f"Open {written[0]} in a browser; {written[1].name} beside it is for paper.")


BoxArgument = Annotated[Path, typer.Argument(help="Folder of the export.")]


@practice.command(name="export")
def practice_export(
    folder: Annotated[Path, typer.Argument(help="Practice folder.")],
    box: Annotated[Path, typer.Argument(help="New folder for the export, outside of the practice folder.")],
    ledger: LedgerOption = "reports/ledger.sqlite",
) -> None:
    """Copy ledger, practice folder and drafts into one folder and read it back; after an interruption the same command goes on."""
    from audit import api

    _say_moved(api.export_practice(ledger, folder, box), f"in {box}")


@practice.command(name="import")
def practice_import(
    box: BoxArgument,
    folder: Annotated[Path, typer.Argument(help="New practice folder.")],
    ledger: Annotated[Path, typer.Option("--ledger", help="New ledger file.")] = Path("reports/ledger.sqlite"),
) -> None:
    """Put an export in place and read it back; nothing that is there is overwritten, and the same command goes on after an interruption."""
    from audit import api

    _say_moved(api.import_practice(box, folder, ledger), f"in {folder} and {ledger}")


@practice.command(name="check")
def practice_check(box: BoxArgument) -> None:
    """Read every file of an export back and walk the chain of its ledger."""
    from audit import api

    _say_moved(api.check_practice(box), f"in {box}")


def _say_moved(moved: Moved, where: str) -> None:
    out.print(f"{moved.files} files and {moved.rows} rows of the ledger {where}, read back and equal. Head of the chain: {moved.head}")
    for name in moved.missing:
        out.print(f"  look: {name} is on record but not in the practice folder as it was measured")
