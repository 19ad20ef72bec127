"""What each member of a club sent, counted: attendance and completeness, case mix, events, refusals, and ratings given twice.

Notes
-----
Members stand in the order of their codes; nothing is ranked. A bundle tells whole years since placement only, so that not seen within two
years is told where it is sure, and the share seen is an upper limit.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from audit.analysis.agreement import weighted_kappa
from audit.core.tooth import Tooth
from audit.core.vocabulary import DESIGNS, EVENTS, GRADES

__all__ = ["LEAST_PAIRS", "attendance", "case_mix", "event_counts", "rating_agreement", "refusal_counts"]

SEEN_WITHIN = 2.0  # years, as in `audit.analysis.outcome_summary`
LEAST_PAIRS = 10  # for a kappa: common practice, no published source
Tables = Mapping[str, pd.DataFrame]
_ENDS = [kind.name for kind in EVENTS.values() if kind.outcome in ("failure", "withdrawn")]
_CASE, _VISIT = ["sender", "case"], ["sender", "case", "visit"]


def attendance(tables: Tables) -> pd.DataFrame:
    """Who was seen, and what was recorded when they were; one row a member.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        A club's tables as merged, cells as text.

    Returns
    -------
    DataFrame
        ``restorations``, ``baseline`` and ``recalled`` of them, ``in_place``, ``not_seen`` of those (sure), ``recalls``, and of the recalls
        ``examined``, ``graded``, ``graded_after_seeing`` and ``measured``.
    """
    cases, visits = tables["restorations"], tables["visits"]
    counts = cases.groupby("member").size().to_frame("restorations")
    for name, stage in (("baseline", "baseline"), ("recalled", "recall")):
        with_stage = visits[visits["stage"] == stage][_CASE].drop_duplicates()
        counts[name] = cases.merge(with_stage, on=_CASE).groupby("member").size()
    ended = tables["events"][tables["events"]["kind"].isin(_ENDS)][_CASE].drop_duplicates()
    standing = cases.merge(ended, on=_CASE, how="left", indicator=True).query("_merge == 'left_only'")
    at_most = (standing["followed_months"].astype(float) + 0.5) / 12.0  # told to the nearest month
    away = standing["placed_years_ago"].astype(float) - at_most > SEEN_WITHIN
    counts["in_place"], counts["not_seen"] = standing.groupby("member").size(), standing[away].groupby("member").size()
    recalls = visits[visits["stage"] == "recall"].merge(cases[[*_CASE, "member"]], on=_CASE)
    counts["recalls"] = recalls.groupby("member").size()
    grades = tables["grades"]
    done = {
        "examined": tables["findings"], "graded": grades, "graded_after_seeing": grades[grades["seen_before"] == "yes"],
        "measured": tables["readings"],
    }  # fmt: skip
    for name, rows in done.items():
        counts[name] = recalls.merge(rows[_VISIT].drop_duplicates(), on=_VISIT).groupby("member").size()
    return counts.fillna(0).astype(int).sort_index().reset_index()


def case_mix(tables: Tables) -> pd.DataFrame:
    """Restorations by design, and how many stand on molars, in the upper jaw, and of white alloy; one row a member."""
    cases = tables["restorations"]
    teeth = {name: Tooth.parse(name, "iso3950") for name in cases["tooth"].unique()}
    told = pd.DataFrame({name: cases["design"] == name for name in DESIGNS})
    told["molar"], told["upper"] = cases["tooth"].map(lambda t: teeth[t].is_molar), cases["tooth"].map(lambda t: teeth[t].is_upper)
    told["white"], told["followed_years"] = cases["alloy"] == "white", cases["followed_months"].astype(float) / 12.0
    return told.groupby(cases["member"]).sum().sort_index().reset_index()


def event_counts(tables: Tables) -> pd.DataFrame:
    """Events of every kind that happened in the club; one row a member, one column a kind."""
    rows = tables["events"].merge(tables["restorations"][[*_CASE, "member"]], on=_CASE)
    members = sorted(tables["restorations"]["member"].unique())
    kinds = [kind for kind in EVENTS if (rows["kind"] == kind).any()]
    counts = pd.crosstab(rows["member"], rows["kind"]) if len(rows) else pd.DataFrame()
    return counts.reindex(index=pd.Index(members, name="member"), columns=pd.Index(kinds)).fillna(0).astype(int).reset_index()


def refusal_counts(tables: Tables) -> pd.DataFrame:
    """Readings and refusals of each member, and the refusals by their code, the most frequent first, as ``[(code, count), ...]``."""
    owner = tables["restorations"][[*_CASE, "member"]]
    readings = tables["readings"].merge(owner, on=_CASE).groupby("member").size()
    refused = tables["refusals"].merge(owner, on=_CASE)
    rows = []
    for member in sorted(owner["member"].unique()):
        codes = refused[refused["member"] == member]["code"].value_counts()
        listed = sorted(((str(code), int(count)) for code, count in codes.items()), key=lambda pair: (-pair[1], pair[0]))
        rows.append({"member": member, "readings": int(readings.get(member, 0)), "refusals": int(codes.sum()), "codes": listed})
    return pd.DataFrame(rows, columns=["member", "readings", "refusals", "codes"])


def rating_agreement(tables: Tables) -> pd.DataFrame:
    """How two examiners agreed who rated the same restoration at the same visit; one row a criterion.

    Returns
    -------
    DataFrame
        ``system``, ``criterion``, ``pairs``, ``equal`` (share of equal grades), ``kappa`` (linear weights) and its standard error ``se``,
        or ``why_not``. Of more than two examiners the first two by pseudonym count; pairs are taken as independent.
    """
    grades = tables["grades"]
    named = grades[grades["examiner"] != ""].sort_values("examiner").drop_duplicates([*_VISIT, "system", "criterion", "examiner"])
    rows = []
    for system, scales in GRADES.items():
        for criterion, scale in scales.items():
            part = named[(named["system"] == system) & (named["criterion"] == criterion)]
            pairs = [tuple(two["grade"].iloc[:2]) for _, two in part.groupby(_VISIT) if len(two) > 1]
            if pairs:
                rows.append({"system": system, "criterion": criterion, **_kappa(pairs, list(scale))})
    return pd.DataFrame(rows, columns=["system", "criterion", "pairs", "equal", "kappa", "se", "why_not"])


def _kappa(pairs: list[tuple[str, ...]], scale: list[str]) -> dict[str, object]:
    table = np.zeros((len(scale), len(scale)))
    for first, second in pairs:
        table[scale.index(first), scale.index(second)] += 1
    told = {"pairs": len(pairs), "equal": float(np.trace(table) / table.sum()), "kappa": float("nan"), "se": float("nan")}
    if len(pairs) < LEAST_PAIRS:
        return {**told, "why_not": f"fewer than {LEAST_PAIRS} pairs"}
    try:
        kappa = weighted_kappa(table)
    except ValueError:
        return {**told, "why_not": "every grade is the same"}
    return {**told, "kappa": kappa.kappa, "se": kappa.se, "why_not": ""}
