"""Several references in one image: they must agree, and the surest one gives the scale."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from audit.calibration.calibrate import calibrate
from audit.core.annotations import Feature
from audit.core.clinical import KnownLength
from audit.core.records import Calibration, Photo
from audit.errors import Refused
from audit.imaging.dicom import DicomFacts

__all__ = ["calibrate_by_all"]

_APART = 2.58  # standard uncertainties by which two references may differ: 99 % of honest pairs


def calibrate_by_all(
    pixels: np.ndarray, photo: Photo, features: Sequence[Feature], *, tooth_seen_in: str,
    dicom: DicomFacts | None = None, known_lengths: Sequence[KnownLength] = (),
) -> Calibration:  # fmt: skip
    """Millimetres per pixel at the tooth, from every reference that is marked in the image.

    Parameters
    ----------
    pixels : ndarray, shape (height, width) or (height, width, 3)
    photo : Photo
    features : sequence of Feature
        The references; without any, DICOM spacing is used where its status allows it.
    tooth_seen_in : {'direct', 'mirror'}
    dicom : DicomFacts or None
    known_lengths : sequence of KnownLength
        Caliper lengths stored with the restoration.

    Notes
    -----
    Two references of one photo lie at depths and inclinations of their own, so their scales square to the line of sight are
    compared, and nothing is taken to cancel between them.

    Raises
    ------
    Refused
        ``references_disagree`` where two differ by more than their uncertainties explain; where none can be read, the
        reason of the first.
    """
    found: list[Calibration] = []
    reasons: list[Refused] = []
    for feature in features or (None,):
        try:
            one = calibrate(pixels, photo, feature, tooth_seen_in=tooth_seen_in, dicom=dicom, known_lengths=known_lengths)
        except Refused as refused:
            reasons.append(refused)
        else:
            found.append(one)
    if not found:
        raise reasons[0]
    for a, b in itertools.combinations(found, 2):
        _demand_agreement(a, b)
    surest = min(found, key=lambda one: one.mm_per_px_across.u / one.mm_per_px_across.value)
    return replace(surest, flags=(*surest.flags, "other_reference_refused")) if reasons else surest


def _demand_agreement(a: Calibration, b: Calibration) -> None:
    one, other = a.mm_per_px_across, b.mm_per_px_across
    apart = abs(math.log(one.value / other.value))
    u = math.hypot(one.u / one.value, other.u / other.value)
    if apart > _APART * u:
        raise Refused("references_disagree", f"References in one photo must agree; got {a.reference} and {b.reference} that differ by "
                      f"{apart:.1%}, where their uncertainties explain {2 * u:.1%}.",
                      "Check their sizes and depths, and remove the mark of the one that is wrong.")  # fmt: skip
