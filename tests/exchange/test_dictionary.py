"""The data dictionary describes the tables as they are written; a validator of its own says so."""

from __future__ import annotations

import json
from pathlib import Path

import frictionless
import pytest
from seeded_cases import seeded_record

from audit.exchange.dictionary import data_package
from audit.report import tables

COLUMNS = {"readings": tables.SERIES_COLUMNS, "refusals": tables.REFUSAL_COLUMNS, "findings": tables.FINDING_COLUMNS}


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    record = seeded_record()
    for name, table in (("readings", tables.series), ("refusals", tables.refusals), ("findings", tables.findings)):
        (tmp_path / f"{name}.csv").write_text(tables.to_csv([table(record)]), encoding="utf-8")
    (tmp_path / "datapackage.json").write_text(json.dumps(data_package(COLUMNS)), encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_the_validator_accepts_the_tables(folder: Path) -> None:
    # frictionless-py (MIT), the reference implementation of Data Package v1
    found = frictionless.validate("datapackage.json")
    assert found.valid, found.flatten(["rowNumber", "fieldName", "message"])[:5]
    assert [task.stats["rows"] for task in found.tasks] == [8, 4, 8]


def test_the_validator_sees_a_wrong_cell(folder: Path) -> None:
    text = (folder / "readings.csv").read_text(encoding="utf-8").replace(",mm,", ",inch,", 1)
    (folder / "readings.csv").write_text(text, encoding="utf-8")
    assert not frictionless.validate("datapackage.json").valid
