"""Intervals by patients hold what they promise, refuse what too few cannot say; masses from intervals come with draws of patients."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from audit.analysis.clustered import clustered
from audit.analysis.competing import aalen_johansen
from audit.analysis.followed import followed, strata
from audit.analysis.kaplan_meier import kaplan_meier
from audit.analysis.turnbull import turnbull, turnbull_intervals
from audit.errors import RecordError, Refused


def club(rng: np.random.Generator, patients: int, teeth: int, frailty: float, *, delayed: bool = False) -> pd.DataFrame:
    """Restorations of which those of one patient share a rate of failure; mean rate 4 % a year; recalls every year for 12 years."""
    rows = []
    for patient in range(patients):
        hazard = 0.04 * (rng.gamma(1.0 / frailty, frailty) if frailty else 1.0)
        for _ in range(teeth):
            life, entry = rng.exponential(1.0 / hazard) if hazard > 1e-9 else math.inf, rng.uniform(0, 6) * (delayed and rng.random() < 0.5)
            if life > entry:
                recalls = np.arange(math.floor(entry) + 1.0, 13.0)
                after, before = recalls[recalls >= life], recalls[recalls < life]
                free = float(before[-1]) if len(before) else entry
                rows.append((f"P{patient}", entry, free, float(after[0]) if len(after) else math.nan, "lost" if len(after) else ""))
    return pd.DataFrame(rows, columns=["patient", "entry", "free", "found", "end"])


def truth(frailty: float, years: float) -> float:
    """Survival of a gamma frailty: (1 + v H)^(-1/v)."""
    return (1.0 + frailty * 0.04 * years) ** (-1.0 / frailty) if frailty else math.exp(-0.04 * years)


@pytest.mark.parametrize("delayed", [False, True])
def test_ninety_five_of_a_hundred_intervals_hold_the_truth_where_teeth_of_a_patient_fail_together(delayed: bool) -> None:
    """Six teeth a patient; the interval that takes teeth as independent holds it far more rarely."""
    rng, inside, naive = np.random.default_rng(5 + delayed), [], []
    for _ in range(60):
        table = club(rng, 25, 6, 0.0 if delayed else 1.5, delayed=delayed)
        true = truth(0.0 if delayed else 1.5, 10.0)
        got = clustered(table, lambda rows: kaplan_meier(rows).at(10.0), 10.0)
        low, high = kaplan_meier(table).interval_at(10.0)
        inside.append(got.low <= true <= got.high)
        naive.append(low <= true <= high)
    assert np.mean(inside) >= 0.95 - 2.3 * (0.05 * 0.95 / len(inside)) ** 0.5
    assert delayed or np.mean(naive) < 0.85


def test_incidence_has_its_interval_too() -> None:
    table = club(np.random.default_rng(1), 60, 3, 0.5)
    table["end"] = np.where(table["found"].notna(), np.where(np.arange(len(table)) % 2, "lost", "caries"), "")
    got = clustered(table, lambda rows: aalen_johansen(rows).at(10.0, "caries"), 10.0, end="caries")
    assert got.low < got.value < got.high and got.value == aalen_johansen(table).at(10.0, "caries")
    assert got.ends == int(((table["end"] == "caries") & (table["found"] <= 10.0)).sum()) and got.to_frame().shape == (1, 6)


@pytest.mark.parametrize("patients, failures", [(19, 10), (40, 4)])
def test_too_few_patients_or_ends_are_refused(patients: int, failures: int) -> None:
    found = [5.0 if n < failures else math.nan for n in range(patients)]
    table = pd.DataFrame({"patient": [f"P{n}" for n in range(patients)], "entry": 0.0, "free": 4.0, "found": found})
    table["end"] = np.where(table["found"].notna(), "lost", "")
    with pytest.raises(Refused, match=f"20 patients and 5 ends; got {patients} and {failures}"):
        clustered(table, lambda rows: kaplan_meier(rows).at(5.0), 5.0)


def test_a_share_that_hangs_on_one_patient_is_refused() -> None:
    table = club(np.random.default_rng(2), 30, 2, 0.0)
    table.loc[len(table)] = ("P99", 0.0, 30.0, math.nan, "")
    with pytest.raises(Refused, match="must not hang on one patient"):
        clustered(table, lambda rows: kaplan_meier(rows).at(25.0), 25.0)


def test_delayed_entry_is_not_taken_as_survival() -> None:
    """Restorations that failed before anyone looked are not there; counted from placement the survivors would look too good."""
    tables = [club(np.random.default_rng(seed), 100, 5, 0.0, delayed=True) for seed in range(6)]
    right = np.mean([kaplan_meier(table).at(10.0) for table in tables])
    wrong = np.mean([kaplan_meier(table.assign(entry=0.0)).at(10.0) for table in tables])
    assert right == pytest.approx(truth(0.0, 10.0), abs=0.02) and wrong > right + 0.03


def test_dates_of_finding_lag_behind_and_intervals_do_not() -> None:
    tables = [club(np.random.default_rng(seed), 150, 4, 0.0) for seed in range(6)]
    between = np.array([turnbull(table).between(10.5) for table in tables]).mean(axis=0)
    found, middle = (np.mean([kaplan_meier(table, used).at(10.5) for table in tables]) for used in ("found", "middle"))
    assert between[0] - 0.01 <= truth(0.0, 10.5) <= between[1] + 0.01
    assert found > truth(0.0, 10.5) + 0.008 and abs(middle - truth(0.0, 10.5)) < found - truth(0.0, 10.5)


def test_turnbull_intervals_hold_the_truth() -> None:
    rng, inside = np.random.default_rng(9), []
    for _ in range(20):
        got = turnbull_intervals(club(rng, 30, 3, 0.8), [10.0], draws=40).iloc[0]
        inside.append(got["low"] <= truth(0.8, 10.0) <= got["high"])
        assert got["low"] <= got["low_of_curve"] <= got["high_of_curve"] <= got["high"]
    assert np.mean(inside) >= 0.8


@pytest.mark.parametrize(
    "change, says",
    [({"free": -1.0}, "entry and free"), ({"entry": math.nan}, "entry and free"), ({"found": 1.0, "end": "lost"}, "not lie before free"),
     ({"end": "lost"}, "named where and only where"), ({"found": 9.0, "end": ""}, "named where and only where")],
)  # fmt: skip
def test_a_row_that_contradicts_itself_is_refused_in_words(change: dict, says: str) -> None:
    table = pd.DataFrame([{"patient": "P1", "entry": 0.0, "free": 5.0, "found": math.nan, "end": ""} | change])
    with pytest.raises(RecordError, match=says):
        followed(table)


def test_what_was_never_followed_and_what_has_no_column_is_refused() -> None:
    table = pd.DataFrame([{"patient": "P1", "entry": 2.0, "free": 2.0, "found": math.nan, "end": ""}])
    with pytest.raises(RecordError, match="restoration that was followed; got none"):
        kaplan_meier(table)
    with pytest.raises(RecordError, match="none named end"):
        followed(table.drop(columns="end"))
    with pytest.raises(RecordError, match="strata must be columns of the table; got 'design'"):
        list(strata(table, ["design"]))


def test_all_censored_is_a_flat_curve_without_an_interval() -> None:
    table = pd.DataFrame([{"patient": f"P{n}", "entry": 0.0, "free": 5.0, "found": math.nan, "end": ""} for n in range(30)])
    got = kaplan_meier(table)
    assert got.years == () and got.at(5.0) == 1.0 and math.isnan(got.at(5.1)) and got.to_frame().empty and got.median == math.inf
    assert math.isnan(got.interval_at(3.0)[0]) and aalen_johansen(table).at(3.0, "lost") == 0.0
    with pytest.raises(Refused, match="got 30 and 0"):
        clustered(table, lambda rows: kaplan_meier(rows).at(5.0), 5.0)


def test_a_stratum_without_a_value_is_named_and_one_without_rows_is_left_out() -> None:
    rows = [{"patient": f"P{n}", "entry": 0.0, "free": 5.0, "found": math.nan, "end": "", "operator": "A" if n else ""} for n in range(4)]
    table = pd.DataFrame(rows)
    assert [(key, len(part)) for key, part in strata(table, ["operator"])] == [(("not recorded",), 1), (("A",), 3)]
    none = table.assign(operator=pd.Categorical(table["operator"], ["", "A", "B"]))
    assert [len(part) for _, part in strata(none, ["operator"])] == [1, 3]


def test_groups_of_patients_say_nearly_what_leaving_each_out_says(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(1)
    frailty = np.repeat(rng.gamma(2.0, 0.5, 300), 2)
    time, censored = rng.exponential(20.0 / frailty), rng.uniform(2.0, 12.0, 600)
    table = pd.DataFrame({
        "patient": [f"P{number:03d}" for number in np.repeat(np.arange(300), 2)], "entry": 0.0, "free": 0.999 * np.minimum(time, censored),
        "found": np.where(time < censored, time, np.nan), "end": np.where(time < censored, "lost", ""),
    })  # fmt: skip
    grouped = clustered(table, lambda rows: kaplan_meier(rows).at(8.0), 8.0)
    monkeypatch.setattr("audit.analysis.clustered.MOST_GROUPS", 10_000)
    each = clustered(table, lambda rows: kaplan_meier(rows).at(8.0), 8.0)
    # a standard error of 200 groups is itself known to 1 / sqrt(2 * 199) = 5 %
    assert grouped.patients == each.patients == 300 and abs(grouped.se_log_log / each.se_log_log - 1.0) < 0.15
