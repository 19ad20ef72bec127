"""The plates of a case: its stages, radiographs before and after, baseline and follow-up; one scale a plate, laid out for paper."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Any

from audit.core.picture import Picture
from audit.core.vocabulary import RADIOGRAPH_VIEWS, VIEWS
from audit.report import words
from audit.report.paper_pictures import GAP_MM, WIDTH_MM, Files
from audit.report.portfolio_case import PortfolioCase, baseline_of, case_code, month_of

__all__ = ["STAGE_WORDS", "case_plates", "stages_shown"]

STAGE_WORDS: Mapping[str, str] = MappingProxyType(
    {"preoperative": "Preoperative", "preparation": "Preparation", "die": "Die", "casting": "Casting on die", "placement": "Cementation"}
)
LARGEST_ENLARGEMENT = 3.0  # 36 px/mm of tooth stay above 300 dpi
_IN_USE = ("placement", "baseline", "recall")
_IN_A_ROW = 3
_LEAST_MM = 44.0  # of a column: a caption needs room


def case_plates(case: PortfolioCase, files: Files) -> list[dict[str, Any]]:
    """The plates of a case; pictures are put into `files` under their names.

    Returns
    -------
    list of dict
        ``name``, ``title``, ``enlargement`` (millimetres on paper for one of tooth), ``columns`` and ``cells``: ``photo`` or, where none
        is on record, nothing; ``words``, ``alt``, ``width_mm``, ``height_mm``.
    """
    return [
        _plate("stages", "Stages", _stage_cells(case), _IN_A_ROW, files),
        _plate("radiographs", "Radiographs before and after", _before_and_after(case), _IN_A_ROW, files),
        _plate("follow-up", "Baseline and follow-up", _follow_up(case), 4, files),
    ]


def stages_shown(case: PortfolioCase) -> tuple[str, ...]:
    """Stages of which there is a photograph."""
    shown = {_stage_of(case, tile) for tile in case.tiles if tile.view not in RADIOGRAPH_VIEWS}
    return tuple(stage for stage in STAGE_WORDS if stage in shown)


_Cell = tuple[str, Picture | None, str]  # what it is, the picture, its name among the files


def _stage_of(case: PortfolioCase, tile: Picture) -> str:
    """Stage at which a photo was taken; the first of its day that is one."""
    stages = [visit.visit.stage for visit in case.record.visits if visit.visit.on == tile.on]
    return next((stage for stage in stages if stage in STAGE_WORDS), stages[0] if stages else "")


def _named(case: PortfolioCase, tile: Picture, what: str) -> _Cell:
    view = words.VIEW_WORDS.get(tile.view, words.plain(tile.view))
    seen = "" if tile.view == "stage" else f", {view}"
    return f"{what}{seen}, {month_of(case.record, tile.on)}", tile, f"{case_code(case)}-{case.tiles.index(tile)}.jpg"


def _stage_cells(case: PortfolioCase) -> list[_Cell]:
    cells: list[_Cell] = []
    photos = [tile for tile in case.tiles if tile.view not in RADIOGRAPH_VIEWS]
    for stage, what in STAGE_WORDS.items():
        found = [tile for tile in photos if _stage_of(case, tile) == stage]
        cells += [_named(case, tile, what) for tile in found] or [(what, None, "")]
    return cells


def _before_and_after(case: PortfolioCase) -> list[_Cell]:
    placed = case.record.restoration.placed_on
    taken = sorted((tile for tile in case.tiles if tile.view in RADIOGRAPH_VIEWS), key=lambda tile: tile.on)
    before, after = [tile for tile in taken if tile.on < placed], [tile for tile in taken if tile.on >= placed]
    first = _named(case, before[-1], "Before") if before else ("Before", None, "")
    last = [_named(case, after[-1], "Last")] if len(after) > 1 else []
    return [first, _named(case, after[0], "After") if after else ("After", None, ""), *last]


def _follow_up(case: PortfolioCase) -> list[_Cell]:
    """First and last photo of each view from baseline on, side by side."""
    cells: list[_Cell] = []
    since = baseline_of(case.record)
    for view in VIEWS:
        strip = sorted((t for t in case.tiles if t.view == view and t.on >= since and _in_use(case, t)), key=lambda tile: tile.on)
        if view in (*RADIOGRAPH_VIEWS, "stage") or not strip:
            continue
        first = "Baseline" if strip[0].on == since else "First"
        cells += [_named(case, strip[0], first), _named(case, strip[-1], "Last") if len(strip) > 1 else ("Follow-up", None, "")]
    return cells or [("Baseline", None, ""), ("Follow-up", None, "")]


def _in_use(case: PortfolioCase, tile: Picture) -> bool:
    return any(visit.visit.on == tile.on and visit.visit.stage in _IN_USE for visit in case.record.visits)


def _plate(name: str, title: str, cells: Sequence[_Cell], columns: int, files: Files) -> dict[str, Any]:
    shown = [tile for _, tile, _ in cells if tile is not None]
    columns = min(columns, len(cells))
    px_per_mm = next((tile.px_per_mm for tile in shown if tile.px_per_mm), 36.0)
    if max((tile.width_px for tile in shown), default=0) / px_per_mm * LARGEST_ENLARGEMENT > (WIDTH_MM - 3 * GAP_MM) / 4:
        columns = min(columns, 3 - columns % 2)  # pairs stay beside one another
    room = (WIDTH_MM - GAP_MM * (columns - 1)) / columns
    enlargement = min([LARGEST_ENLARGEMENT, *(room / (tile.width_px / px_per_mm) for tile in shown)])
    mm_per_px = enlargement / px_per_mm
    widest = max([_LEAST_MM, *(tile.width_px * mm_per_px for tile in shown)])
    lowest = min([30.0, *(tile.height_px * mm_per_px for tile in shown)]) if shown else 16.0
    made = []
    for what, tile, file in cells:
        if tile is not None:
            files[file] = tile.jpeg
        size = (widest, lowest) if tile is None else (tile.width_px * mm_per_px, tile.height_px * mm_per_px)
        scale = "" if tile is None else tile.alt.rpartition("; ")[2]
        made.append({"photo": file or None, "words": what, "alt": f"{what}; {scale}" if tile else f"{what}: no photograph",
                     "width_mm": size[0], "height_mm": size[1], "scale": tile is None or tile.px_per_mm is not None})  # fmt: skip
    return {"name": name, "title": title, "enlargement": enlargement, "columns": columns, "column_mm": widest, "cells": made}
