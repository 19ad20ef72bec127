"""Charts of one record as Vega-Lite specifications: they place what was computed elsewhere and compute nothing.

The specifications are written out as plain mappings: a few milliseconds each, on page and paper the same.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any, NamedTuple

import pandas as pd

from audit.core.dates import months_between
from audit.core.limits import DIFFERENT_METHOD, PublishedLimit, limits_for
from audit.core.outcome import ToothRecord
from audit.core.vocabulary import MEASURANDS
from audit.report import tables
from audit.report.document import Report
from audit.report.words import STATUS_WORDS, UNIT_WORDS, VIEW_WORDS, amount, event_words, interval, measurand_words, reading_words

__all__ = ["Chart", "charts"]

_STATUSES = ("measured", "detected", "below_detection", "refused")
_COLOURS = {"measured": "#1b5e8a", "detected": "#b35900", "below_detection": "#5b6770", "refused": "#8a3b5c"}
_FILLS = {**_COLOURS, "detected": "white", "below_detection": "white"}
_SHAPES = {"measured": "circle", "detected": "diamond", "below_detection": "triangle-down", "refused": "M-.7,-.7L.7,.7M-.7,.7L.7,-.7"}
_INK, _QUIET, _GRID, _LIMIT, _EVENT = "#22303a", "#5d6b75", "#e6eaec", "#6f6250", "#5d4a86"
_WIDTH, _HEIGHT, _MARGIN = 500, 210, 110
_NOT_CHARTED = frozenset({"facial_surface_area", "assessed_margin_length"})


class Chart(NamedTuple):
    """A chart: its title, its Vega-Lite specification, and its content in a sentence."""

    title: str
    spec: dict[str, Any]
    alt: str


def charts(report: Report) -> list[Chart]:
    """One chart for each measurand, view and site that has a reading, in the order of the vocabulary."""
    refused = tables.refusals(report.record)
    made = []
    for (measurand, view, site), rows in _groups(report.series):
        misses = refused[(refused["measurand"] == measurand) & (refused["view"] == view)]
        made.append(_chart(report.record, measurand, view, site, rows, misses))
    return made


def _groups(series: pd.DataFrame) -> Iterator[tuple[tuple[str, str, str], pd.DataFrame]]:
    order = {name: place for place, name in enumerate(MEASURANDS)}
    kept = series[~series["measurand"].isin(_NOT_CHARTED)]
    keys = sorted(set(zip(kept["measurand"], kept["view"], kept["site"], strict=True)), key=lambda k: (order.get(k[0], 99), k[1:]))
    for measurand, view, site in keys:
        rows = kept[(kept["measurand"] == measurand) & (kept["view"] == view) & (kept["site"] == site)]
        yield (measurand, view, site), rows.sort_values("months")


def _chart(record: ToothRecord, measurand: str, view: str, site: str, rows: pd.DataFrame, misses: pd.DataFrame) -> Chart:
    unit = str(rows["unit"].iloc[0])
    factor = 100.0 if unit == "1" else 1.0
    limits = limits_for(measurand, float(rows["high"].max()))
    where = " ".join(filter(None, (VIEW_WORDS.get(view, view), site if site != view else "")))
    title = f"{measurand_words(measurand).capitalize()}, {where}"
    refused = [{"months": months, "status": STATUS_WORDS["refused"]} for months in sorted(set(misses["months"]))]
    points = _points(record, rows, unit, factor) + refused
    low = min(0.0, float(rows["low"].min()) * factor)
    high = max([float(rows["high"].max()) * factor] + [one.value * 1.15 for one in limits]) or 1.0
    y_domain = [low if low == 0 else low - 0.1 * (high - low), high + 0.14 * (high - low)]
    events = _events(record)
    x = _time_axis(points, events, 1.16 if limits else 1.1)
    spec = {
        "title": {"text": title, "anchor": "start", "subtitle": _subtitle(unit, limits)},
        "width": _WIDTH - (_MARGIN if limits else 0),
        "height": _HEIGHT,
        "datasets": {"readings": points, "limits": _limits(limits), "events": events},
        "data": {"name": "readings"},
        "layer": (_limit_layers(y_domain) if limits else []) + [
            {**layer, "encoding": {"x": x, **layer.get("encoding", {})}}
            for layer in (_event_layers(record, events) if events else []) + _reading_layers(points, y_domain, UNIT_WORDS.get(unit, unit))
        ],
        "config": _CONFIG,
    }  # fmt: skip
    return Chart(title, spec, _alt(title, rows, misses, limits))


def _points(record: ToothRecord, rows: pd.DataFrame, unit: str, factor: float) -> list[dict[str, Any]]:
    """The readings as plain rows, in the unit of the axis; those that have room bear their number."""
    labelled = _labelled(record, rows)
    points = []
    for place, row in enumerate(rows.to_dict("records")):
        status = str(row["status"])
        label = {
            "measured": amount(row["value"], unit, row["u"]) if status == "measured" else "",
            "detected": interval(row["low"], row["high"], unit),
            "below_detection": f"under {amount(row['high'], unit)}",
        }[status]
        points.append(
            {
                "months": row["months"], "on": row["on"], "status": STATUS_WORDS[status],
                "value": row["value"] * factor if status == "measured" else None, "low": row["low"] * factor, "high": row["high"] * factor,
                "label": label if place in labelled else "", "episode": sum(event.on <= row["on"] for event in record.events),
                "words": reading_words(status, row["value"], row["u"], row["low"], row["high"], unit),
            }
        )  # fmt: skip
    return points


def _labelled(record: ToothRecord, rows: pd.DataFrame) -> set[int]:
    """Places of the readings that are labelled: the last, the baseline, then every one that is not measured and has room."""
    months, status, on = list(rows["months"]), list(rows["status"]), list(rows["on"])
    room = 0.15 * max([*months, 1.0])
    wanted = [len(rows) - 1, *(k for k, day in enumerate(on) if day == record.baseline_on), 0]
    wanted += [k for k, word in enumerate(status) if word != "measured"]
    kept: list[int] = []
    for place in wanted:
        if all(abs(months[place] - months[other]) >= room for other in kept):
            kept.append(place)
    return set(kept)


def _events(record: ToothRecord) -> list[dict[str, Any]]:
    placed = record.restoration.placed_on
    return [{"months": round(months_between(placed, event.on), 1), "label": event_words(event.kind)} for event in record.events]


def _limits(limits: list[PublishedLimit]) -> list[dict[str, Any]]:
    """Rows with the label broken into lines; the upper of two labels stands above its line, the lower below."""
    words = DIFFERENT_METHOD.replace(", ", ",\n")
    shift = [-18] if len(limits) == 1 else [0, *[-36] * (len(limits) - 1)]
    return [{"limit": one.value, "label": f"{one.label}\n{words}", "dy": dy} for one, dy in zip(limits, shift, strict=False)]


def _time_axis(points: list[dict[str, Any]], events: list[dict[str, Any]], room: float) -> dict[str, Any]:
    stops = sorted({round(point["months"]) for point in points})
    last = max([*stops, 1, *(event["months"] for event in events)])
    axis = {"values": stops, "format": "d", "labelOverlap": "greedy", "grid": False, "title": "months since placement"}
    return {"field": "months", "type": "quantitative", "scale": {"domain": [-0.06 * last, room * last], "nice": False}, "axis": axis}


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
        "labelFontSize": 11.5, "titleFontSize": 11.5, "titleFontWeight": "normal",
    },
    "title": {"fontSize": 14, "fontWeight": 600, "color": _INK, "subtitleColor": _QUIET, "subtitleFontSize": 11.5, "offset": 22},
    "legend": {"labelColor": _INK, "symbolStrokeWidth": 2},
}  # fmt: skip


def _subtitle(unit: str, limits: list[PublishedLimit]) -> str:
    words = f"{UNIT_WORDS.get(unit, unit)}; bars are 95 % intervals"
    return words + ("; dashed: published figure" if limits else "")


def _alt(title: str, rows: pd.DataFrame, misses: pd.DataFrame, limits: list[PublishedLimit]) -> str:
    lines = [
        f"{row['on']}: {reading_words(row['status'], row['value'], row['u'], row['low'], row['high'], row['unit'])}"
        for row in rows.to_dict("records")
        if not (row["status"] == "measured" and math.isnan(row["value"]))
    ]
    lines += [f"{on}: refused" for on in dict.fromkeys(misses["on"])]
    lines += [f"published figure {one.label}, {DIFFERENT_METHOD}" for one in limits]
    return f"{title}. " + "; ".join(lines) + "."
