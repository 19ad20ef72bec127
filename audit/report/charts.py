"""Charts of one record as Vega-Lite specifications: they place what was computed elsewhere and compute nothing.

The specifications are written out as plain mappings: a few milliseconds each, on page and paper the same.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import pandas as pd

from audit.core.dates import months_between
from audit.core.limits import DIFFERENT_METHOD, PublishedLimit, limits_for
from audit.core.outcome import ToothRecord
from audit.report import tables
from audit.report.document import Report
from audit.report.words import (
    STATUS_WORDS,
    UNIT_WORDS,
    VIEW_WORDS,
    amount,
    brief_words,
    event_words,
    interval,
    measurand_words,
    plain,
    reading_words,
    under,
)  # fmt: skip

__all__ = ["PAPER", "SCREEN", "Chart", "Drawn", "Look", "charts", "read_once"]

_STATUSES = ("measured", "detected", "below_detection", "refused")
_COLOURS = {"measured": "#1b5e8a", "detected": "#b35900", "below_detection": "#5b6770", "refused": "#8a3b5c"}
_FILLS = {**_COLOURS, "detected": "white", "below_detection": "white"}
_SHAPES = {"measured": "circle", "detected": "diamond", "below_detection": "triangle-down", "refused": "M-.7,-.7L.7,.7M-.7,.7L.7,-.7"}
_INK, _QUIET, _GRID, _LIMIT, _EVENT = "#22303a", "#5d6b75", "#e6eaec", "#6f6250", "#5d4a86"
_MARGIN = 110  # for the names of published figures
_LETTER_PX = 6.6  # of a label, at its font size
_NOT_CHARTED = frozenset({"facial_surface_area", "assessed_margin_length"})
# in the order in which a reader wants them; a site of the metal is a bevel
_BEVEL = "bevel"
_ORDER = (
    "visible_metal_height", "visible_metal_area", _BEVEL, "widest_marginal_opening", "mean_marginal_opening", "margin_to_gingiva",
    "radiographic_step", "widest_radiographic_gap", "radiographic_gap_width", "margin_to_crest", "perforation_area",
    "visible_metal_fraction", "visible_metal_extent", "continuous_margin_fraction",
)  # fmt: skip
# says nothing beside its widest where nothing was resolved
_WIDEST = {"mean_marginal_opening": "widest_marginal_opening", "radiographic_gap_width": "widest_radiographic_gap"}


class Look(NamedTuple):
    """Size of the plots, in px of a screen whose labels are 11.5 px high, and room beside the readings, as parts of their span."""

    width: int
    height: int
    room: tuple[float, float]
    room_beside_limits: tuple[float, float]


SCREEN, PAPER = Look(500, 210, (0.07, 1.1), (0.12, 1.16)), Look(370, 130, (0.16, 1.14), (0.26, 1.26))


class Drawn(NamedTuple):
    """What a plot shows, ready to be placed: a brief name, both axes, and rows of readings, published figures and events."""

    brief: str
    unit: str
    x_domain: list[float]
    x_stops: list[int]
    y_domain: list[float]
    readings: list[dict[str, Any]]
    limits: list[dict[str, Any]]
    events: list[dict[str, Any]]


class Chart(NamedTuple):
    """A chart: its title, its Vega-Lite specification, its content in a sentence, and what it shows as plain rows."""

    title: str
    spec: dict[str, Any]
    alt: str
    drawn: Drawn


def charts(report: Report, look: Look = SCREEN) -> list[Chart]:
    """One chart for each measurand, view and site that was read at two visits or more, the most telling first."""
    refused = tables.refusals(report.record)
    groups = {key: rows for key, rows in _groups(report.series).items() if rows["on"].nunique() > 1}
    made = []
    for (measurand, view, site), rows in groups.items():
        widest = (_WIDEST.get(measurand, ""), view, site)
        if widest in groups and (rows["status"] == "below_detection").all():
            continue
        misses = refused[(refused["measurand"] == measurand) & (refused["view"] == view) & ~refused["on"].isin(rows["on"])]
        made.append(_chart(report.record, (measurand, view, site), rows, misses, look))
    return made


def read_once(report: Report) -> list[str]:
    """Title and reading of each series that was read at one visit only, and so is not drawn."""
    told = []
    for key, rows in _groups(report.series).items():
        if rows["on"].nunique() == 1:
            row = rows.iloc[-1]
            reading = reading_words(row["status"], row["value"], row["u"], row["low"], row["high"], row["unit"], row["measurand"])
            told.append(f"{_title(*key)}: {reading} on {row['on']}")
    return told


def _groups(series: pd.DataFrame) -> dict[tuple[str, str, str], pd.DataFrame]:
    kept = series[~series["measurand"].isin(_NOT_CHARTED)]
    keys = sorted(set(zip(kept["measurand"], kept["view"], kept["site"], strict=True)), key=_place)
    groups = {}
    for measurand, view, site in keys:
        rows = kept[(kept["measurand"] == measurand) & (kept["view"] == view) & (kept["site"] == site)]
        groups[measurand, view, site] = rows.sort_values("months")
    return groups


def _place(key: tuple[str, str, str]) -> tuple[int, str, str]:
    measurand, view, site = key
    name = _BEVEL if measurand == "visible_metal_height" and site else measurand
    return _ORDER.index(name) if name in _ORDER else len(_ORDER), view, site


def _title(measurand: str, view: str, site: str) -> str:
    where = ", ".join(filter(None, (VIEW_WORDS.get(view, view), plain(site) if site != view else "")))
    words = measurand_words(measurand)
    return f"{words[:1].upper()}{words[1:]}, {where}"


def _chart(record: ToothRecord, key: tuple[str, str, str], rows: pd.DataFrame, misses: pd.DataFrame, look: Look) -> Chart:
    unit = str(rows["unit"].iloc[0])
    factor = 100.0 if unit == "1" else 1.0
    limits = limits_for(key[0], float(rows["high"].max()))
    title = _title(*key)
    refused = [{"months": months, "status": STATUS_WORDS["refused"]} for months in sorted(set(misses["months"]))]
    points = _points(record, rows, unit, factor)
    low = min(0.0, float(rows["low"].min()) * factor)
    high = max([float(rows["high"].max()) * factor] + [one.value * 1.15 for one in limits]) or 1.0
    y_domain = [low if low == 0 else low - 0.1 * (high - low), high + 0.14 * (high - low)]
    events = _events(record)
    width = look.width - (_MARGIN if limits else 0)
    x = _time_axis(points + refused, events, look.room_beside_limits if limits else look.room)
    first, last = x["scale"]["domain"]
    points = _thinned(points, width / (last - first)) + refused
    spec = {
        "title": {"text": title, "anchor": "start", "subtitle": _subtitle(unit, limits)},
        "width": width,
        "height": look.height,
        "datasets": {"readings": points, "limits": _limits(limits), "events": events},
        "data": {"name": "readings"},
        "layer": (_limit_layers(y_domain) if limits else []) + [
            {**layer, "encoding": {"x": x, **layer.get("encoding", {})}}
            for layer in (_event_layers(record, events) if events else []) + _reading_layers(points, y_domain, UNIT_WORDS.get(unit, unit))
        ],
        "config": _CONFIG,
    }  # fmt: skip
    drawn = Drawn(
        brief_words(*key), UNIT_WORDS.get(unit, unit), [first, last], x["axis"]["values"], y_domain, points, _limits(limits), events
    )
    return Chart(title, spec, _alt(title, rows, misses, limits), drawn)


def _points(record: ToothRecord, rows: pd.DataFrame, unit: str, factor: float) -> list[dict[str, Any]]:
    """The readings as plain rows, in the unit of the axis."""
    points = []
    for row in rows.to_dict("records"):
        status = str(row["status"])
        label = {
            "measured": amount(row["value"], unit, row["u"]) if status == "measured" else "",
            "detected": interval(row["low"], row["high"], unit),
            "below_detection": under(row["high"], unit),
        }[status]
        points.append(
            {
                "months": row["months"], "on": row["on"], "status": STATUS_WORDS[status],
                "value": row["value"] * factor if status == "measured" else None, "low": row["low"] * factor, "high": row["high"] * factor,
                "label": label, "episode": _episode(record, str(row["on"])),
                "words": reading_words(status, row["value"], row["u"], row["low"], row["high"], unit, row["measurand"]),
            }
        )  # fmt: skip
    return points


def _episode(record: ToothRecord, on: str) -> int:
    """How many interventions came before the tooth was seen: a recall on the day of one shows it as it was before."""
    afresh = any(visit.visit.on == on and visit.visit.stage in ("placement", "baseline") for visit in record.visits)
    return sum(event.on < on or (event.on == on and afresh) for event in record.events)


def _thinned(points: list[dict[str, Any]], px_per_month: float) -> list[dict[str, Any]]:
    """The points with the labels of the last, the first, the highest and the lowest kept, each where it has room beside the others."""
    heights = [point["high"] if point["value"] is None else point["value"] for point in points]
    wanted = (len(points) - 1, 0, heights.index(max(heights)), heights.index(min(heights)))
    kept: list[int] = []
    for place in wanted:
        if all(_apart(points[place], points[other], px_per_month) for other in kept):
            kept.append(place)
    return [{**point, "label": point["label"] if place in kept else ""} for place, point in enumerate(points)]


def _apart(one: dict[str, Any], other: dict[str, Any], px_per_month: float) -> bool:
    wide = 0.5 * _LETTER_PX * (len(one["label"]) + len(other["label"]))
    return bool(abs(one["months"] - other["months"]) * px_per_month >= wide + _LETTER_PX)


def _events(record: ToothRecord) -> list[dict[str, Any]]:
    placed = record.restoration.placed_on
    return [{"months": round(months_between(placed, event.on), 1), "label": event_words(event.kind)} for event in record.events]


def _limits(limits: list[PublishedLimit]) -> list[dict[str, Any]]:
    """Rows with the label broken into lines; the upper of two labels stands above its line, the lower below."""
    words = DIFFERENT_METHOD.replace(", ", ",\n")
    shift = [-18] if len(limits) == 1 else [0, *[-36] * (len(limits) - 1)]
    return [{"limit": one.value, "label": f"{one.label}\n{words}", "dy": dy} for one, dy in zip(limits, shift, strict=False)]


def _time_axis(points: list[dict[str, Any]], events: list[dict[str, Any]], room: tuple[float, float]) -> dict[str, Any]:
    stops = sorted({round(point["months"]) for point in points})
    last = max([*stops, 1, *(event["months"] for event in events)])
    axis = {"values": stops, "format": "d", "labelOverlap": "greedy", "grid": False, "title": "months since placement"}
    return {"field": "months", "type": "quantitative", "scale": {"domain": [-room[0] * last, room[1] * last], "nice": False}, "axis": axis}


def _limit_layers(y_domain: list[float]) -> list[dict[str, Any]]:
    """Dashed lines, named in the right margin where no reading can lie under the words."""
    y = {"field": "limit", "type": "quantitative", "scale": {"domain": y_domain, "nice": False}}
    text = {"type": "text", "align": "left", "baseline": "top", "dx": 6, "dy": {"expr": "datum.dy"}, "fontSize": 10.5, "color": _LIMIT,
            "lineHeight": 13, "lineBreak": "\n"}  # fmt: skip
    rule = {"type": "rule", "strokeDash": [6, 4], "color": _LIMIT, "strokeWidth": 1.2}
    data = {"name": "limits"}
    return [
        {"data": data, "mark": rule, "encoding": {"y": y}},
        {"data": data, "mark": text, "encoding": {"x": {"value": "width"}, "y": y, "text": {"field": "label"}}},
    ]


def _event_layers(record: ToothRecord, events: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Dotted upright lines, named above the plot."""
    last = max((visit.months for visit in record.visits), default=0.0)
    side = "right" if events[0]["months"] > 0.55 * last else "left"
    rule = {"type": "rule", "color": _EVENT, "strokeWidth": 1.2, "strokeDash": [2, 2]}
    text = {"type": "text", "align": side, "baseline": "bottom", "dy": -4, "fontSize": 11, "color": _EVENT, "fontStyle": "italic"}
    data = {"name": "events"}
    return [
        {"data": data, "mark": rule},
        {"data": data, "mark": text, "encoding": {"y": {"value": 0}, "text": {"field": "label"}}},
    ]


def _reading_layers(points: list[dict[str, Any]], y_domain: list[float], unit: str) -> list[dict[str, Any]]:
    used = [status for status in _STATUSES if any(point["status"] == STATUS_WORDS[status] for point in points)]
    legend = {"title": None, "orient": "bottom", "symbolSize": 90, "labelFontSize": 12, "columnPadding": 18}

    def by_status(values: dict[str, str]) -> dict[str, Any]:
        scale = {"domain": [STATUS_WORDS[status] for status in used], "range": [values[status] for status in used]}
        return {"field": "status", "type": "nominal", "scale": scale, "legend": legend}

    def at(field: str) -> dict[str, Any]:
        scale = {"domain": y_domain, "nice": False}
        return {"field": field, "type": "quantitative", "scale": scale, "title": unit, "axis": {"tickCount": 5}}

    def marks(status: str, y: dict[str, Any]) -> dict[str, Any]:
        channels = {"stroke": by_status(_COLOURS), "fill": by_status(_FILLS), "shape": by_status(_SHAPES)}
        return {
            "transform": [_only(status)],
            "mark": _POINT,
            "encoding": {"y": y, **channels, "tooltip": _TOOLTIP},
        }

    words = {"type": "text", "align": "center", "baseline": "bottom", "dy": -9, "fontSize": 11.5}
    labels = {"transform": [{"filter": "isValid(datum.label) && datum.label != ''"}]}
    text = {"y": at("high"), "text": {"field": "label"}}
    line = {"type": "line", "color": "#9fb3c0", "strokeWidth": 1.2}
    return [
        {**labels, "mark": {**words, "stroke": "white", "strokeWidth": 4}, "encoding": text},
        {**labels, "mark": {**words, "color": _INK}, "encoding": text},
        {"transform": [_only("measured")], "mark": line, "encoding": {"y": at("value"), "detail": {"field": "episode"}}},
        {"transform": [{"filter": "isValid(datum.low)"}], "mark": {"type": "rule", "strokeWidth": 2},
         "encoding": {"y": at("low"), "y2": {"field": "high"}, "stroke": by_status(_COLOURS)}},
        marks("measured", at("value")),
        marks("detected", at("low")), marks("detected", at("high")),
        marks("below_detection", at("high")),
        marks("refused", {"value": {"expr": "height - 8"}}),
    ]  # fmt: skip


def _only(status: str) -> dict[str, str]:
    return {"filter": f"datum.status == '{STATUS_WORDS[status]}'"}


_POINT = {"type": "point", "opacity": 1, "strokeWidth": 2, "size": 70}
_TOOLTIP = [{"field": "on", "type": "nominal", "title": "visit"}, {"field": "words", "type": "nominal", "title": "reading"}]
_CONFIG = {
    "font": "system-ui, -apple-system, 'Segoe UI', 'Liberation Sans', 'DejaVu Sans', sans-serif",
    "background": "transparent",
    "padding": 6,
    "view": {"stroke": None},
    "axis": {
        "gridColor": _GRID, "domainColor": "#aab4ba", "tickColor": "#aab4ba", "labelColor": _QUIET, "titleColor": _QUIET,
        "labelFontSize": 11.5, "titleFontSize": 11.5, "titleFontWeight": "normal", "titlePadding": 10,
    },
    "title": {"fontSize": 14, "fontWeight": 600, "color": _INK, "subtitleColor": _QUIET, "subtitleFontSize": 11.5, "offset": 22},
    "legend": {"labelColor": _INK, "symbolStrokeWidth": 2},
}  # fmt: skip


def _subtitle(unit: str, limits: list[PublishedLimit]) -> str:
    words = f"{UNIT_WORDS.get(unit, unit)}; bars are 95 % intervals"
    return words + ("; dashed: published figure" if limits else "")


def _alt(title: str, rows: pd.DataFrame, misses: pd.DataFrame, limits: list[PublishedLimit]) -> str:
    lines = [
        f"{row['on']}: {reading_words(row['status'], row['value'], row['u'], row['low'], row['high'], row['unit'], row['measurand'])}"
        for row in rows.to_dict("records")
        if not (row["status"] == "measured" and math.isnan(row["value"]))
    ]
    lines += [f"{on}: refused" for on in dict.fromkeys(misses["on"])]
    lines += [f"published figure {one.label}, {DIFFERENT_METHOD}" for one in limits]
    return f"{title}. " + "; ".join(lines) + "."
