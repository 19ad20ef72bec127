"""Whether a scale makes the outlined tooth as wide as teeth are: a rule whose ticks are misread is off by half or by double.

Notes
-----
Crowns vary by 5 to 8 % (one standard deviation) between people. A facial outline wider than 1.4 times the larger of its crown's usual
width and length (so that a photo turned on its side counts too), or than 15 mm where the tooth is not known, is no tooth at this scale,
even if it takes in some root. One narrower than 0.6 times the usual width, or than 4 mm, may be partly hidden or partly outlined, so
that is told and not refused. Doubled, every upper tooth and every molar and premolar is too wide; a lower incisor is not.

References
----------
Mesiodistal diameters and lengths of crowns: Nelson, Wheeler's Dental Anatomy, Physiology and Occlusion, tables of measurements
(from memory, to half a millimetre; primary teeth likewise). The factors are common practice, no published source.
"""

from __future__ import annotations

from dataclasses import replace

from audit.core.annotations import Annotations
from audit.core.records import Calibration, Refusal
from audit.core.tooth import Tooth

__all__ = ["IMPLAUSIBLE", "NARROW_FLAG", "judge_crown_size"]

IMPLAUSIBLE = "implausible_scale"
NARROW_FLAG = "narrow_for_a_tooth"
_MOST, _LEAST = 1.4, 0.6
_ANY_MM = (4.0, 15.0)
_UPPER = ((8.5, 10.5), (6.5, 9.0), (7.5, 10.0), (7.0, 8.5), (7.0, 8.5), (10.0, 7.5), (9.0, 7.0), (8.5, 6.5))
_LOWER = ((5.0, 9.0), (5.5, 9.5), (7.0, 11.0), (7.0, 8.5), (7.0, 8.0), (11.0, 7.5), (10.5, 7.0), (10.0, 7.0))
_PRIMARY_UPPER = ((6.5, 6.0), (5.0, 5.5), (7.0, 6.5), (7.5, 5.0), (8.0, 5.5))
_PRIMARY_LOWER = ((4.0, 5.0), (4.0, 5.0), (5.0, 6.0), (7.5, 6.0), (10.0, 5.5))
"""Mesiodistal diameter and length of the crown by position from the midline, mm."""


def judge_crown_size(calibration: Calibration, annotations: Annotations) -> Calibration | Refusal:
    """The calibration, flagged where the outlined tooth is narrower than one; or its refusal where it is wider.

    Parameters
    ----------
    calibration : Calibration
    annotations : Annotations
        Without a drawn `facial_surface` nothing is judged.
    """
    facial = annotations.first("facial_surface")
    if facial is None or facial.geometry is None:
        return calibration
    left, _, right, _ = facial.geometry.bounds
    scale = calibration.scale(0.0)
    width, doubt = (right - left) * scale.value, 2.0 * (right - left) * scale.u
    least, most = _usual_mm(annotations.tooth)
    if width - doubt > most:
        reason = f"A facial surface must be narrower than {most:.0f} mm; at this scale the outlined one is {width:.1f} mm wide."
        return Refusal("mm_per_px", IMPLAUSIBLE, reason, _hint(calibration.reference))
    return replace(calibration, flags=(*calibration.flags, NARROW_FLAG)) if width + doubt < least else calibration


def _usual_mm(tooth: Tooth | None) -> tuple[float, float]:
    """Narrowest and widest that a facial outline of this tooth may be, mm."""
    if tooth is None:
        return _ANY_MM
    primary = tooth.quadrant > 4
    upper, lower = (_PRIMARY_UPPER, _PRIMARY_LOWER) if primary else (_UPPER, _LOWER)
    width, length = (upper if tooth.is_upper else lower)[tooth.position - 1]
    return _LEAST * width, _MOST * max(width, length)


def _hint(reference: str) -> str:
    if reference == "rule":
        return "Check tick_mm (half-millimetre ticks read twice as long), and that the outline holds one tooth."
    return "Check the length that was given for the reference, and that the outline holds one tooth."
