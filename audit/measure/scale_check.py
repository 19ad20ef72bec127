"""Why a length on a photo has no millimetres: no reference, or one that is seen by another way than the tooth."""

from __future__ import annotations

from audit.core.records import Calibration, Refusal

__all__ = ["scale_refusal"]

_WAYS = {"direct": "directly", "mirror": "by mirror"}


def scale_refusal(measurand: str, calibration: Calibration | None, seen_in: str) -> Refusal | None:
    """The refusal of a measurand in mm or mm2, or ``None`` where the calibration fits.

    Parameters
    ----------
    measurand : str
    calibration : Calibration or None
    seen_in : {'direct', 'mirror'}
        How the tooth is seen.
    """
    if calibration is None:
        hint = "Photograph with a rule or probe beside the tooth, or give a known length of the casting."
        return Refusal(measurand, "no_reference", "There is no scale in this photo.", hint)
    if calibration.seen_in != seen_in:
        reason = f"The reference is seen {_WAYS[calibration.seen_in]} and the tooth {_WAYS[seen_in]}; their distances differ."
        return Refusal(measurand, "reference_seen_differently", reason, "Put reference and tooth in the same view.")
    return None
