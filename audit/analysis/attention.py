"""What asks for the clinician's attention: findings first, then what changed for the worse.

Notes
-----
The latest answer to each question counts, surface by surface, also where the last visit did not ask it again; then the sentence
says so. Findings from before an intervention do not count after it. Probing is judged by the upper edge of the WHO/CPI probe's band,
5.5 mm. Nothing measured is put above a finding.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from types import MappingProxyType

from audit.core.clinical import Finding
from audit.core.outcome import Change, VisitRecord
from audit.core.vocabulary import MEASURANDS, NOT_EXAMINED

__all__ = ["changed_for_attention", "findings_for_attention"]

DEEP_POCKET_MM = 5.5
# (finding, value) -> words, in the order in which a reader wants them
_WORDS: Mapping[tuple[str, str], str] = MappingProxyType(
    {
        ("explorer", "dentine_or_base_exposed"): "dentine or base is exposed at the margin",
        ("explorer", "enters"): "the explorer enters the margin",
        ("caries_at_margin", "present"): "caries at the margin",
        ("retention", "came_off"): "the restoration came off",
        ("retention", "loose"): "the restoration is loose",
        ("perforation", "present"): "the casting is perforated",
        ("uncovered_cusp", "chip"): "the uncovered cusp is chipped",
        ("uncovered_cusp", "crack"): "the uncovered cusp is cracked",
        ("luting_agent", "washed_out"): "the luting agent is washed out",
        ("marginal_discoloration", "penetrating"): "discoloration penetrates along the margin",
        ("pulp_test", "no_response"): "no response to the pulp test",
        ("pulp_test", "exaggerated"): "exaggerated response to the pulp test",
        ("percussion", "tender"): "tender to percussion",
        ("apical_finding", "present"): "an apical finding",
        ("mobility", "3"): "tooth mobility 3",
        ("mobility", "2"): "tooth mobility 2",
        ("complaint", "pain"): "the patient complains of pain",
        ("complaint", "sensitivity"): "the patient complains of sensitivity",
        ("complaint", "looks"): "the patient complains of the looks",
        ("food_impaction", "yes"): "food impaction",
        ("proximal_contact", "floss_passes_freely"): "floss passes the contact freely",
        ("proximal_contact", "floss_does_not_pass"): "floss does not pass the contact",
        ("occlusal_contact", "heavy"): "heavy occlusal contact",
    }
)


def findings_for_attention(visits: Sequence[VisitRecord], *, root_filled: bool = False) -> tuple[str, ...]:
    """Sentences about findings, the gravest first.

    Parameters
    ----------
    visits : sequence of VisitRecord
        Of the running period, by date.
    root_filled : bool
        Whether the pulp cannot answer a test any more.
    """
    latest: dict[tuple[str, str], list[Finding]] = {}
    for record in visits:
        for finding in record.findings:
            if finding.value != NOT_EXAMINED:
                known = latest.setdefault((finding.finding, finding.surface), [])
                known[:] = [f for f in known if f.on == finding.on] + [finding]
    last = visits[-1].visit.on if visits else ""
    order = {key: place for place, key in enumerate(_WORDS)}
    found = [f for answers in latest.values() for f in answers if _words(f) and not (root_filled and f.finding == "pulp_test")]
    found.sort(key=lambda f: (order.get((f.finding, f.value), len(order)), f.surface))
    return tuple(dict.fromkeys(_sentence(f, last) for f in found))


def changed_for_attention(changes: Iterable[Change]) -> tuple[str, ...]:
    """Sentences about what changed for the worse, or changed where neither way is the better."""
    return tuple(c.sentence for c in changes if c.verdict == "changed" and not _is_better(c))


def _is_better(change: Change) -> bool:
    worse = MEASURANDS[change.measurand].worse
    return change.difference is not None and worse * change.difference.value < 0


def _words(finding: Finding) -> str:
    if finding.finding == "probing_depth_mm":
        return f"probing depth {finding.value} mm" if _number(finding.value) > DEEP_POCKET_MM else ""
    return _WORDS.get((finding.finding, finding.value), "")


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return 0.0


def _sentence(finding: Finding, last: str) -> str:
    words = _words(finding)
    where = f", {finding.surface}" if finding.surface else ""
    when = f"found on {finding.on}" if finding.on == last else f"found on {finding.on}, not examined again since"
    return f"{words[0].upper()}{words[1:]}{where} ({when})."
