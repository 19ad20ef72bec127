"""Readings of a region of metal: area, share, height and extent, and the height of the bevel on the mesiofacial cusp."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from shapely.geometry import MultiPolygon, Polygon, mapping

from audit.core.annotations import Annotations, Feature
from audit.core.quantity import Quantity, combine, source
from audit.core.records import Calibration, Photo, Reading, Refusal
from audit.core.vocabulary import DESIGNS, MEASURANDS
from audit.measure.metal_budget import (
    BEVEL_SLOPE_DEG,
    FACIAL_SLOPE_DEG,
    K95,
    LEVEL_DEG,
    SPIKE_SHARES,
    RegionSd,
    hand_area_sd_px2,
    pose_fraction_sd,
    pose_relative_sd,
    slope_of,
    source_parts,
    turning_sd,
)
from audit.measure.metal_shape import columns_px, extent_px, thickness_px, typical_thickness_px
from audit.measure.scale_check import scale_refusal

__all__ = ["METAL_MEASURANDS", "MetalCase", "Region", "facial_area", "metal_readings"]

METAL_MEASURANDS = ("visible_metal_area", "visible_metal_fraction", "visible_metal_height", "visible_metal_extent")
METHOD = "visible_metal@2"
OUTLINE_METHOD = "facial_outline@1"
BEVEL_FLAG = "site:mesiofacial_bevel"
SEPARATE_FLAG = "separate_from_margin"
"""Some of the metal is an island in the tooth: it may be another filling and not this casting, so the reader is asked."""
_SEPARATE = 0.02
_SPIKE_DOUBT = 0.3
_COLUMNS = 65
_CUSP = (0.15, 0.40)
"""Where the mesiofacial cusp is looked at: shares of the outline's width from its mesial side."""


@dataclass(frozen=True)
class Region:
    """The metal of one tooth on the photo, how well its border is known, and where it comes from.

    Parameters
    ----------
    shape : MultiPolygon
        Photo pixels; empty where no metal was found.
    sd : RegionSd
    by : {'reader', 'proposal'}
    evidence : mapping
        What a proposal rests on, plain JSON types.
    """

    shape: MultiPolygon
    sd: RegionSd
    by: str
    evidence: Mapping[str, Any]

    @property
    def flags(self) -> tuple[str, ...]:
        """What every reading of the region says of itself."""
        separate = (SEPARATE_FLAG,) if self.evidence.get("separate_share", 0.0) > _SEPARATE else ()
        return ("projected", f"region_by_{self.by}", *separate)

    @property
    def details(self) -> dict[str, Any]:
        """What a report needs to draw it."""
        return {"region": mapping(self.shape), "by": self.by, "evidence": dict(self.evidence)}


@dataclass(frozen=True)
class MetalCase:
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

    def quantity(self, value: float, unit: str, boundary: float, hand: float, pose: float) -> Quantity:
        """A value in pixels with its parts: boundary and hand in `unit`, pose relative."""
        parts = source_parts(
            (source("boundary", f"{self.photo.identity}:metal"), boundary),
            (self.pen, hand),
            (source("pose", self.photo.identity), value * pose),
        )
        return Quantity(value, unit, parts)

    def slopes(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """Slopes of the metal that shows and of the facial surface, each with its uncertainty, degrees.

        The metal is taken for a bevel, unless the design carries it onto the facial surface or the reader gave its slope.
        """
        facial = slope_of(self.facial, FACIAL_SLOPE_DEG)
        metal = next((f for f in self.annotations.all("metal") if f.geometry is not None), None)
        design = self.annotations.design
        on_facial = design is not None and DESIGNS[design].facial_metal == "distal_half"
        default = facial if on_facial else BEVEL_SLOPE_DEG
        return (default if metal is None else slope_of(metal, default)), facial


def facial_area(case: MetalCase) -> tuple[list[Reading], list[Refusal]]:
    """The projected area inside the facial outline, or why it has no millimetres."""
    area = case.outline.area
    slope = case.slopes()[1]
    value = case.quantity(area, "px2", 0.0, hand_area_sd_px2(case.outline), pose_relative_sd(slope))
    refusal = scale_refusal("facial_surface_area", case.calibration, case.facial.seen_in)
    if refusal is not None or case.calibration is None:
        return [], [] if refusal is None else [refusal]
    return [Reading.measured("facial_surface_area", _times(value, case.calibration.area_scale(), "mm2"), OUTLINE_METHOD,
                             flags=("projected",))], []  # fmt: skip


def metal_readings(region: Region, case: MetalCase) -> tuple[list[Reading], list[Refusal]]:
    """All readings of the metal of one tooth; those in mm are refused where there is no scale."""
    readings, refusals = [_fraction(region, case)], []
    for name in METAL_MEASURANDS:
        refusal = scale_refusal(name, case.calibration, case.facial.seen_in)
        if name == "visible_metal_fraction":
            continue
        if refusal is not None:
            refusals.append(refusal)
    if refusals or case.calibration is None:
        return readings, refusals
    upright, across = case.calibration.scale(90.0), case.calibration.scale(0.0)
    readings.append(_read("visible_metal_area", region, _area(region, case), case.calibration.area_scale(), region.sd.limit_area_px2))
    readings.append(_read("visible_metal_height", region, _height(region, case), upright, region.sd.limit_px))
    readings.append(_read("visible_metal_extent", region, _extent(region, case), across, region.sd.limit_extent_px))
    return readings + _bevel(region, case, upright), refusals


def _area(region: Region, case: MetalCase) -> Quantity:
    """The direction of view weighs on what may be metal and was not accepted too: a region found too small is not surer for it."""
    value, rest = (0.0 if region.shape.is_empty else region.shape.area), region.sd.signed_px2
    pose = float(np.hypot(pose_relative_sd(case.slopes()[0]), _turning(region, case)))
    found = case.quantity(value + rest, "px2", region.sd.area_px2, region.sd.hand_area_px2, pose)
    return found if region.shape.is_empty else replace(found, value=value)


def _turning(region: Region, case: MetalCase) -> float:
    """Relative standard deviation from a camera that swings round a surface that turns away at its sides."""
    left, _, right, _ = case.outline.bounds
    x = np.linspace(-1.0, 1.0, _COLUMNS)
    return turning_sd(x, columns_px(region.shape, left + (x + 1.0) / 2.0 * (right - left)))


def _height(region: Region, case: MetalCase) -> Quantity:
    """Greatest thickness; how much it depends on the width that counts as a spike is part of the boundary's uncertainty."""
    narrow, wide = (min(share * float(np.sqrt(case.outline.area)), 0.5 * extent_px(region.shape)) for share in SPIKE_SHARES)
    height, bold = thickness_px(region.shape, wide), thickness_px(region.shape, narrow)
    doubt = (region.sd.height_px, _SPIKE_DOUBT * (bold.px - height.px), region.sd.column_doubt_px(height.at_x))
    boundary = float(np.linalg.norm(doubt))
    return case.quantity(height.px, "px", boundary, region.sd.hand_px, pose_relative_sd(case.slopes()[0]))


def _extent(region: Region, case: MetalCase) -> Quantity:
    low, high = (region.shape.bounds[0], region.shape.bounds[2]) if not region.shape.is_empty else (0.0, 0.0)
    left, _, right, _ = case.outline.bounds
    ends = (np.array([low, high]) - left) / (right - left) * 2.0 - 1.0
    turning = turning_sd(np.linspace(ends[0], ends[1], _COLUMNS), np.ones(_COLUMNS))
    pose = float(np.hypot(pose_relative_sd(LEVEL_DEG), turning))
    return case.quantity(extent_px(region.shape), "px", region.sd.extent_px, region.sd.hand_px, pose)


def _fraction(region: Region, case: MetalCase) -> Reading:
    whole = case.outline.area
    area = region.sd.signed_px2 if region.shape.is_empty else region.shape.area
    hand = np.hypot(region.sd.hand_area_px2, area * hand_area_sd_px2(case.outline) / whole)
    pose = float(np.hypot(pose_fraction_sd(*case.slopes()), _turning(region, case)))
    value = case.quantity(area / whole, "1", region.sd.area_px2 / whole, float(hand) / whole, pose)
    reading = _read("visible_metal_fraction", region, value, Quantity(1.0, "1"), region.sd.limit_area_px2 / whole)
    low, high = reading.interval95
    return replace(reading, interval95=(low, min(1.0, high)))


def _bevel(region: Region, case: MetalCase, scale: Quantity) -> list[Reading]:
    """Height of the bevel on the uncovered mesiofacial cusp: a second reading of height, for seven-eighths on a known tooth."""
    tooth = case.annotations.tooth
    if case.annotations.design != "seven_eighths" or tooth is None:
        return []
    mesial_right = (tooth.quadrant in (1, 4, 5, 8)) != (case.facial.seen_in == "mirror")
    left, _, right, _ = case.outline.bounds
    near, far = (s * (right - left) for s in _CUSP)
    between = (right - far, right - near) if mesial_right else (left + near, left + far)
    typical = typical_thickness_px(region.shape, between)
    boundary = float(np.hypot(region.sd.height_px, typical.spread_px))
    metal = next((f for f in case.annotations.all("metal") if f.geometry is not None), None)
    slope = BEVEL_SLOPE_DEG if metal is None else slope_of(metal, BEVEL_SLOPE_DEG)
    value = case.quantity(typical.px, "px", boundary, region.sd.hand_px, pose_relative_sd(slope))
    limit = region.sd.limit_px + typical.upper_px
    reading = _read("visible_metal_height", region, value, scale, limit, missing=typical.px == 0.0)
    details = {**reading.details, "between_x_px": list(between)}
    return [replace(reading, flags=(*reading.flags, BEVEL_FLAG), details=details)]


def _read(name: str, region: Region, value: Quantity, scale: Quantity, limit: float, missing: bool | None = None) -> Reading:
    """The reading of a value in pixels; below detection where there is no metal, with what could be there unseen."""
    unit = MEASURANDS[name].unit
    if not (region.shape.is_empty if missing is None else missing):
        return Reading.measured(name, _times(value, scale, unit), METHOD, flags=region.flags, details=region.details)
    unseen = Quantity(value.value, value.unit, {next(n for n in value.parts if n.startswith("boundary/")): limit / K95})
    top = limit * (scale.value + K95 * scale.u)
    return Reading(name, unit, "below_detection", None, (0.0, top), METHOD, _times(unseen, scale, unit), region.flags, region.details)


def _times(value: Quantity, scale: Quantity, unit: str) -> Quantity:
    return combine(lambda a, b: a * b, value, scale, unit=unit)
