"""No identifier of a seeded record stands in a portfolio, letter by letter of 45 CFR 164.514(b)(2)(i)."""

from __future__ import annotations

import io
import re

import pytest
from pypdf import PdfReader
from seeded_cases import DATES, EXAMINER, IDENTIFIERS, OPERATOR, seeded_record

from audit.report.portfolio import Portfolio, portfolio_pdf
from audit.report.portfolio_case import PortfolioCase
from audit.report.written import CASE_SECTIONS, COVER_SECTIONS, read_written


@pytest.fixture(scope="module")
def told() -> str:
    """Every word and every alternative text of a portfolio of the seeded record."""
    case = PortfolioCase(seeded_record("M77-001"), read_written("", "x", CASE_SECTIONS))
    made = portfolio_pdf(Portfolio(read_written("", "x", COVER_SECTIONS), (case,), "publication", "2026-11-25"))
    reader = PdfReader(io.BytesIO(made))
    words = " ".join(page.extract_text() for page in reader.pages)
    streams = b" ".join(
        obj.get_data() for obj in (reader.get_object(i + 1) for i in range(len(reader.xref[0]))) if hasattr(obj, "get_data")
    )
    return re.sub(r"\s+", " ", words) + streams.decode("latin-1") + str(reader.metadata)


@pytest.mark.parametrize("value", [*IDENTIFIERS.values(), OPERATOR, EXAMINER, *DATES])
def test_it_does_not_leave(told: str, value: str) -> None:
    assert value not in told and value.replace(" ", "") not in told.replace(" ", "")


def test_the_record_is_told_all_the_same(told: str) -> None:
    assert "M77-001" in told and "margin refinished" in told and "no catch" in told
