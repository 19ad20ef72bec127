"""From records to the table of outcomes: what counts, from when, between which dates."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest
from invented_history import PLACED, restoration, visit

from audit.analysis.outcomes import OUTCOME_OF, outcome_frame, outcomes, patient_of
from audit.core.outcome import VisitRecord
from audit.core.vocabulary import EVENTS
from audit.errors import RecordError


def table(*history: VisitRecord, until: str = "success", **more: object) -> pd.DataFrame:
    return outcomes([(restoration(), history)], until, **more).table  # type: ignore[arg-type]


def row(*history: VisitRecord, until: str = "success") -> dict[str, object]:
    return table(*history, until=until).iloc[0].to_dict()


def test_every_event_has_its_outcome_and_the_table_shows_it() -> None:
    frame = outcome_frame()
    assert set(frame["event"]) == set(EVENTS) and set(frame["outcome"]) <= {"success", "survival", "failure", "withdrawn"}
    assert dict(zip(frame["event"], frame["outcome"], strict=True))["recemented"] == "survival"


def test_an_end_lies_between_the_last_visit_without_it_and_its_date() -> None:
    years = row(
        visit(PLACED, stage="placement"), visit("2021-01-15"), visit("2022-01-15"),
        visit("2023-01-15", events=("2022-07-15 recemented",)), visit("2024-01-15"),
    )  # fmt: skip
    assert (years["entry"], years["free"], years["found"], years["end"]) == (
        0.0,
        pytest.approx(2.0, abs=0.01),
        pytest.approx(2.5, abs=0.01),
        "recemented",
    )


def test_a_lost_success_is_no_lost_restoration() -> None:
    history = (visit(PLACED, stage="placement"), visit("2022-01-15", events=("2022-01-15 repaired",)), visit("2024-01-15"))
    assert row(*history)["end"] == "repaired" and row(*history)["found"] == pytest.approx(2.0, abs=0.01)
    alive = row(*history, until="survival")
    assert (alive["end"] == "" and alive["found"] is None) or pd.isna(alive["found"])
    assert alive["free"] == pytest.approx(4.0, abs=0.01)
    refinished = row(visit(PLACED, stage="placement"), visit("2022-01-15", events=("2022-01-15 refinished",)))
    assert refinished["end"] == "", "refinishing keeps success"


def test_a_restoration_first_seen_years_later_comes_under_observation_then() -> None:
    history = (visit("2020-01-10", stage="preparation"), visit("2025-01-15", events=("2021-05-01 recemented",)), visit("2026-01-15"))
    late = row(*history)
    assert late["entry"] == pytest.approx(5.0, abs=0.01) and late["end"] == "", "what happened before anyone looked is not counted"


def test_withdrawn_and_extracted_end_the_following() -> None:
    history = (visit(PLACED, stage="placement"), visit("2021-01-15", events=("2022-06-15 withdrawn",)))
    gone = row(*history)
    assert gone["end"] == "" and gone["free"] == pytest.approx(29 / 12, abs=0.01)
    out = row(visit(PLACED, stage="placement"), visit("2021-01-15", events=("2021-07-15 extracted",)), until="survival")
    assert (out["end"], out["free"]) == ("extracted", pytest.approx(1.0, abs=0.01)) and out["found"] == pytest.approx(1.5, abs=0.01)


def test_the_club_may_fix_another_meaning_but_no_missing_one() -> None:
    history = (visit(PLACED, stage="placement"), visit("2022-01-15", events=("2022-01-15 recemented",)))
    strict = {**OUTCOME_OF, "recemented": "failure"}
    assert table(*history, until="survival", outcome_of=strict).iloc[0]["end"] == "recemented"
    with pytest.raises(RecordError, match="none for 'recemented'"):
        table(*history, outcome_of={name: meaning for name, meaning in OUTCOME_OF.items() if name != "recemented"})
    with pytest.raises(RecordError, match="got 'bad'"):
        table(*history, outcome_of={**OUTCOME_OF, "lost": "bad"})


def test_strata_and_patients_come_from_the_record_and_never_seen_ones_are_named() -> None:
    other = replace(restoration("onlay"), code="M02-007-2")
    found = outcomes([(restoration(), (visit(PLACED, stage="placement"), visit("2021-01-15"))), (other, ())], "survival")
    assert found.never_seen == ("M02-007-2",) and list(found.to_frame()["design"]) == ["seven_eighths"]
    assert tuple(found.table.loc[0, ["member", "tooth_group", "arch"]]) == ("M01", "molar", "upper")
    assert patient_of("M02-007-2") == patient_of("M02-007") == "M02-007" != patient_of("M02-008")
