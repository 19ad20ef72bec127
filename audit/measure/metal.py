"""How much metal shows on the facial of one tooth, as seen from this direction.

The region comes from the reader's polygon, or is proposed from the photo where the reader gave none.
All areas and lengths are projected: they belong to the direction that the photo was taken from.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from shapely.geometry import MultiPolygon, Polygon, mapping

from audit.core.annotations import Annotations, Feature
from audit.core.quantity import Quantity, combine, source
from audit.core.records import Calibration, Photo, Reading, Refusal
from audit.core.vocabulary import DESIGNS, MEASURANDS
from audit.errors import Refused
from audit.imaging.segment import Proposal, propose_metal
from audit.measure.metal_budget import (
    BEVEL_SLOPE_DEG,
    FACIAL_SLOPE_DEG,
    RegionSd,
    drawn_sd,
    hand_area_sd_px2,
    pose_fraction_sd,
    pose_relative_sd,
    proposed_sd,
    slope_of,
    source_parts,
)  # fmt: skip
from audit.measure.metal_shape import extent_px, thickness_px
from audit.measure.perforation import measure_perforation
from audit.measure.scale_check import scale_refusal

__all__ = ["measure_metal", "propose_metal"]

METHOD = "visible_metal@1"
OUTLINE_METHOD = "facial_outline@1"
_METAL = ("visible_metal_area", "visible_metal_fraction", "visible_metal_height", "visible_metal_extent")
_SPIKE_SHARE = 0.03
_UNDECIDED_SHARE = 0.5


@dataclass(frozen=True)
class Region:
    """The metal of one tooth on the photo, where it comes from, and how well its border is known (pixels)."""

    shape: MultiPolygon
    sd: RegionSd
    by: str
    proposal: Proposal | None


@dataclass(frozen=True)
class _Case:
    """All that the readings of one tooth are made from."""

    photo: Photo
    calibration: Calibration | None
    annotations: Annotations
    facial: Feature
    outline: Polygon

    @property
    def pen(self) -> str:
        """Source of what the hand that drew the outline does not know."""
        if self.annotations.reader:
            return source("trace", f"{self.annotations.reader}/{self.photo.identity}")
        return source("outline", self.photo.identity)

    @property
    def pose(self) -> str:
        """Source of the viewing direction."""
        return source("pose", self.photo.identity)


def measure_metal(
    pixels: np.ndarray, photo: Photo, calibration: Calibration | None, annotations: Annotations
) -> tuple[list[Reading], list[Refusal]]:
    """Measure the metal that shows inside the facial outline, and perforations of an occlusal outline.

    Parameters
    ----------
    pixels : ndarray, shape (height, width, 3)
        The photo as read.
    photo : Photo
    calibration : Calibration or None
        Without one only `visible_metal_fraction` is measured.
    annotations : Annotations
        A `facial_surface`; a `metal` where the reader drew or confirmed it, else the tool proposes.

    Returns
    -------
    readings, refusals : list of Reading, list of Refusal
    """
    readings, refusals = measure_perforation(pixels, photo, calibration, annotations)
    facial = annotations.first("facial_surface")
    if facial is None or facial.geometry is None:
        return readings, refusals
    case = _Case(photo, calibration, annotations, facial, facial.geometry)
    area, refused = _scaled("facial_surface_area", _facial_area(case), case)
    readings += area
    refusals += refused
    if annotations.design == "complete_crown":
        words = DESIGNS["complete_crown"].words
        refusals += [
            Refusal(name, "not_applicable", f"A {words} covers the whole facial surface; metal showing is its design.", "Nothing to do.")
            for name in _METAL
        ]
        return readings, refusals
    try:
        region = _region(pixels, case)
    except Refused as no:
        return readings, refusals + [Refusal(name, no.code, no.message, no.hint) for name in _METAL]
    more, refused = _metal_readings(region, case)
    return readings + more, refusals + refused


def _region(pixels: np.ndarray, case: _Case) -> Region:
    """The reader's region as it is, else the proposal.

    Raises
    ------
    Refused
        ``metal_undecided``, and what `propose_metal` refuses.
    """
    drawn = [f.geometry for f in case.annotations.all("metal") if f.geometry is not None]
    if drawn:
        parts = [p for g in drawn for p in (g.geoms if g.geom_type == "MultiPolygon" else [g])]
        shape = MultiPolygon(parts)
        return Region(shape, drawn_sd(shape), "reader", None)
    tooth = case.annotations.tooth
    proposal = propose_metal(
        pixels, case.outline, case.annotations.design, case.annotations.alloy, None if tooth is None else tooth.is_upper
    )  # fmt: skip
    sd = proposed_sd(proposal, case.outline)
    if proposal.undecided_sd_px2 > max(_UNDECIDED_SHARE * proposal.region.area, sd.limit_area_px2):
        raise Refused(
            "metal_undecided", "Parts of the tooth are neither surely metal nor surely not.",
            "Draw the metal by hand, or dry the tooth and photograph it again.",
        )  # fmt: skip
    return Region(proposal.region, sd, "proposal", proposal)


def _facial_area(case: _Case) -> Quantity:
    area = case.outline.area
    slope = slope_of(case.facial.properties, FACIAL_SLOPE_DEG)
    parts = source_parts((case.pen, hand_area_sd_px2(case.outline)), (case.pose, area * pose_relative_sd(slope)))
    return Quantity(area, "px2", parts)


def _metal_readings(region: Region, case: _Case) -> tuple[list[Reading], list[Refusal]]:
    slopes = _metal_slope(case), slope_of(case.facial.properties, FACIAL_SLOPE_DEG)
    spike = _SPIKE_SHARE * float(np.sqrt(case.outline.area))
    flags = ("projected", f"region_by_{region.by}")
    details = {"region": mapping(region.shape), "by": region.by}
    if region.proposal is not None:
        details["evidence"] = dict(region.proposal.evidence)
    height = thickness_px(region.shape, spike)
    values = {
        "visible_metal_area": _part(
            region.shape.area, region.sd.area_px2, region.sd.hand_area_px2, pose_relative_sd(slopes[0]), case, "px2"
        ),
        "visible_metal_height": _part(height.px, region.sd.height_px, region.sd.hand_px, pose_relative_sd(slopes[0]), case, "px"),
        "visible_metal_extent": _part(
            extent_px(region.shape), region.sd.extent_px, region.sd.hand_px, pose_relative_sd((0.0, 10.0)), case, "px"
        ),
    }
    limits = {
        "visible_metal_area": region.sd.limit_area_px2, "visible_metal_height": region.sd.limit_px,
        "visible_metal_extent": region.sd.limit_extent_px,
    }  # fmt: skip
    readings = [_fraction(region, case, slopes, flags, details)]
    refusals: list[Refusal] = []
    for name, value in values.items():
        made, refused = _scaled(name, value, case, limits[name] if region.shape.is_empty else None, flags, details)
        readings += made
        refusals += refused
    return readings, refusals


def _metal_slope(case: _Case) -> tuple[float, float]:
    """Slope of the metal that shows: of the bevel, unless the design carries it onto the facial surface."""
    metal = next((f for f in case.annotations.all("metal") if f.geometry is not None), None)
    design = case.annotations.design
    if design is not None and DESIGNS[design].facial_metal == "distal_half":
        default = slope_of(case.facial.properties, FACIAL_SLOPE_DEG)
    else:
        default = BEVEL_SLOPE_DEG
    return default if metal is None else slope_of(metal.properties, default)


def _part(value: float, boundary: float, hand: float, pose: float, case: _Case, unit: str) -> Quantity:
    parts = source_parts((source("boundary", case.photo.identity), boundary), (case.pen, hand), (case.pose, value * pose))
    return Quantity(value, unit, {k: v for k, v in parts.items() if v > 0})


def _fraction(
    region: Region, case: _Case, slopes: tuple[tuple[float, float], tuple[float, float]], flags: tuple[str, ...], details: dict[str, Any]
) -> Reading:
    whole = case.outline.area
    share = region.shape.area / whole
    parts = source_parts(
        (source("boundary", case.photo.identity), region.sd.area_px2 / whole),
        (case.pen, region.sd.hand_area_px2 / whole),
        (case.pen, share * hand_area_sd_px2(case.outline) / whole),
        (case.pose, share * pose_fraction_sd(*slopes)),
    )
    value = Quantity(share, "1", {k: v for k, v in parts.items() if v > 0})
    if region.shape.is_empty:
        return _below("visible_metal_fraction", value, region.sd.limit_area_px2 / whole, flags, details)
    reading = Reading.measured("visible_metal_fraction", value, METHOD, flags=flags, details=details)
    low, high = reading.interval95
    return Reading(reading.measurand, "1", "measured", value, (low, min(1.0, high)), METHOD, value, flags, details)


def _below(name: str, signed: Quantity, limit: float, flags: tuple[str, ...], details: dict[str, Any]) -> Reading:
    return Reading(name, signed.unit, "below_detection", None, (0.0, limit), METHOD, signed, flags, details)


def _scaled(
    name: str, value: Quantity, case: _Case, limit_px: float | None = None, flags: tuple[str, ...] = ("projected",),
    details: dict[str, Any] | None = None,
) -> tuple[list[Reading], list[Refusal]]:  # fmt: skip
    """The reading in mm or mm2 of a quantity in pixels, or why there is none."""
    refusal = scale_refusal(name, case.calibration, case.facial.seen_in)
    if refusal is not None or case.calibration is None:
        return [], [] if refusal is None else [refusal]
    unit = MEASURANDS[name].unit
    scale = case.calibration.area_scale() if unit == "mm2" else case.calibration.scale(90.0 if name == "visible_metal_height" else 0.0)
    times: Callable[[float, float], float] = lambda a, b: a * b  # noqa: E731
    scaled = combine(times, value, scale, unit=unit)
    if limit_px is not None:
        high = limit_px * (scale.value + 2.0 * scale.u)
        return [_below(name, scaled, high, flags, details or {})], []
    method = OUTLINE_METHOD if name == "facial_surface_area" else METHOD
    return [Reading.measured(name, scaled, method, flags=flags, details=details)], []
