"""What the tool proposes while a photo is being marked: a tooth's outline from clicks, its metal as strokes correct it, its baseline."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from audit.api.carry import baseline_photo
from audit.api.desk import Desk
from audit.api.marking import marks_beside
from audit.api.reports import read_case_folder
from audit.api.shapes import shapes_of
from audit.core.clinical import CaseFolder, PhotoEntry
from audit.errors import RecordError
from audit.imaging import by_hand
from audit.imaging.before import before_jpeg
from audit.imaging.by_hand import Ring
from audit.imaging.viewing import shown

__all__ = ["baseline_picture", "metal_by_strokes", "outline_at"]


def outline_at(desk: Desk, file: str, point: tuple[float, float], so_far: Ring | None = None) -> Ring:
    """Outline of the tooth under a point, photo pixels, joined to what was outlined `so_far`; to be corrected by the reader.

    Raises
    ------
    Refused
        Nothing round the point ends as one tooth does, or it lies apart from the outline so far.
    """
    return by_hand.outline_at(desk.image(file), point, so_far)


def metal_by_strokes(desk: Desk, file: str, outline: Sequence[Ring], strokes: Sequence[Mapping[str, Any]]) -> list[list[Ring]]:
    """Pieces of metal inside an outline as strokes correct the tool's proposal: each its outside and its holes, photo pixels.

    Parameters
    ----------
    outline : sequence of rings
        The facial surface: its outside and holes.
    strokes : sequence of mapping
        Each with ``metal`` (bool), ``radius`` (pixels) and ``xy`` (points).

    Raises
    ------
    AuditError
        Outline or strokes are none, or the photo shows no enamel inside to tell metal from.
    """
    cases = read_case_folder(desk.folder)
    code = next((one.restoration for one in cases.photos if one.file == file), "")
    it = next((one for one in cases.restorations if one.code == code), None)
    tooth = (None, None, None) if it is None else (it.design, it.alloy, it.tooth.is_upper)
    return by_hand.metal_by_strokes(desk.image(file), outline, strokes, tooth)


def baseline_picture(desk: Desk, file: str) -> bytes:
    """The tooth at baseline as it lies on this photo, as a JPEG of the whole frame: for looking from one to the other, never to measure.

    Raises
    ------
    RecordError
        There is no earlier photo, or the two do not agree.
    """
    cases = read_case_folder(desk.folder)
    source = baseline_photo(desk, cases, _entry(cases, file))
    if source is None:
        raise RecordError("there must be an earlier marked photo of this view; got none.", "Mark the baseline photo first.")
    marked = [shape for shape in shapes_of(marks_beside(desk.image(source.file))) if shape["role"] != "reference"]
    tooth = [point for shape in marked for part in shape["parts"] for point in part]
    picture = before_jpeg(shown(desk.image(source.file)), shown(desk.image(file)), tooth)
    if picture is None:
        raise RecordError(
            f"photos must show the same tooth alike; too little agrees with that of {source.on}.", "Compare them side by side."
        )
    return picture


def _entry(cases: CaseFolder, file: str) -> PhotoEntry:
    found = next((one for one in cases.photos if one.file == file), None)
    if found is None:
        raise RecordError(f"photo must be listed in photos.csv; {file!r} is not.", "Bring it in: say which restoration and visit it shows.")
    return found
