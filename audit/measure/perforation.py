"""The area of a hole worn through the metal of an occlusal surface."""

from __future__ import annotations

import numpy as np

from audit.core.annotations import Annotations
from audit.core.quantity import Quantity, combine, source
from audit.core.records import Calibration, Photo, Reading, Refusal
from audit.errors import Refused
from audit.imaging.island import find_islands
from audit.measure.metal_budget import FACIAL_SLOPE_DEG, pose_relative_sd, source_parts
from audit.measure.scale_check import scale_refusal

__all__ = ["measure_perforation"]

METHOD = "perforation@1"
_NAME = "perforation_area"


def measure_perforation(
    pixels: np.ndarray, photo: Photo, calibration: Calibration | None, annotations: Annotations
) -> tuple[list[Reading], list[Refusal]]:
    """Measure the island of not-metal inside the metal of an `occlusal_surface`.

    Parameters
    ----------
    pixels : ndarray, shape (height, width, 3)
    photo : Photo
    calibration : Calibration or None
    annotations : Annotations
        Without an `occlusal_surface` nothing is read.

    Notes
    -----
    Dark reflections in the metal are islands too; what tells a perforation is the colour of dentine or of
    luting agent, matt and without glints. Where both fit, the reading is refused (``perforation_undecided``).
    """
    surface = annotations.first("occlusal_surface")
    if surface is None or surface.geometry is None:
        return [], []
    refusal = scale_refusal(_NAME, calibration, surface.seen_in)
    if refusal is not None or calibration is None:
        return [], [] if refusal is None else [refusal]
    try:
        islands = find_islands(pixels, surface.geometry, annotations.alloy)
    except Refused as no:
        return [], [Refusal(_NAME, no.code, no.message, no.hint)]
    area = islands.area_px2
    parts = source_parts(
        (source("boundary", f"{photo.identity}:perforation"), islands.sd_px2),
        (source("pose", photo.identity), area * pose_relative_sd(FACIAL_SLOPE_DEG)),
    )
    scale = calibration.area_scale()
    value = combine(lambda a, b: a * b, Quantity(area, "px2", {k: v for k, v in parts.items() if v > 0}), scale, unit="mm2")
    details = {"islands": islands.to_json()}
    if area == 0.0:
        limit = islands.limit_px2 * (scale.value + 2.0 * scale.u)
        return [Reading(_NAME, "mm2", "below_detection", None, (0.0, limit), METHOD, value, ("projected",), details)], []
    return [Reading.measured(_NAME, value, METHOD, flags=("projected",), details=details)], []
