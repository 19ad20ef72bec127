"""Commands for what leaves the practice: reports on paper."""

from __future__ import annotations

from pathlib import Path

from rich.console import Console

__all__ = ["check_paper", "write_pdfs"]

out = Console()


def check_paper(paper: str) -> None:
    """Refuse a paper before anything is measured for it."""
    from audit import api

    api.check_paper(paper)


def write_pdfs(ledger: str, folder: Path, out_folder: Path, paper: str) -> None:
    """One PDF per restoration beside the pages."""
    from audit import api

    written = api.write_pdfs(ledger, folder, out_folder, paper)
    out.print(f"{len(written)} reports as PDF in {out_folder}.", highlight=False)
