"""The commands. A user's mistake ends with one line and a hint (status 2), a refused measurement with status 3.

Heavy modules are imported inside the commands, so that ``--help`` answers at once.
"""

from __future__ import annotations

import json
import os
import shutil
import sys
import traceback
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Column, Table

from audit import __version__
from audit.cli_exchange import add_exchange_commands, check_paper, write_pdfs
from audit.cli_ledger import ledger
from audit.cli_reference import add_reference_commands
from audit.errors import AnnotationError, AuditError

if TYPE_CHECKING:
    from audit.batch import AuditSummary
    from audit.core.records import Document

__all__ = ["main"]

app = typer.Typer(
    no_args_is_help=True, add_completion=False, pretty_exceptions_enable=False,
    help="Audit cast-gold restorations from dated photographs and bitewing crops. Supports, never replaces, a clinician's judgement.",
)  # fmt: skip
app.add_typer(ledger, name="ledger")
add_reference_commands(app)
add_exchange_commands(app)
out, err = Console(), Console(stderr=True)

DEMO = Path("demo_photos")
FolderOption = Annotated[Path, typer.Argument(help="Practice folder: photos, annotations and CSV tables.")]
LedgerOption = Annotated[str | None, typer.Option("--ledger", help="Ledger file or database URL; beside the reports by default.")]
OutOption = Annotated[Path, typer.Option("--out", help="Where the reports go.")]


def main() -> None:
    """Entry point of the console script: errors become one line and a hint, never a traceback."""
    try:
        app(standalone_mode=True)
    except AuditError as error:
        _say(error)
        sys.exit(error.exit_status)
    except KeyboardInterrupt:
        err.print("Stopped. What was finished is stored; the same command again does only what is left.")
        sys.exit(130)
    except Exception as error:
        if os.environ.get("RESTORATION_AUDIT_DEBUG"):
            traceback.print_exc()
        err.print(f"This is a fault of the program: {type(error).__name__}: {error}", markup=False, highlight=False)
        err.print("Hint: set RESTORATION_AUDIT_DEBUG=1, run the command again and report what it prints.")
        sys.exit(70)


@app.command()
def demo(out_folder: OutOption = Path("reports"), folder: Path = DEMO) -> None:
    """Audit the demo club and write its reports."""
    _report(folder, out_folder, None)


@app.command()
def report(
    folder: FolderOption,
    out_folder: OutOption = Path("reports"),
    ledger: LedgerOption = None,
    pdf: Annotated[str | None, typer.Option("--pdf", help="Print-ready PDFs as well: a4 or letter.")] = None,
) -> None:
    """Audit a practice folder and write one recall report per tooth, an index and tidy CSV tables."""
    if pdf is not None:
        check_paper(pdf)
    _report(folder, out_folder, ledger)
    if pdf is not None:
        write_pdfs(ledger or str(out_folder / "ledger.sqlite"), folder, out_folder, pdf)
    elif older := sorted(path.name for path in out_folder.glob("*.pdf") if path.with_suffix(".html").is_file()):
        out.print(f"Older than these pages: {', '.join(older)}. Write them anew with --pdf a4 or --pdf letter.", markup=False)


@app.command()
def measure(
    photo: Annotated[Path, typer.Argument(help="JPEG, PNG, TIFF, HEIC or DICOM.")],
    annotations: Annotated[
        Path | None,
        typer.Option("--annotations", help="GeoJSON of what was marked; by default the one beside the photo."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the whole document.")] = False,
) -> None:
    """Measure one photo."""
    from audit import api

    beside = photo.with_suffix(".geojson")
    annotations = annotations or (beside if beside.is_file() else None)
    mistake: AnnotationError | None = None
    try:
        document = api.measure_photo(photo, annotations)
    except AnnotationError as error:
        mistake, document = error, api.refused_document(photo, error)
    if as_json:
        typer.echo(json.dumps(document.to_json(), indent=1, allow_nan=False))
    elif mistake is None:
        _print_document(document)
    if mistake is not None:
        raise mistake
    if document.refusals:
        raise typer.Exit(3)


@app.command()
def intake(folder: Annotated[Path, typer.Argument(help="Folder of images, searched with all its subfolders.")]) -> None:
    """Judge every image of a folder: may it be measured, when was it taken, is it sharp."""
    from audit import api

    table = Table(Column("file", overflow="fold"), "taken on", "kind", "size px", Column("remarks", overflow="fold"))
    refused = 0
    for name, outcome in api.judge_images(folder):
        if isinstance(outcome, AuditError):
            refused += 1
            table.add_row(name, "", "refused", "", str(outcome))
        else:
            size = f"{outcome.width_px} x {outcome.height_px}"
            doubt = "" if outcome.date_certainty == "exact" else f" ({outcome.date_certainty.replace('_', ' ')})"
            remarks = ", ".join(flag.replace("_", " ") for flag in outcome.flags)
            table.add_row(name, f"{outcome.captured_on or ''}{doubt}".strip(), outcome.modality, size, remarks)
    out.print(table)
    out.print(f"{table.row_count - refused} usable, {refused} refused.")


@app.command(name="app")
def open_app(ledger: LedgerOption = None, folder: Path = DEMO, port: int = 8501) -> None:
    """Open the pages on 127.0.0.1; the demo club is audited first where there is no ledger yet, and marked on a copy of its photos."""
    from ui.server import main as serve

    url = ledger or str(Path("reports") / "ledger.sqlite")
    if ledger is None and not Path(url).exists():
        _report(folder, Path("reports"), None)
    if folder == DEMO:
        folder = _working_copy(DEMO)
    out.print(f"The pages are open at http://127.0.0.1:{port} - stop with Ctrl+C.")
    serve(url, folder, port)


@app.command()
def verify(
    full: Annotated[bool, typer.Option("--full", help="All scenes of every stratum; takes an hour.")] = False,
) -> None:
    """Draw scenes of known truth, measure them, and compare the claimed uncertainty with the actual error."""
    from audit.verify import verify_all

    table = Table("measurand", "stratum", "scenes", "refused", "rms error / claimed u", "2u coverage", "bias / u", "verdict")
    for row in verify_all(full=full):
        table.add_row(*row.cells())
    out.print(table)


@app.command()
def version() -> None:
    """Print the version."""
    typer.echo(__version__)


def _working_copy(folder: Path) -> Path:
    """A copy to mark on, made once: the demo photographs stay as they were drawn."""
    copy = Path("reports") / "demo_practice"
    if not (copy / "restorations.csv").is_file():
        shutil.copytree(folder, copy, dirs_exist_ok=True)
    return copy


def _report(folder: Path, out_folder: Path, ledger: str | None) -> None:
    from audit import api, batch

    api.read_case_folder(folder)  # a folder without tables is told before any progress is shown
    out_folder.mkdir(parents=True, exist_ok=True)
    url = ledger or str(out_folder / "ledger.sqlite")
    columns = TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn()
    with Progress(*columns, console=err) as bar:
        measuring = bar.add_task("Measuring photos", total=None)
        summary = batch.audit_folder(folder, url, progress=lambda done, total, _: bar.update(measuring, completed=done, total=total))
        bar.update(measuring, completed=summary.listed, total=summary.listed)
        writing = bar.add_task("Writing reports", total=None)
        index = api.write_reports(
            url, folder, out_folder, refused_files=summary.refused_files,
            progress=lambda done, total, _: bar.update(writing, completed=done, total=total),
        )  # fmt: skip
    _print_summary(summary)
    out.print(f"Open {index} in a browser.", highlight=False)


def _print_summary(summary: AuditSummary) -> None:
    out.print(f"{summary.listed} photos listed: {summary.measured} measured now, {summary.known} known already, "
              f"{len(summary.refused_files)} refused; {len(summary.refused_rows)} rows of the tables refused.")  # fmt: skip
    for line in (*summary.refused_rows, *summary.refused_files):
        out.print(f"  refused: {line}", markup=False, highlight=False)
    for name in summary.unmarked:
        out.print(f"  no annotation file beside {name}: nothing was marked, so hardly anything was measured", markup=False, highlight=False)
    for line in summary.repeated:
        out.print(f"  {line}: one photograph proves nothing twice; take one of them out of photos.csv", markup=False, highlight=False)
    for name in summary.unlisted:
        out.print(f"  not in photos.csv: {name}", markup=False, highlight=False)


def _print_document(document: Document) -> None:
    if (scale := document.calibration) is not None:
        along, across = scale.mm_per_px, scale.mm_per_px_across
        line = (f"scale from a {scale.reference.replace('_', ' ')}: {along.value:.5g} mm per px along it (u {along.u / along.value:.1%}), "
                f"{across.value:.5g} across (u {across.u / across.value:.1%})")  # fmt: skip
        out.print(" ".join([line, *(f"[{flag}]" for flag in scale.flags)]), markup=False, highlight=False, soft_wrap=True)
    for reading in document.readings:
        low, high = reading.interval95
        value = "" if reading.value is None else f"{reading.value.value:.4g}, u {reading.value.u:.2g}, "
        sites = [flag.removeprefix("site:") for flag in reading.flags if flag.startswith("site:")]
        name, status = ", ".join([reading.measurand, *sites]), reading.status.replace("_", " ")
        line = f"{name}: {status}, {value}95 % {low:.4g} to {high:.4g} {reading.unit.removeprefix('1')}"
        flags = (f"[{flag}]" for flag in reading.flags if not flag.startswith("site:"))
        out.print(" ".join([line, *flags]), markup=False, highlight=False, soft_wrap=True)
    for segment in document.segments:
        if segment.state != "continuous":
            out.print(f"margin {segment.start_mm:.2f} to {segment.end_mm:.2f} mm: {segment.state}", highlight=False)
    for refusal in document.refusals:
        out.print(f"refused {refusal.measurand} ({refusal.code}): {refusal.reason} Hint: {refusal.hint}",
                  markup=False, highlight=False, soft_wrap=True)  # fmt: skip


def _say(error: AuditError) -> None:
    err.print(f"{error.message} Hint: {error.hint}", markup=False, highlight=False, soft_wrap=True)


if __name__ == "__main__":
    main()
