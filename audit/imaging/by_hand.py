"""What is proposed while a reader marks a photo, in plain lists of points: an outline from clicks, metal from strokes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from shapely.errors import ShapelyError
from shapely.geometry import Polygon

from audit.errors import AnnotationError, Refused
from audit.imaging.segment import Proposal, propose_metal
from audit.imaging.strokes import Stroke, correct_metal
from audit.imaging.tooth_outline import propose_outline
from audit.imaging.viewing import shown

__all__ = ["Ring", "TheTooth", "metal_by_strokes", "outline_at"]

Ring = list[list[float]]
Corners = tuple[tuple[tuple[float, float], ...], ...]
TheTooth = tuple[str | None, str | None, bool | None]
"""Design, alloy, and whether it is an upper tooth; ``None`` where not known."""
_MOST_STROKES, _MOST_POINTS = 200, 20_000
_SMOOTH_PX = 0.4


def outline_at(path: Path, point: tuple[float, float], so_far: Ring | None = None) -> Ring:
    """Outline of the tooth under a point, photo pixels, joined to what was outlined so far.

    Raises
    ------
    Refused
        Nothing round the point ends as one tooth does, or it lies apart from the outline so far.
    """
    found = propose_outline(shown(path).pixels, point)
    if so_far:
        joined = found.union(_polygon(_corners([so_far])))
        if joined.geom_type != "Polygon":
            raise Refused("outline_not_found", "This part lies apart from the outline so far.", "Click nearer to it, or drag its points.")
        found = joined
    return _ring(found.exterior.coords)


def metal_by_strokes(path: Path, outline: Sequence[Ring], strokes: Sequence[Mapping[str, Any]], tooth: TheTooth) -> list[list[Ring]]:
    """Pieces of metal inside an outline as strokes correct the tool's proposal: each its outside and its holes, photo pixels.

    Parameters
    ----------
    outline : sequence of rings
        Outside and holes.
    strokes : sequence of mapping
        Each with ``metal`` (bool), ``radius`` (pixels) and ``xy`` (points).

    Raises
    ------
    AnnotationError
        Outline or strokes are none.
    Refused
        The photo shows no enamel inside the outline to tell metal from.
    """
    photo, drawn, corners = shown(path), [_stroke(stroke) for stroke in strokes[:_MOST_STROKES]], _corners(outline)
    proposal = _proposal(path, photo.sha256, corners, tooth)
    region = correct_metal(photo.pixels, _polygon(corners), proposal, drawn).region.simplify(_SMOOTH_PX)
    pieces = [piece for piece in getattr(region, "geoms", [region]) if not piece.is_empty]
    return [[_ring(ring.coords) for ring in (piece.exterior, *piece.interiors)] for piece in pieces]


def _corners(rings: Sequence[Ring]) -> Corners:
    return tuple(tuple((float(x), float(y)) for x, y in ring) for ring in rings)


def _polygon(corners: Corners) -> Polygon:
    try:
        outline = Polygon(corners[0], corners[1:])
    except (IndexError, ValueError, ShapelyError) as error:
        raise AnnotationError("outline must have at least three points; got fewer.", "Outline the facial surface first.") from error
    if not outline.is_valid or outline.is_empty:
        raise AnnotationError("outline must not cross itself.", "Correct the outline of the facial surface first.")
    return outline


def _stroke(data: Mapping[str, Any]) -> Stroke:
    xy = np.asarray(data["xy"], dtype=float)
    if xy.ndim != 2 or xy.shape[1] != 2 or not 1 <= len(xy) <= _MOST_POINTS or not np.all(np.isfinite(xy)):
        raise AnnotationError("stroke must be a line of points; got something else.", "Draw it again.")
    return Stroke(xy, bool(data["metal"]), min(200.0, max(1.0, float(data["radius"]))))


@lru_cache(maxsize=2)
def _proposal(path: Path, sha256: str, corners: Corners, tooth: TheTooth) -> Proposal:
    return propose_metal(shown(path).pixels, _polygon(corners), *tooth)


def _ring(coordinates: Any) -> Ring:
    """A closed ring without its repeated point."""
    return [[round(float(x), 2), round(float(y), 2)] for x, y in list(coordinates)[:-1]]
