"""Photo strips and unrolled margins laid out for paper: how many in a row, and the one scale that all of them share."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from audit.core.picture import Picture

__all__ = ["Files", "band_rows", "photo_rows"]

Files = dict[str, bytes]
WIDTH_MM, GAP_MM = 181.0, 1.5
IN_A_ROW, LARGEST_ENLARGEMENT = range(3, 10), 3.2
PAGE_MM = {"a4": 230.0, "letter": 212.0}  # left beneath the words above the strips
CAPTION_MM, HEADING_MM = 7.5, 6.0
_PAD_PX, _LANE_PX = 14, 30  # round the band of an unrolled margin
_AXIS_PX = 40
_BAND_MM, _MOST_SCALE = 105.0, 5.0


Strip = list[tuple[int, Picture]]


@dataclass(frozen=True)
class _Layout:
    """How the strips stand on paper: rows of one view each, and millimetres on paper per millimetre of tooth."""

    rows: list[tuple[str, bool, Strip]]
    enlargement: float
    height_mm: float


def photo_rows(tiles: Sequence[Picture], files: Files, paper: str) -> dict[str, Any]:
    """Rows of tiles by view, each row twice: as photographed, then with the marks; few photos stand side by side.

    Returns
    -------
    dict
        ``enlargement``: millimetres on paper per millimetre of tooth, one for the whole report, as large as lets the strips fit a
        page; ``rows`` of tiles.
    """
    views: dict[str, Strip] = {}
    for number, tile in enumerate(tiles):
        views.setdefault(tile.view, []).append((number, tile))
        files[f"photo-{number}.jpg"] = tile.jpeg
        if tile.overlay_png is not None:
            files[f"marks-{number}.png"] = tile.overlay_png
    px_per_mm = next((tile.px_per_mm for tile in tiles if tile.px_per_mm), 36.0)
    layouts = [_layout(views, most, px_per_mm) for most in IN_A_ROW]
    fitting = [one for one in layouts if one.height_mm <= PAGE_MM[paper]]
    best = max(fitting, key=lambda one: one.enlargement) if fitting else min(layouts, key=lambda one: one.height_mm)
    return {
        "enlargement": best.enlargement,
        "rows": [
            {"view": view, "beside": beside, "first": part[0] is views[view][0],
             "tiles": [_tile(number, tile, best.enlargement / px_per_mm) for number, tile in part]}
            for view, beside, part in best.rows
        ],
    }  # fmt: skip


def _layout(views: Mapping[str, Strip], most: int, px_per_mm: float) -> _Layout:
    rows = [(view, 2 * len(strip) <= most, part) for view, strip in views.items() for part in _split(strip, most)]
    enlargement = LARGEST_ENLARGEMENT
    for _, beside, part in rows:
        count = len(part) * (1 + beside)
        enlargement = min(enlargement, (WIDTH_MM - GAP_MM * (count - 1)) / (count * part[0][1].width_px / px_per_mm))
    high = sum((2 - beside) * (part[0][1].height_px / px_per_mm * enlargement + GAP_MM) + CAPTION_MM for _, beside, part in rows)
    return _Layout(rows, enlargement, high + HEADING_MM * len(views))


def _split(strip: Strip, most: int) -> list[Strip]:
    size = math.ceil(len(strip) / math.ceil(len(strip) / most))
    return [strip[start : start + size] for start in range(0, len(strip), size)]


def _tile(number: int, tile: Picture, mm_per_px: float) -> dict[str, Any]:
    marks = f"marks-{number}.png" if tile.overlay_png is not None else None
    notes = ["no scale"] if tile.px_per_mm is None else [] if tile.registered else ["not registered"]
    return {
        "photo": f"photo-{number}.jpg", "marks": marks, "alt": tile.alt, "on": tile.on, "months": _months(tile),
        "notes": notes, "width_mm": tile.width_px * mm_per_px, "height_mm": tile.height_px * mm_per_px,
    }  # fmt: skip


def _months(picture: Picture) -> str:
    return picture.caption.rpartition(", ")[2].replace("-", "−")


def band_rows(margins: Sequence[Picture], files: Files) -> list[dict[str, Any]]:
    """Unrolled margins by view at one scale, one row a visit; where to cut each picture so that one axis serves all."""
    views: dict[str, list[Picture]] = {}
    for margin in margins:
        views.setdefault(margin.view, []).append(margin)
    longest = max(((m.width_px - 2 * _PAD_PX) / (m.px_per_mm or 1.0) for m in margins), default=1.0)
    scale = min(_MOST_SCALE, _BAND_MM / longest)  # paper per tooth
    told = []
    for view, strip in views.items():
        rows = []
        for margin in strip:
            name = f"band-{len(files)}.jpg"
            files[name] = margin.jpeg
            mm = scale / (margin.px_per_mm or 1.0)
            rows.append({
                "file": name, "alt": margin.alt, "on": margin.on, "months": _months(margin),
                "width_mm": margin.width_px * mm, "pad_mm": _PAD_PX * mm, "lane_mm": _LANE_PX * mm,
                "band_mm": (margin.height_px - _LANE_PX - _AXIS_PX) * mm, "height_mm": margin.height_px * mm,
            })  # fmt: skip
        axis = (strip[0].width_px - 2 * _PAD_PX) / (strip[0].px_per_mm or 1.0)
        told.append({"view": view, "rows": rows, "axis": axis, "scale": scale})
    return told
