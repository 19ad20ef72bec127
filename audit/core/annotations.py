"""What a reader marked on a photo: a GeoJSON FeatureCollection in pixel coordinates.

`properties.role` says what a feature is; a geometry of ``null`` means "find it yourself". Foreign
members that are understood on the collection itself, all optional: ``sha256`` (of the image the
marks belong to), ``modality``, ``view``, ``reader`` (code of who traced), ``tooth`` with
``tooth_notation``, ``design``, ``alloy``, ``restoration``, ``known_lengths``.

References
----------
RFC 7946 (GeoJSON). https://doi.org/10.17487/RFC7946 - the grammar only; positions are pixels.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from shapely.errors import ShapelyError
from shapely.geometry import shape
from shapely.geometry.base import BaseGeometry

from audit.core.tooth import Tooth
from audit.core.vocabulary import ALLOYS, DESIGNS, VIEWS
from audit.errors import AnnotationError, RecordError, Refused

__all__ = ["ROLES", "Annotations", "Feature", "check_inside", "parse_annotations", "read_annotations"]

# role -> geometry types that it may have; "" stands for a geometry of null
ROLES: Mapping[str, tuple[str, ...]] = {
    "reference": ("LineString", "MultiLineString", "Polygon", "MultiPoint", ""),
    "facial_surface": ("Polygon",),
    "occlusal_surface": ("Polygon",),
    "metal": ("MultiPolygon", "Polygon", ""),
    "margin": ("LineString", ""),
    "gingival_margin": ("LineString", ""),
    "fit_site": ("LineString",),
    "alveolar_crest": ("Point",),
    "restoration_margin": ("Point",),
}
RADIOGRAPH_ROLES = frozenset({"fit_site", "alveolar_crest", "restoration_margin"})


_LARGEST = 1e9  # pixels or millimetres


@dataclass(frozen=True)
class Feature:
    """One marked feature: its role, its shape in pixels (``None``: find it yourself), its properties."""

    role: str
    geometry: BaseGeometry | None
    properties: Mapping[str, Any] = field(default_factory=dict)

    @property
    def seen_in(self) -> str:
        """``direct`` or ``mirror``."""
        return str(self.properties.get("seen_in", "direct"))

    @property
    def xy(self) -> np.ndarray:
        """Vertices of a line or point, shape (n, 2), pixels; the outer ring of a polygon, closed."""
        if self.geometry is None:
            raise ValueError(f"feature {self.role!r} has no geometry")
        line = self.geometry.exterior if self.geometry.geom_type == "Polygon" else self.geometry
        return np.asarray(line.coords, dtype=float)[:, :2]

    def number(self, name: str) -> float | None:
        """Property `name` as a finite number, or ``None`` where it is absent.

        Raises
        ------
        Refused
            ``bad_number``: the property is there and is not a finite number.
        """
        value = self.properties.get(name)
        if value is None:
            return None
        if not _is_number(value):
            said = "one beyond all range" if isinstance(value, int) and not isinstance(value, bool) else f"{value!r:.40}"
            raise Refused("bad_number", f"{name} of a {self.role} must be a number; got {said}.", "Correct it in the annotation file.")
        return float(value)


@dataclass(frozen=True)
class Annotations:
    """All that was marked on one photo, and what the file says of the tooth.

    Parameters
    ----------
    features : tuple of Feature
    sha256 : str or None
        Of the image the marks belong to.
    modality, view, reader, design, alloy, restoration : str or None
    tooth : Tooth or None
    """

    features: tuple[Feature, ...] = ()
    sha256: str | None = None
    modality: str | None = None
    view: str | None = None
    reader: str | None = None
    tooth: Tooth | None = None
    design: str | None = None
    alloy: str | None = None
    restoration: str | None = None

    def all(self, role: str) -> Iterator[Feature]:
        """Features of one role, in file order."""
        return (feature for feature in self.features if feature.role == role)

    def first(self, role: str) -> Feature | None:
        """First feature of one role."""
        return next(self.all(role), None)

    @property
    def is_radiograph(self) -> bool:
        """Whether the marks can only have been made on a radiograph."""
        return self.modality == "radiograph" or any(f.role in RADIOGRAPH_ROLES for f in self.features)


def read_annotations(path: str | Path) -> Annotations:
    """Annotations from a file.

    Raises
    ------
    AnnotationError
        The file is missing, is not JSON, or breaks the contract.
    """
    try:
        data = json.loads(Path(path).read_text(encoding="utf-8"))
    except OSError as error:
        raise AnnotationError(f"annotation file must be readable; got {error.strerror} for {Path(path).name}.",
                              "Check the file's name and place.") from error  # fmt: skip
    except (ValueError, RecursionError) as error:
        raise AnnotationError(f"annotation file must be JSON; got {error} in {Path(path).name}.",
                              "Save the annotations again as GeoJSON.") from error  # fmt: skip
    return parse_annotations(data)


def parse_annotations(data: Any) -> Annotations:
    """Annotations from a decoded GeoJSON FeatureCollection.

    Raises
    ------
    AnnotationError
        Not a FeatureCollection, an unknown role, a geometry of the wrong type, or one that crosses itself.
    """
    if not isinstance(data, Mapping) or data.get("type") != "FeatureCollection" or not isinstance(data.get("features"), list):
        raise AnnotationError("annotations must be a GeoJSON FeatureCollection; got something else.", "Export the marks as GeoJSON.")
    words = {name: _word(data, name, allowed) for name, allowed in _MEMBERS.items()}
    tooth = None
    if data.get("tooth") is not None:
        try:
            tooth = Tooth.parse(str(data["tooth"]), data.get("tooth_notation"))
        except RecordError as error:
            raise AnnotationError(error.message, error.hint) from error
    features = tuple(_feature(item, number) for number, item in enumerate(data["features"], 1))
    return Annotations(features, tooth=tooth, **words)


_MEMBERS: Mapping[str, tuple[str, ...]] = {
    "sha256": (), "modality": ("photo", "radiograph"), "view": VIEWS, "reader": (), "design": tuple(DESIGNS), "alloy": ALLOYS,
    "restoration": (),
}  # fmt: skip


def _word(data: Mapping[str, Any], name: str, allowed: tuple[str, ...]) -> str | None:
    value = data.get(name)
    if value is None:
        return None
    if not isinstance(value, str) or (allowed and value not in allowed):
        rule = f"one of {', '.join(allowed)}" if allowed else "a word"
        raise AnnotationError(f"{name} must be {rule}; got {value!r}.", "Correct the annotation file.")
    return value


def _feature(item: Any, number: int) -> Feature:
    properties = item.get("properties") if isinstance(item, Mapping) else None
    role = properties.get("role") if isinstance(properties, Mapping) else None
    if not isinstance(properties, Mapping) or not isinstance(role, str) or role not in ROLES:
        raise AnnotationError(f"role of feature {number} must be one of {', '.join(ROLES)}; got {role!r}.", "Correct the role.")
    if properties.get("seen_in", "direct") not in ("direct", "mirror"):
        raise AnnotationError(f"seen_in of feature {number} ({role}) must be direct or mirror; got {properties['seen_in']!r}.",
                              "Say how the feature was seen.")  # fmt: skip
    return Feature(role, _geometry(item.get("geometry"), role, number), dict(properties))


def _geometry(data: Any, role: str, number: int) -> BaseGeometry | None:
    kind = "" if data is None else data.get("type") if isinstance(data, Mapping) else None
    where = f"geometry of feature {number} ({role})"
    if kind not in ROLES[role]:
        allowed = ", ".join(k or "null" for k in ROLES[role])
        raise AnnotationError(f"{where} must be {allowed}; got {kind!r}.", "Draw the feature again.")
    if data is None:
        return None
    if not _all_finite(data.get("coordinates")):
        raise AnnotationError(f"{where} must have finite numbers as coordinates; got something else.", "Draw the feature again.")
    try:
        geometry = shape(data)
    except (ShapelyError, ValueError, TypeError, IndexError) as error:
        raise AnnotationError(f"{where} must have pairs of numbers as coordinates; got {error}.", "Draw the feature again.") from error
    if geometry.is_empty:
        raise AnnotationError(f"{where} must have coordinates; got none.", "Draw the feature again.")
    if geometry.geom_type in ("Polygon", "MultiPolygon") and not geometry.is_valid:
        raise AnnotationError(f"{where} must not cross itself; got an outline that does.", "Draw the outline again without a loop.")
    if geometry.geom_type == "LineString" and geometry.length == 0:
        raise AnnotationError(f"{where} must have a length; got one point.", "Draw the line again.")
    return geometry


def _all_finite(coordinates: Any) -> bool:
    if isinstance(coordinates, list | tuple):
        return all(_all_finite(item) for item in coordinates)
    return _is_number(coordinates)


def _is_number(value: Any) -> bool:
    """Whether a value is a number that a photo of a tooth can bear: JSON also holds integers of any length."""
    return isinstance(value, int | float) and not isinstance(value, bool) and -_LARGEST <= value <= _LARGEST


def check_inside(annotations: Annotations, width_px: int, height_px: int, sha256: str) -> None:
    """Refuse marks that belong to another image or lie outside this one.

    Raises
    ------
    AnnotationError
        Another image's hash, or any vertex outside ``[-0.5, width - 0.5] x [-0.5, height - 0.5]``.
    """
    if annotations.sha256 is not None and annotations.sha256.lower() != sha256:
        raise AnnotationError(f"annotations must belong to this image; got marks for {annotations.sha256[:12]}, this is {sha256[:12]}.",
                              "Open the annotation file that was made on this image.")  # fmt: skip
    for feature in annotations.features:
        if feature.geometry is None:
            continue
        left, top, right, bottom = feature.geometry.bounds
        if left < -0.5 or top < -0.5 or right > width_px - 0.5 or bottom > height_px - 0.5:
            raise AnnotationError(
                f"{feature.role} must lie inside the image of {width_px} x {height_px} px; "
                f"got x {left:.0f} to {right:.0f}, y {top:.0f} to {bottom:.0f}.",
                "Trace on the image at full size; a trace made on a resized copy does not fit.",
            )
