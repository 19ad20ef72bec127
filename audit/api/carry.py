"""Marks of an earlier photograph carried over to a new one of the same view, as proposals for the reader to correct."""

from __future__ import annotations

from audit.api.desk import Desk, Draft
from audit.api.marking import draft_marks, marks_beside, save_marks
from audit.api.shapes import Shape, shapes_of
from audit.core.clinical import CaseFolder, PhotoEntry
from audit.errors import RecordError
from audit.imaging.register import carried
from audit.imaging.viewing import shown

__all__ = ["baseline_photo", "carry_marks", "earlier_photo"]

_FINDABLE = ("rule", "strip")
_SAME_AGAIN = ("kind", "tick_mm", "seen_in")
_OF_THE_TOOTH = ("facial_surface", "occlusal_surface", "margin", "gingival_margin")


def earlier_photo(desk: Desk, cases: CaseFolder, entry: PhotoEntry) -> PhotoEntry | None:
    """The latest earlier photo of the same restoration and view that has confirmed marks on the tooth."""
    return next(reversed(_marked_before(desk, cases, entry)), None)


def baseline_photo(desk: Desk, cases: CaseFolder, entry: PhotoEntry) -> PhotoEntry | None:
    """The earlier photo of the same restoration and view that a reader compares this one with: of the latest baseline, else the latest."""
    before = _marked_before(desk, cases, entry)
    days = {visit.on for visit in cases.visits if visit.restoration == entry.restoration and visit.stage == "baseline"}
    return next((one for one in reversed(before) if one.on in days), before[-1] if before else None)


def _marked_before(desk: Desk, cases: CaseFolder, entry: PhotoEntry) -> list[PhotoEntry]:
    """Earlier photos with confirmed marks on the tooth, by date."""
    same = [one for one in cases.photos if (one.restoration, one.view) == (entry.restoration, entry.view) and one.on < entry.on]
    marked = (one for one in sorted(same, key=lambda one: one.on) if _tooth_marks(desk, one.file))
    return [] if entry.view == "bitewing" else list(marked)


def carry_marks(desk: Desk, file: str, source: PhotoEntry) -> Draft:
    """Marks of `source` moved to where the same tooth lies on this photo, added to its draft.

    Notes
    -----
    Outlines and lines are carried by one turn, scale and shift; the metal is left to be found in this photo, and so is the reference:
    a scale never comes from another image. A known length keeps its landmarks, as they lie on the tooth. A rule or strip is to be found
    by the tool, its graduation as before; how far it lies from the tooth, and which one it is, belongs to each photo and is not carried.

    Raises
    ------
    RecordError
        The two photos cannot be brought together.
    """
    shapes = _tooth_marks(desk, source.file)
    parts = [part for shape in shapes for part in shape["parts"]]
    moved = carried(shown(desk.image(source.file)).pixels, shown(desk.image(file)).pixels, parts)
    if moved is None:
        raise RecordError(f"photos must show the same tooth alike; too little agrees with that of {source.on}.", "Draw the marks by hand.")
    added, rest = list[Shape](), iter(moved)
    for shape in shapes:
        props = {**shape["props"], "carried_from": source.on}
        added.append({**shape, "id": f"c{shape['id']}", "parts": [next(rest) for _ in shape["parts"]], "props": props})
    if any(shape["role"] in ("facial_surface", "occlusal_surface") for shape in shapes):
        way = shapes[0]["props"].get("seen_in", "direct")
        added.append({"id": "cmetal", "role": "metal", "closed": False, "found": True, "parts": [], "props": {"seen_in": way}})
    added += _reference_to_find(desk, source.file)
    draft = draft_marks(desk, file)
    roles = {shape["role"] for shape in draft.body["shapes"]}
    kept = [shape for shape in added if shape["role"] not in roles]
    return save_marks(desk, file, draft.revision, {"shapes": [*draft.body["shapes"], *kept], "open": None})


def _tooth_marks(desk: Desk, file: str) -> list[Shape]:
    """Confirmed shapes of a photo that lie on the tooth."""
    shapes = shapes_of(marks_beside(desk.image(file)))
    return [shape for shape in shapes if not shape["found"] and (shape["role"] in _OF_THE_TOOTH or _is_known_length(shape))]


def _reference_to_find(desk: Desk, file: str) -> list[Shape]:
    """The kind of reference that was used before, where the tool can find one of its kind unaided."""
    before = [shape for shape in shapes_of(marks_beside(desk.image(file))) if shape["role"] == "reference"][:1]
    props = [{name: shape["props"][name] for name in _SAME_AGAIN if name in shape["props"]} for shape in before]
    return [
        {"id": "creference", "role": "reference", "closed": False, "found": True, "parts": [], "props": one}
        for one in props
        if one.get("kind") in _FINDABLE
    ]


def _is_known_length(shape: Shape) -> bool:
    return bool(shape["role"] == "reference" and shape["props"].get("kind") == "known_length")
