"""What every report and every page must say before anyone acts on a number."""

from __future__ import annotations

__all__ = ["CAUTIONS", "HOW_TO_READ"]

CAUTIONS = (
    "This report supports, and never replaces, the judgement of a licensed clinician. It is not a diagnostic device.",
    "Local rules on records, consent and radiation apply. No radiograph is taken for this tool's sake.",
    "A photograph shows a projection from one direction: a bevel at 45° to the line of sight changes its apparent height by 16 % "
    "when the camera stands 10° higher. The direction of view is part of every uncertainty; areas are projected areas.",
    "A change counts only when it is larger than the smallest detectable change. Where that figure comes from the uncertainty "
    "budget alone and not from photographs posed anew, it is a lower limit, and the report says so.",
    "A gap on a bitewing is a lower bound: a tilted beam closes it. A radiopaque luting agent or a lap joint hides it, and near the "
    "cervix burn-out fakes one. No gap seen proves nothing.",
    "What could not be seen is named. A margin reading holds for the millimetres and surfaces assessed, never for the whole margin.",
    "Published limits were found by other methods. They are drawn for orientation and are not pass marks.",
    "The examiner looks first: findings and grades are the examiner's, and no measurement here suggests one.",
)

HOW_TO_READ = (
    "Bars are 95 % coverage intervals. 'Below detection' means that the image could not resolve anything that small: the bar runs from "
    "zero to the limit, and there is no value. 'Detected' means that something is there but is too narrow to be measured: it lies "
    "between the two marks. 'Refused' means that no honest number could be read; the reason is listed below."
)
