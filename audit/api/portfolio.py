"""A resident's portfolio: chosen cases of a ledger as one PDF and their plates, as far as the patients' consent goes."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from audit.api.files import write_whole
from audit.api.record import LetThrough, tooth_records
from audit.api.reports import strip_tiles
from audit.core.outcome import ToothRecord
from audit.errors import ExchangeError, ReportError
from audit.exchange.consent import consented
from audit.report.portfolio import Portfolio, plate_pictures, portfolio_pdf
from audit.report.portfolio_case import PortfolioCase
from audit.report.typeset import check_paper
from audit.report.written import CASE_SECTIONS, COVER_SECTIONS, Written, read_written, template

__all__ = ["PORTFOLIO_PURPOSES", "WrittenPortfolio", "write_portfolio"]

PORTFOLIO_PURPOSES = ("teaching", "publication")
_FOLDER, _COVER = "portfolio", "cover.md"
_FACES = ("smile_front", "smile_oblique")
_DATE = re.compile(r"\b(?:(?:19|20)\d{2}-\d{2}(?:-\d{2})?|\d{1,2}[./]\d{1,2}[./](?:19|20)?\d{2})\b")


@dataclass(frozen=True)
class WrittenPortfolio:
    """What was written: the PDF, the plates, the files for the resident to fill in, and what to look at before it is handed over."""

    pdf: Path
    plates: tuple[Path, ...]
    to_fill_in: tuple[Path, ...]
    look_at: tuple[str, ...]


def write_portfolio(
    ledger_url: str, codes: Sequence[str], photo_folder: str | Path, out_folder: str | Path, *, purpose: str = "teaching",
    paper: str = "a4", let_through: LetThrough | None = None,
) -> WrittenPortfolio:  # fmt: skip
    """Chosen cases as one PDF (PDF/A-2a and PDF/UA-1), and their plates as PNG of 300 dpi.

    Parameters
    ----------
    ledger_url : str
    codes : sequence of str
        Cases in the order in which they are told.
    photo_folder : str or Path
        Practice folder: photos, ``consent.csv``, and ``portfolio/`` with a Markdown file a case, made from a template where it is missing.
    out_folder : str or Path
        Gets ``portfolio.pdf`` and ``plates/``.
    purpose : {'teaching', 'publication'}
        For which consent must be on record.
    paper : {'a4', 'letter'}
    let_through : callable, optional
        What of each record may be shown, as for `tooth_record`.

    Raises
    ------
    ExchangeError
        A case without consent for the purpose; nothing is written then.
    ReportError
        A Markdown file that cannot be read whole.
    """
    folder, out, chosen = Path(photo_folder), Path(out_folder), tuple(dict.fromkeys(codes))
    check_paper(paper)
    _check_consent(folder, chosen, purpose)
    records = _records(ledger_url, chosen, let_through)
    made = [path for path in (_fill_in(folder, _COVER), *(_fill_in(folder, f"{code}.md", code) for code in chosen)) if path is not None]
    cover = _read(folder, _COVER, COVER_SECTIONS)
    cases = [
        PortfolioCase(record, _read(folder, f"{record.restoration.code}.md", CASE_SECTIONS),
                      tuple(strip_tiles(record, folder, greys_as_taken=True)))
        for record in records
    ]  # fmt: skip
    portfolio = Portfolio(cover, tuple(cases), purpose, date.today().isoformat())
    (out / "plates").mkdir(parents=True, exist_ok=True)
    pdf = out / "portfolio.pdf"
    write_whole(pdf, portfolio_pdf(portfolio, paper))
    plates = [(out / "plates" / name, content) for case in cases for name, content in plate_pictures(case).items()]
    for path, content in plates:
        write_whole(path, content)
    looks = [line for case in cases for line in _look_at(case)] + _look_at_words(_COVER, cover)
    return WrittenPortfolio(pdf, tuple(path for path, _ in plates), tuple(made), tuple(looks))


def _records(ledger_url: str, codes: Sequence[str], let_through: LetThrough | None) -> list[ToothRecord]:
    known = {record.restoration.code: record for record in tooth_records(ledger_url, let_through=let_through)}
    if unknown := [code for code in codes if code not in known]:
        raise ReportError(f"every case must be in the ledger; got {', '.join(unknown)}.", "Check the codes, or audit the folder first.")
    return [known[code] for code in codes]


def _check_consent(folder: Path, codes: Sequence[str], purpose: str) -> None:
    if purpose not in PORTFOLIO_PURPOSES:
        raise ExchangeError(f"purpose must be one of {', '.join(PORTFOLIO_PURPOSES)}; got {purpose!r}.", "Choose teaching or publication.")
    if not codes:
        raise ReportError("portfolio must hold at least one case; got none.", "Name the codes of the cases.")
    _, without = consented(folder / "consent.csv", purpose, codes)
    if without:
        raise ExchangeError(f"every case must have consent for {purpose} in consent.csv; got none for {', '.join(without)}.",
                            "Record the patient's consent, or leave the case out; nothing was written.")  # fmt: skip


def _fill_in(folder: Path, name: str, code: str = "") -> Path | None:
    """The template where there is no such file yet."""
    path = folder / _FOLDER / name
    if path.exists():
        return None
    path.parent.mkdir(exist_ok=True)
    write_whole(path, (template(code, CASE_SECTIONS) if code else template("Cover", COVER_SECTIONS)).encode())
    return path


def _read(folder: Path, name: str, sections: Mapping[str, str]) -> Written:
    try:
        text = (folder / _FOLDER / name).read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise ReportError(f"{name} must be readable text in UTF-8; got {type(error).__name__}.", "Save it again as plain text.") from error
    return read_written(text, name, sections)


def _look_at(case: PortfolioCase) -> list[str]:
    record: ToothRecord = case.record
    code = record.restoration.code
    found = []
    if any(tile.view in _FACES for tile in case.tiles):
        found.append(f"{code}: smile views are shown; see that nobody can be recognised by lips or nose.")
    if case.written.missing:
        found.append(f"{code}: not written yet: {', '.join(case.written.missing)}.")
    return [*found, *_look_at_words(f"{code}.md", case.written)]


def _look_at_words(file: str, written: Written) -> list[str]:
    dates = {found for name, text in written.words.items() if name != "References" for found in _DATE.findall(text)}
    return [f"{file}: dates point to persons; got {', '.join(sorted(dates))}. Write months from placement."] if dates else []
