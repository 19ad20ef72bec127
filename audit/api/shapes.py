"""Marks as plain shapes for drawing, and as the GeoJSON that is measured.

A shape is ``{"id", "role", "closed", "found", "parts", "props"}``: `parts` are lists of points (the first ring of an outline is its
outside, further ones are holes), `found` stands for a geometry of ``null``: find it yourself.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from audit.core.annotations import ROLES
from audit.errors import AnnotationError

__all__ = ["Shape", "checked_shape", "collection_of", "is_whole", "shapes_of"]

Shape = dict[str, Any]
_POINT_ROLES = ("alveolar_crest", "restoration_margin")
_MOST_POINTS = 20_000


def shapes_of(collection: Mapping[str, Any]) -> list[Shape]:
    """Shapes of a GeoJSON FeatureCollection; an outline of several pieces becomes several shapes."""
    found = []
    for feature in collection.get("features", ()):
        properties = dict(feature.get("properties") or {})
        role = properties.pop("role", "")
        for closed, parts in _parts(feature.get("geometry")):
            found.append({"role": role, "closed": closed, "found": not parts, "parts": parts, "props": properties})
    return [{"id": f"m{number}", **shape} for number, shape in enumerate(found, 1)]


def _parts(geometry: Mapping[str, Any] | None) -> Iterator[tuple[bool, list[Any]]]:
    if geometry is None:
        yield False, []
        return
    kind, at = geometry["type"], geometry["coordinates"]
    if kind == "Polygon":
        yield True, [ring[:-1] for ring in at]
    elif kind == "MultiPolygon":
        yield from ((True, [ring[:-1] for ring in polygon]) for polygon in at)
    elif kind == "MultiLineString":
        yield False, at
    elif kind == "Point":
        yield False, [[at]]
    else:
        yield False, [at]


def collection_of(shapes: Sequence[Mapping[str, Any]], members: Mapping[str, Any]) -> dict[str, Any]:
    """The GeoJSON FeatureCollection of all shapes that are whole."""
    features = [
        {"type": "Feature", "properties": {"role": shape["role"], **shape["props"]}, "geometry": _geometry(shape)}
        for shape in shapes
        if shape["found"] or is_whole(shape)
    ]
    return {"type": "FeatureCollection", **members, "features": features}


def is_whole(shape: Mapping[str, Any]) -> bool:
    """Whether every part of a shape has the points it needs: one, two for a line, three for an outline."""
    least = 1 if shape["role"] in _POINT_ROLES else 3 if shape["closed"] else 2
    return bool(shape["parts"]) and all(len(part) >= least for part in shape["parts"])


def _geometry(shape: Mapping[str, Any]) -> dict[str, Any] | None:
    parts = shape["parts"]
    if shape["found"]:
        return None
    if shape["role"] in _POINT_ROLES:
        return {"type": "Point", "coordinates": parts[0][0]}
    if shape["closed"]:
        return {"type": "Polygon", "coordinates": [[*ring, ring[0]] for ring in parts]}
    if len(parts) > 1:
        return {"type": "MultiLineString", "coordinates": parts}
    return {"type": "LineString", "coordinates": parts[0]}


def checked_shape(data: Any) -> Shape:
    """A shape as sent by a page, with nothing in it that is not understood.

    Raises
    ------
    AnnotationError
        It is no shape.
    """
    try:
        role, props = data["role"], data.get("props") or {}
        parts = [[[round(float(x), 3), round(float(y), 3)] for x, y in part] for part in data.get("parts") or []]
        closed = bool(data.get("closed"))
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise AnnotationError(f"mark must have a role and parts of points; got {error}.", "Draw it again.") from error
    flat = [value for part in parts for point in part for value in point]
    if role not in ROLES or not isinstance(props, dict) or len(flat) > 2 * _MOST_POINTS or not all(map(math.isfinite, flat)):
        raise AnnotationError(f"mark must have a known role and at most {_MOST_POINTS} finite points; got {role!r}.", "Draw it again.")
    name = str(data.get("id", ""))[:40]
    return {"id": name, "role": role, "closed": closed, "found": bool(data.get("found")), "parts": parts, "props": props}
