"""What an examiner's findings mean in Ryge's words.

Notes
-----
The grade stays the examiner's: the meaning of a finding is shown beside it, after it. Marginal adaptation has no meaning without the
explorer's answer; no photograph replaces it. An explorer that catches where no crevice is seen is Alfa; one that enters is Bravo.

References
----------
Cvar & Ryge, USPHS Publication 790-244, 1971; reprinted in Clin Oral Investig 2005;9:215-232.
https://doi.org/10.1007/s00784-005-0018-z
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import pandas as pd

from audit.core.clinical import Finding, Grade
from audit.core.vocabulary import RYGE_SCALES

__all__ = ["Meaning", "ryge_meanings", "to_frame"]

# (finding, value) -> (criterion, grade, why)
_MEANINGS: Mapping[tuple[str, str], tuple[str, str, str]] = MappingProxyType(
    {
        ("explorer", "no_catch"): ("marginal_adaptation", "alfa", "the explorer does not catch"),
        ("explorer", "catches"): ("marginal_adaptation", "alfa", "the explorer catches and enters no crevice"),
        ("explorer", "enters"): ("marginal_adaptation", "bravo", "the explorer enters a crevice"),
        ("explorer", "dentine_or_base_exposed"): ("marginal_adaptation", "charlie", "dentine or base is exposed in the crevice"),
        ("retention", "loose"): ("marginal_adaptation", "delta", "the restoration is mobile"),
        ("retention", "came_off"): ("marginal_adaptation", "delta", "the restoration came off"),
        ("marginal_discoloration", "none"): ("marginal_discoloration", "alfa", "no discoloration at the margin"),
        ("marginal_discoloration", "at_junction"): ("marginal_discoloration", "bravo", "discoloration at the junction"),
        ("marginal_discoloration", "penetrating"): ("marginal_discoloration", "charlie", "discoloration penetrates along the margin"),
        ("caries_at_margin", "none"): ("caries", "alfa", "no caries at the margin"),
        ("caries_at_margin", "present"): ("caries", "bravo", "caries at the margin"),
    }
)


@dataclass(frozen=True)
class Meaning:
    """One criterion as the findings of a visit put it, beside the examiner's own grade.

    Parameters
    ----------
    criterion, grade : str
        Words of Ryge's scales.
    because : str
        The finding, in words, with its surface.
    examiner_grade : str or None
        What the examiner gave; only this counts.
    """

    criterion: str
    grade: str
    because: str
    examiner_grade: str | None


def ryge_meanings(findings: Iterable[Finding], grades: Iterable[Grade] = ()) -> tuple[Meaning, ...]:
    """The worst meaning of each criterion that the findings of one visit speak of; nothing where they do not.

    A criterion about which no finding was recorded, and marginal adaptation without the explorer's answer, is left out.
    """
    found = list(findings)
    explored = any(f.finding == "explorer" and (f.finding, f.value) in _MEANINGS for f in found)
    given = {grade.criterion: grade.grade for grade in grades if grade.system == "ryge"}
    worst: dict[str, Meaning] = {}
    for finding in found:
        criterion, grade, why = _MEANINGS.get((finding.finding, finding.value), ("", "", ""))
        if not criterion or (criterion == "marginal_adaptation" and not explored):
            continue
        order = RYGE_SCALES[criterion]
        because = f"{why} ({finding.surface})" if finding.surface else why
        if criterion not in worst or order.index(grade) > order.index(worst[criterion].grade):
            worst[criterion] = Meaning(criterion, grade, because, given.get(criterion))
    return tuple(worst[criterion] for criterion in RYGE_SCALES if criterion in worst)


def to_frame(meanings: Iterable[Meaning]) -> pd.DataFrame:
    """One row a criterion."""
    return pd.DataFrame([vars(m) for m in meanings], columns=["criterion", "grade", "because", "examiner_grade"])
