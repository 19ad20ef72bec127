"""Only sound figures enter the ledger: a reading that cannot be true is kept out, and a refusal in its place says so.

Notes
-----
A fault of the program on one reading must neither be stored as a number nor end the audit of a folder.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from dataclasses import replace

from audit.core.quantity import Quantity
from audit.core.records import Document, Reading, Refusal, Segment
from audit.errors import LedgerError

__all__ = ["sound"]

CODE = "unsound"
_HINT = "This is a fault of the program: report it with the photo's annotations; the other readings are not affected."


def sound(document: Document) -> Document:
    """The document without readings and stretches that cannot be true; a refusal for each.

    Raises
    ------
    LedgerError
        The scale itself is none, so that nothing of the photo may be kept.
    """
    scale = document.calibration
    if scale is not None and _unsound(scale.mm_per_px, scale.mm_per_px_across, scale.tilt_deg, scale.blur_sigma_px):
        raise LedgerError(f"scale must be finite numbers; got {scale.mm_per_px.value!r} from {scale.method}.", _HINT)
    found = [(reading, why_unsound(reading)) for reading in document.readings]
    refused = [Refusal(r.measurand, CODE, f"The reading must be sound; {why} ({r.method}).", _HINT) for r, why in found if why]
    segments = tuple(s for s in document.segments if _holds(s))
    if len(segments) < len(document.segments):
        refused.append(Refusal("assessed_margin_length", CODE, "Stretches of margin must end after they begin; some did not.", _HINT))
    if not refused:
        return document
    kept = tuple(reading for reading, why in found if not why)
    return replace(document, readings=kept, segments=segments, refusals=(*document.refusals, *refused))


def why_unsound(reading: Reading) -> str:
    """What of a reading cannot be true; empty where all can."""
    low, high = reading.interval95
    if not _finite((low, high)):
        return f"its interval is {low} to {high}"
    if low > high:
        return f"its interval is turned round, {low:g} to {high:g}"
    if (reading.value is None) == (reading.status == "measured"):
        return f"a value and the status {reading.status} do not go together"
    if _unsound(reading.value, reading.signed):
        return "its value or uncertainty is no finite number"
    try:
        json.dumps(dict(reading.details), allow_nan=False, default=_as_list)
    except (ValueError, TypeError) as error:
        return f"its details are no plain finite numbers ({error})"
    return ""


def _holds(segment: Segment) -> bool:
    return _finite((segment.start_mm, segment.end_mm)) and segment.start_mm <= segment.end_mm and not _unsound(segment.gap_um)


def _unsound(*quantities: Quantity | None) -> bool:
    return any(q is not None and not _finite((q.value, q.u, *q.parts.values(), *q.dof.values())) for q in quantities)


def _finite(numbers: Iterable[object]) -> bool:
    return all(isinstance(number, int | float) and math.isfinite(number) for number in numbers)


def _as_list(value: object) -> object:
    if hasattr(value, "tolist"):
        return value.tolist()
    return dict(value)  # type: ignore[call-overload]
