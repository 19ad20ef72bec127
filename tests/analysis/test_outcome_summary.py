"""All tables of outcomes from records, with the reasons where one is refused; the command writes them."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from invented_history import restoration, visit

from audit.analysis.outcome_summary import OutcomeSummary, outcome_summary
from audit.core.clinical import CaseFolder, Event, Restoration, Visit
from audit.core.outcome import VisitRecord
from audit.ledger.store import open_ledger

PLACED, LIVES = "2010-01-15", np.random.default_rng(3).exponential(15.0, 60)


def case(number: int) -> tuple[Restoration, tuple[VisitRecord, ...]]:
    """Placed in 2010, seen every year for ten years or until it came off."""
    design = ("onlay", "seven_eighths")[number % 2]
    made = replace(restoration(design), code=f"M0{1 + number % 3}-{number:03}", placed_on=PLACED)
    years = [year for year in range(11) if year < LIVES[number]]
    visits = [visit(f"{2010 + year}-01-15", stage="recall" if year else "placement") for year in years]
    if LIVES[number] < 10.0:
        on = f"{2010 + years[-1] + 1}-01-15"
        visits.append(visit(on, events=(f"{on} lost",)))
    return made, tuple(visits)


def summary(cases: int, by: tuple[str, ...] = ()) -> OutcomeSummary:
    records = [case(number) for number in range(cases)]
    return outcome_summary(records, "survival", {r.code: 11.0 for r, _ in records}, by)


def test_survival_stands_with_its_numbers_interval_and_turnbull_beside_it() -> None:
    got = summary(60)
    row = got.survival.set_index("years").loc[5.0]
    failed = sum(life < 5.0 for life in LIVES)
    assert row["kaplan_meier"] == pytest.approx(1.0 - failed / 60, abs=1e-9) and row["low"] < row["kaplan_meier"] < row["high"]
    assert row["turnbull_low"] < row["turnbull_high"] == pytest.approx(row["kaplan_meier"], abs=1e-3) and row["why_no_interval"] == ""
    assert row["at_risk"] == sum(life >= 5.0 for life in LIVES), "the recall after five years falls a few hours before them"
    assert row["annual_failure_rate"] == pytest.approx(1.0 - row["kaplan_meier"] ** 0.2)
    assert got.rates.loc[0, "end"] == "lost" and list(got.members["member"]) == ["M01", "M02", "M03"]
    assert "60 restorations of 60 patients were followed" in got.notes[0] and "Kaplan-Meier lies too high" in " ".join(got.notes)


def test_strata_stand_apart_and_too_few_are_told_why() -> None:
    got = summary(30, ("design",)).survival
    assert list(dict.fromkeys(got["stratum"])) == ["all", "onlay", "seven_eighths"]
    few = got[got["stratum"] == "onlay"]
    assert few["low"].isna().all() and few["why_no_interval"].str.contains("needs 20 patients and 5 ends; got 15").all()


def test_the_command_writes_every_table(tmp_path: Path) -> None:
    records = [case(number) for number in range(6)]
    visits = tuple(Visit(r.code, record.visit.on, record.visit.stage) for r, history in records for record in history)
    events = tuple(Event(r.code, e.on, e.kind) for r, history in records for record in history for e in record.events)
    with open_ledger(str(tmp_path / "l.sqlite")) as ledger:
        ledger.store_folder(CaseFolder(tuple(r for r, _ in records), visits, events=events))
    call = [sys.executable, "-m", "audit.cli", "ledger", "outcomes", str(tmp_path / "l.sqlite"), "--survival", "--out", str(tmp_path / "o")]
    done = subprocess.run(call, capture_output=True, text=True, check=False)
    assert done.returncode == 0 and "6 restorations of 6 patients" in done.stdout, done.stderr
    assert sorted(path.stem for path in (tmp_path / "o").iterdir()) == ["followed", "incidence", "meaning", "members", "rates", "survival"]
    assert pd.read_csv(tmp_path / "o" / "followed.csv").shape[0] == 6
