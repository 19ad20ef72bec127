"""The examiner looks first: what is measured of a criterion is held back until that criterion has been rated.

What had been shown before a rating is on record, so that a rating given after it says so.
"""

from __future__ import annotations

from collections.abc import Mapping

from audit.api.desk import Desk, load_draft, save_draft
from audit.core.clinical import CaseFolder

__all__ = ["HELD_UNTIL", "held_back", "mark_shown", "was_shown"]

# criterion -> what is measured of it
HELD_UNTIL: Mapping[str, tuple[str, ...]] = {
    "marginal_adaptation": (
        "continuous_margin_fraction", "widest_marginal_opening", "mean_marginal_opening", "radiographic_gap_width",
        "widest_radiographic_gap", "radiographic_step",
    ),
    "anatomic_form": ("perforation_area",),
}  # fmt: skip
_FINDING = {"marginal_adaptation": "explorer", "anatomic_form": "perforation"}
_KIND = "shown"


def held_back(desk: Desk, cases: CaseFolder, code: str, on: str) -> set[str]:
    """Measurands of a visit that are not to be shown yet: nobody has rated or examined what they speak of."""
    shown = was_shown(desk, code, on)
    rated = {grade.criterion for grade in cases.grades if (grade.restoration, grade.on) == (code, on)}
    examined = {finding.finding for finding in cases.findings if (finding.restoration, finding.on) == (code, on)}
    waiting = [name for name in HELD_UNTIL if name not in rated | shown and _FINDING[name] not in examined]
    return {measurand for name in waiting for measurand in HELD_UNTIL[name]}


def was_shown(desk: Desk, code: str, on: str) -> set[str]:
    """Criteria of a visit of which measurements have been shown."""
    return set(load_draft(desk, _KIND, f"{code} {on}").body.get("criteria", ()))


def mark_shown(desk: Desk, code: str, on: str, measurands: set[str]) -> None:
    """Record that these measurands of a visit have been shown."""
    draft = load_draft(desk, _KIND, f"{code} {on}")
    before = set(draft.body.get("criteria", ()))
    now = before | {name for name, held in HELD_UNTIL.items() if measurands & set(held)}
    if now != before:
        save_draft(desk, _KIND, f"{code} {on}", draft.revision, {"criteria": sorted(now)})
