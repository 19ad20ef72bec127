"""The frozen records that pass from one stage to the next.

Coordinates: x right, y down, 0-based, integer = pixel centre, EXIF orientation applied first.
A bare number carries its unit in its name; a `Quantity` carries its own.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Literal

from audit.core.quantity import Quantity, combine
from audit.errors import Refused

__all__ = ["TOLD_FLAG", "Calibration", "Document", "Optics", "Photo", "Reading", "Refusal", "Segment"]

TOLD_FLAG = "graduation_told_from_lengths"
"""On a scale, and on every length and area read with it: the lengths of a rule's ticks alone say what a tick is worth."""

Modality = Literal["photo", "radiograph"]
SeenIn = Literal["direct", "mirror"]
Status = Literal["measured", "detected", "below_detection"]


@dataclass(frozen=True)
class Optics:
    """What the file says of the lens and the sensor; ``None`` where it says nothing believable."""

    focal_length_mm: float | None = None
    f_number: float | None = None
    pixel_pitch_um: float | None = None
    camera: str | None = None


@dataclass(frozen=True)
class Photo:
    """An image that may be measured, as intake found it.

    Parameters
    ----------
    sha256 : str
        Of the original bytes, 64 hex digits.
    width_px, height_px : int
        After orientation.
    captured_on : str or None
        ISO 8601 date (``2021-03-04``), or a year alone when only the year is certain.
    date_certainty : {'exact', 'year', 'doubtful', 'unknown'}
    modality : {'photo', 'radiograph'}
    optics : Optics
    flags : tuple of str
        Findings of intake: ``soft``, ``clipped``, ``dark``, ``greyscale``, ``resampled`` ...
    file_name : str
        Base name only, for messages; never a path.
    """

    sha256: str
    width_px: int
    height_px: int
    captured_on: str | None
    date_certainty: Literal["exact", "year", "doubtful", "unknown"]
    modality: Modality
    optics: Optics = Optics()
    flags: tuple[str, ...] = ()
    file_name: str = ""

    @property
    def identity(self) -> str:
        """Short name used in sources of uncertainty that belong to this photo alone."""
        return self.sha256[:12]


@dataclass(frozen=True)
class Calibration:
    """Scale at the tooth, from one reference in the same image.

    Parameters
    ----------
    reference : str
        Kind: ``rule``, ``rod``, ``known_length``, ``two_points``, ``probe``, ``dicom`` ...
    mm_per_px : Quantity
        Along the reference at its middle as it lies, offset corrected, unit ``mm/px``.
    mm_per_px_across : Quantity
        Square to the line of sight, in the plane through the tooth parallel to the sensor: carries the tilt correction.
    direction_deg : float
        Direction of the reference in the image, x right, y down, in [0, 180).
    tilt_deg : Quantity or None
        Inclination of the reference to the image plane, where it can be told.
    blur_sigma_px : Quantity or None
        Gaussian-equivalent blur at the reference in linear light, unit ``px``.
    seen_in : {'direct', 'mirror'}
    flags : tuple of str
    method : str
        Name and version, e.g. ``rule_comb@1``.
    evidence : mapping
        What was found, as plain JSON types in pixel coordinates (tick positions, edges, residuals), for display.
    """

    reference: str
    mm_per_px: Quantity
    mm_per_px_across: Quantity
    direction_deg: float
    tilt_deg: Quantity | None
    blur_sigma_px: Quantity | None
    seen_in: SeenIn
    method: str
    flags: tuple[str, ...] = ()
    evidence: Mapping[str, Any] = field(default_factory=dict)

    def scale(self, direction_deg: float) -> Quantity:
        """Scale for a projected length in `direction_deg` of the image, unit ``mm/px``."""
        angle = math.radians(direction_deg - self.direction_deg)
        c2, s2 = math.cos(angle) ** 2, math.sin(angle) ** 2
        return combine(
            lambda along, across: math.sqrt(c2 * along**2 + s2 * across**2),
            self._square(), self.mm_per_px_across, unit="mm/px",
        )  # fmt: skip

    def area_scale(self) -> Quantity:
        """Scale for a projected area, unit ``mm2/px2``."""
        return combine(lambda along, across: along * across, self._square(), self.mm_per_px_across, unit="mm2/px2")

    def _square(self) -> Quantity:
        """The scale in the reference's direction square to the line of sight: what is measured is what the photo projects."""
        leans = any(name.startswith("tilt/") and name not in self.mm_per_px.parts for name in self.mm_per_px_across.parts)
        return self.mm_per_px_across if leans else self.mm_per_px


@dataclass(frozen=True)
class Reading:
    """One measurand read from one photo.

    Parameters
    ----------
    measurand : str
        A name of `audit.core.vocabulary.MEASURANDS`.
    unit : str
        UCUM code.
    status : {'measured', 'detected', 'below_detection'}
    value : Quantity or None
        ``None`` unless measured.
    interval95 : tuple of float
        95 % coverage interval; ``[0, limit]`` below detection.
    method : str
        Name and version, e.g. ``visible_metal@1``.
    signed : Quantity or None
        The unclipped estimate with its uncertainty parts; means and trends use it.
    flags : tuple of str
    details : mapping
        What a report needs to draw it (outline, sites), plain JSON types in pixel coordinates.
    """

    measurand: str
    unit: str
    status: Status
    value: Quantity | None
    interval95: tuple[float, float]
    method: str
    signed: Quantity | None = None
    flags: tuple[str, ...] = ()
    details: Mapping[str, Any] = field(default_factory=dict)

    @classmethod
    def measured(
        cls, measurand: str, value: Quantity, method: str, *, flags: tuple[str, ...] = (),
        details: Mapping[str, Any] | None = None, non_negative: bool = True,
    ) -> Reading:  # fmt: skip
        """A reading with a value; its interval is the value with k = 1.96, not below zero if `non_negative`.

        Raises
        ------
        Refused
            ``not_finite``: value or uncertainty is no finite number; ``negative``: below zero, where nothing may be.
        """
        low, high = value.interval()
        low = max(0.0, low) if non_negative else low
        if not all(map(math.isfinite, (value.value, value.u, low, high))):
            raise _no_number(measurand, value)
        if not low <= value.value <= high:
            raise Refused("negative", f"{measurand} must not be negative; got {value.value:.4g} with u {value.u:.2g} {value.unit}.",
                          "Judge it by eye and explorer; the image does not fit the model of this measurement.")  # fmt: skip
        return cls(measurand, value.unit, "measured", value, (low, high), method, value, flags, details or {})

    @classmethod
    def detected(
        cls, measurand: str, signed: Quantity, interval95: tuple[float, float], method: str, *, flags: tuple[str, ...] = (),
        details: Mapping[str, Any] | None = None,
    ) -> Reading:  # fmt: skip
        """Something is there, its size lies in `interval95`, and so does the signed estimate.

        Raises
        ------
        Refused
            ``not_finite`` as for `measured`; ``interval_missed``: the signed estimate lies outside of the interval.
        """
        low, high = interval95
        if not all(map(math.isfinite, (signed.value, signed.u, low, high))):
            raise _no_number(measurand, signed)
        if not low <= signed.value <= high:
            raise Refused("interval_missed", f"{measurand} must lie in {low:.4g} to {high:.4g} {signed.unit}; got {signed.value:.4g}.",
                          "Judge it by eye and explorer; the image does not fit the model of this measurement.")  # fmt: skip
        return cls(measurand, signed.unit, "detected", None, (low, high), method, signed, flags, details or {})

    def resting_on(self, calibration: Calibration | None) -> Reading:
        """The same, bearing what is to be told of the scale wherever its number is read."""
        told = calibration is not None and TOLD_FLAG in calibration.flags and self.unit != "1"
        return replace(self, flags=(*self.flags, TOLD_FLAG)) if told else self

    def to_json(self) -> dict[str, Any]:
        """The form printed by ``measure --json``."""
        return {
            "measurand": self.measurand,
            "value": None if self.value is None else self.value.value,
            "u": None if self.value is None else self.value.u,
            "unit": self.unit,
            "interval95": list(self.interval95),
            "status": self.status,
            "signed": _value_u(self.signed),
            "flags": list(self.flags),
            "method": self.method,
        }


@dataclass(frozen=True)
class Segment:
    """A stretch of the traced margin in one state, positions along the trace in mm."""

    start_mm: float
    end_mm: float
    state: Literal["continuous", "open", "step", "stained", "unassessable"]
    gap_um: Quantity | None = None

    def to_json(self) -> dict[str, Any]:
        """The form printed by ``measure --json``."""
        return {"start_mm": self.start_mm, "end_mm": self.end_mm, "state": self.state, "gap_um": _value_u(self.gap_um)}


@dataclass(frozen=True)
class Refusal:
    """A measurand that could not be measured, why, and what to do next."""

    measurand: str
    code: str
    reason: str
    hint: str

    def to_json(self) -> dict[str, str]:
        """The form printed by ``measure --json``."""
        return {"measurand": self.measurand, "code": self.code, "reason": self.reason, "hint": self.hint}


@dataclass(frozen=True)
class Document:
    """All that was read from one photo: the contract of ``measure --json``."""

    photo: Photo
    calibration: Calibration | None
    readings: tuple[Reading, ...] = ()
    segments: tuple[Segment, ...] = ()
    refusals: tuple[Refusal, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """The form printed by ``measure --json``, schema 1."""
        photo = self.photo
        return {
            "schema": 1,
            "photo": {
                "sha256": photo.sha256, "width_px": photo.width_px, "height_px": photo.height_px,
                "captured_on": photo.captured_on, "modality": photo.modality,
            },
            "calibration": None if self.calibration is None else _calibration_json(self.calibration),
            "readings": [reading.to_json() for reading in self.readings],
            "segments": [segment.to_json() for segment in self.segments],
            "refusals": [refusal.to_json() for refusal in self.refusals],
        }  # fmt: skip


def _no_number(measurand: str, got: Quantity) -> Refused:
    return Refused("not_finite", f"{measurand} must be a finite number; got {got.value} with u {got.u} {got.unit}.",
                   "Judge it by eye and explorer; the image does not fit the model of this measurement.")  # fmt: skip


def _value_u(quantity: Quantity | None) -> dict[str, float] | None:
    return None if quantity is None else {"value": quantity.value, "u": quantity.u}


def _calibration_json(calibration: Calibration) -> dict[str, Any]:
    return {
        "reference": calibration.reference,
        "mm_per_px": _value_u(calibration.mm_per_px),
        "mm_per_px_across": _value_u(calibration.mm_per_px_across),
        "direction_deg": calibration.direction_deg,
        "tilt_deg": _value_u(calibration.tilt_deg),
        "blur_sigma_px": _value_u(calibration.blur_sigma_px),
        "parts": calibration.mm_per_px.relative_parts,
        "parts_across": calibration.mm_per_px_across.relative_parts,
    }
