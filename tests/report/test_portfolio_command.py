"""Writing a portfolio: no case without consent, no file of the resident's lost, dates and faces pointed at."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from audit import api
from audit.errors import ExchangeError, ReportError

TABLES = {
    "restorations.csv": "code,tooth,tooth_notation,design,alloy,placed_on\nM01-004,16,iso3950,onlay,gold,2019-05-06\n"
    "M01-005,26,iso3950,inlay,gold,2019-05-06\n",
    "visits.csv": "restoration,on,stage,examiner,note\nM01-004,2019-05-06,placement,E1,\n"
    "M01-004,2019-06-06,baseline,E1,Mrs Zeltrop came late\n",
    "findings.csv": "restoration,on,finding,value\nM01-004,2019-06-06,retention,firm\n",
    "consent.csv": "restoration,purpose,given\nM01-004,teaching,yes\nM01-005,club,yes\n",
}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    practice = tmp_path / "practice"
    practice.mkdir()
    for name, text in TABLES.items():
        (practice / name).write_text(text)
    with api.open_ledger(str(tmp_path / "ledger.sqlite")) as ledger:
        ledger.store_folder(api.read_case_folder(practice))
    return practice


def write(folder: Path, *codes: str, purpose: str = "teaching") -> api.WrittenPortfolio:
    return api.write_portfolio(str(folder.parent / "ledger.sqlite"), codes, folder, folder.parent / "out", purpose=purpose)


def files(folder: Path) -> dict[str, str]:
    return {p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest() for p in folder.rglob("*") if p.is_file()}


@pytest.mark.parametrize(
    ("codes", "purpose", "who"),
    [(("M01-004", "M01-005"), "teaching", "M01-005"), (("M01-004",), "publication", "M01-004"), (("M01-004",), "club", "club")],
)
def test_without_consent_for_the_purpose_nothing_is_written(folder: Path, codes: tuple[str, ...], purpose: str, who: str) -> None:
    before = files(folder)
    with pytest.raises(ExchangeError, match=who):
        write(folder, *codes, purpose=purpose)
    assert files(folder) == before and not (folder.parent / "out").exists()


def test_a_refusal_in_the_table_counts_over_a_consent(folder: Path) -> None:
    (folder / "consent.csv").write_text(TABLES["consent.csv"] + "M01-004,teaching,no\n")
    with pytest.raises(ExchangeError, match="M01-004"):
        write(folder, "M01-004")


def test_templates_are_made_once_and_what_is_written_stays(folder: Path) -> None:
    first = write(folder, "M01-004")
    assert [path.name for path in first.to_fill_in] == ["cover.md", "M01-004.md"] and first.pdf.read_bytes().startswith(b"%PDF")
    (folder / "portfolio" / "M01-004.md").write_text("## History\nSeen on 2019-05-06 and 6.5.2019.\n")
    before = files(folder)
    second = write(folder, "M01-004")
    assert second.to_fill_in == () and files(folder) == before
    assert any("2019-05-06, 6.5.2019" in line for line in second.look_at)


def test_notes_of_the_practice_do_not_leave(folder: Path) -> None:
    # tagged text lies compressed in the file; the reader of another project undoes that
    from pypdf import PdfReader

    text = " ".join(page.extract_text() for page in PdfReader(write(folder, "M01-004").pdf).pages)
    assert "firm" in text and "Zeltrop" not in text


def test_text_that_would_be_lost_stops_the_portfolio(folder: Path) -> None:
    (folder / "portfolio").mkdir()
    (folder / "portfolio" / "M01-004.md").write_text("## Histroy\nx\n")
    with pytest.raises(ReportError, match="Histroy"):
        write(folder, "M01-004")
