"""Who is due, overdue and lost; the bitewing at the interval that the clinician set."""

from __future__ import annotations

import subprocess
import sys
from datetime import date
from pathlib import Path

import pandas as pd
import pytest
from invented_history import BASELINE, PLACED, RECALL, photo, restoration, visit

from audit.analysis.recall import tooth_record
from audit.analysis.recall_list import LOST_MONTHS, recall_list
from audit.api.recalls import recalls
from audit.core.clinical import CaseFolder, Visit
from audit.core.outcome import VisitRecord
from audit.ledger.store import open_ledger

SEEN = (visit(BASELINE, stage="baseline"), visit(RECALL))


def row(today: str, *visits: VisitRecord, recall: int | None = None, bitewing: dict[str, int] | None = None) -> dict[str, object]:
    on = date.fromisoformat(today)
    return dict(recall_list([tooth_record(restoration(), visits or SEEN, on, recall_months=recall)], on, bitewing).rows[0])


@pytest.mark.parametrize(
    "today, recall, standing",
    [("2021-06-01", None, "not_due"), ("2022-01-25", None, "due"), ("2022-02-20", None, "due"), ("2022-02-21", None, "overdue"),
     ("2023-11-20", None, "overdue"), ("2024-02-25", None, "lost"), ("2021-05-21", 3, "overdue"), ("2022-06-01", 24, "not_due"),
     ("2023-02-21", 24, "overdue"), ("2025-02-25", 24, "lost")],
)  # fmt: skip
def test_the_standing_follows_the_interval(today: str, recall: int | None, standing: str) -> None:
    """Last seen on 2021-02-20; 12 months by default, 3 and 24 are the ends of NICE CG19."""
    assert row(today, recall=recall)["standing"] == standing


def test_an_ended_restoration_waits_for_nobody_and_one_never_seen_for_its_baseline() -> None:
    ended = row("2030-01-01", *SEEN[:1], visit(RECALL, events=("2021-02-20 extracted",)), bitewing={"M01-001": 24})
    assert (ended["standing"], ended["due_on"], ended["bitewing_due_on"]) == ("ended", None, None)
    never = row("2020-06-01", visit(PLACED, stage="placement"))
    assert never["standing"] == "overdue" and never["due_on"] == "2020-02-26"


def test_the_bitewing_is_due_as_the_clinician_set_it_and_never_by_a_date_made_up() -> None:
    assert row("2022-01-01")["bitewing_due_on"] is None and "no interval set by the clinician" in str(row("2022-01-01")["bitewing"])
    taken = row("2022-12-01", SEEN[0], visit(RECALL, photo(view="bitewing")), bitewing={"M01-001": 18})
    assert taken["bitewing_due_on"] == "2022-08-20" and str(taken["bitewing"]).startswith("overdue on 2022-08-20, 18 months after last")
    assert row("2022-12-01", bitewing={"M01-001": 36})["bitewing_due_on"] == "2023-01-15", "from placement where none was taken"


def test_the_longest_wait_stands_first_and_all_are_counted() -> None:
    on = date(2022, 3, 1)
    records = [tooth_record(restoration(), SEEN, on, recall_months=months) for months in (24, 3, 12)]
    found = recall_list(records, on)
    assert [r["standing"] for r in found.rows] == ["overdue", "overdue", "not_due"] and found.rows[0]["due_on"] == "2021-05-20"
    assert sum(found.counts().values()) == len(found.to_frame()) == 3 and LOST_MONTHS == 24


def test_the_ledger_keeps_both_intervals_and_the_command_lists_them(tmp_path: Path) -> None:
    url, code = str(tmp_path / "l.sqlite"), restoration().code
    visits = (Visit(code, BASELINE, "baseline"), Visit(code, RECALL, "recall"))
    with open_ledger(url) as ledger:
        ledger.store_folder(CaseFolder((restoration(),), visits, recall_months={code: 6}, bitewing_months={code: 24}))
        assert (ledger.recall_months(code), ledger.recall_months(code, "bitewing")) == (6, 24)
    assert recalls(url, date(2021, 8, 1)).rows[0]["due_on"] == "2021-08-20"
    call = [sys.executable, "-m", "audit.cli", "ledger", "recalls", url, "--out", str(tmp_path / "r.csv")]
    done = subprocess.run(call, capture_output=True, text=True, check=False)
    assert done.returncode == 0 and "1 lost" in done.stdout and code in done.stdout, done.stderr
    assert pd.read_csv(tmp_path / "r.csv").loc[0, "bitewing_due_on"] == "2022-01-15"
