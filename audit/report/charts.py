"""Charts of one record as Vega-Lite specifications: they place what was computed elsewhere and compute nothing."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any, Literal, NamedTuple

import altair as alt
import pandas as pd

from audit.core.dates import months_between
from audit.core.outcome import ToothRecord
from audit.core.vocabulary import MEASURANDS
from audit.report import tables
from audit.report.document import Report
from audit.report.limits import DIFFERENT_METHOD, PublishedLimit, limits_for
from audit.report.words import STATUS_WORDS, UNIT_WORDS, VIEW_WORDS, amount, event_words, interval, measurand_words, reading_words

__all__ = ["Chart", "charts"]

_STATUSES = ("measured", "detected", "below_detection", "refused")
_COLOURS = {"measured": "#1b5e8a", "detected": "#b35900", "below_detection": "#5b6770", "refused": "#8a3b5c"}
_SHAPES = {"measured": "circle", "detected": "diamond", "below_detection": "triangle-down", "refused": "M-.7,-.7L.7,.7M-.7,.7L.7,-.7"}
_INK, _QUIET, _GRID, _LIMIT, _EVENT = "#22303a", "#5d6b75", "#e6eaec", "#6f6250", "#5d4a86"
_WIDTH, _HEIGHT, _MARGIN = 500, 210, 150
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
    points = _points(record, rows, unit, factor) + [
        {"months": months, "status": STATUS_WORDS["refused"]} for months in sorted(set(misses["months"]))
    ]
    low = min(0.0, float(rows["low"].min()) * factor)
    high = max([float(rows["high"].max()) * factor] + [one.value * 1.15 for one in limits]) or 1.0
    top = high + 0.14 * (high - low)
    x = _time_axis(record, points)
    y = alt.Scale(domain=[low if low == 0 else low - 0.1 * (high - low), top], nice=False)
    layers = [*_limit_layers(limits, y), *_event_layers(record, x), *_reading_layers(points, x, y, UNIT_WORDS.get(unit, unit))]
    chart = alt.layer(*layers).properties(
        width=_WIDTH - (_MARGIN if limits else 0),
        height=_HEIGHT,
        title=alt.TitleParams(title, anchor="start", subtitle=_subtitle(unit, limits)),
    )
    chart = chart.resolve_scale(color="shared", shape="shared")
    text = _alt(title, rows, misses, limits)
    return Chart(title, _configured(chart).to_dict(), text)


def _points(record: ToothRecord, rows: pd.DataFrame, unit: str, factor: float) -> list[dict[str, Any]]:
    """The readings as plain rows; the first, the baseline and the last measured bear their number, all others that are not measured too."""
    measured = rows[rows["status"] == "measured"]
    labelled = {record.baseline_on, *(measured["on"].iloc[:1]), *(measured["on"].iloc[-1:])}
    points = []
    for row in rows.to_dict("records"):
        status = str(row["status"])
        value = row["value"] * factor if status == "measured" else None
        label = {
            "measured": amount(row["value"], unit, row["u"]) if status == "measured" and row["on"] in labelled else "",
            "detected": interval(row["low"], row["high"], unit),
            "below_detection": f"under {amount(row['high'], unit)}",
        }[status]
        points.append(
            {
                "months": row["months"], "on": row["on"], "status": STATUS_WORDS[status], "value": value, "low": row["low"] * factor,
                "high": row["high"] * factor, "label": label, "episode": sum(event.on <= row["on"] for event in record.events),
                "words": reading_words(status, row["value"], row["u"], row["low"], row["high"], unit),
            }
        )  # fmt: skip
    return points


def _time_axis(record: ToothRecord, points: list[dict[str, Any]]) -> alt.X:
    stops = sorted({round(point["months"]) for point in points})
    last = max([*stops, 1, *(months_between(record.restoration.placed_on, event.on) for event in record.events)])
    axis = alt.Axis(values=stops, format="d", labelOverlap="greedy", grid=False, title="months since placement")
    return alt.X("months:Q", scale=alt.Scale(domain=[-0.06 * last, 1.1 * last], nice=False), axis=axis)


def _limit_layers(limits: list[PublishedLimit], y: alt.Scale) -> list[alt.Chart]:
    """Dashed lines, named in the right margin where no reading can lie under the words."""
    layers = []
    for place, one in enumerate(limits):
        data = alt.InlineData(
            values=[{"limit": one.value, "label": "\n".join([one.label, *DIFFERENT_METHOD.replace(", ", ",|").split("|")])}]
        )
        base = alt.Chart(data).encode(y=alt.Y("limit:Q", scale=y))
        dy = -18 if len(limits) == 1 else -36 if place else 0
        label = base.mark_text(align="left", baseline="top", dx=6, dy=dy, fontSize=10.5, color=_LIMIT, lineHeight=13, lineBreak="\n")
        layers += [base.mark_rule(strokeDash=[6, 4], color=_LIMIT, strokeWidth=1.2), label.encode(x=alt.value("width"), text="label:N")]
    return layers


def _event_layers(record: ToothRecord, x: alt.X) -> list[alt.Chart]:
    """Dotted upright lines, named above the plot."""
    if not record.events:
        return []
    placed = record.restoration.placed_on
    events: list[dict[str, Any]] = [
        {"months": round(months_between(placed, event.on), 1), "label": event_words(event.kind)} for event in record.events
    ]
    base = alt.Chart(alt.InlineData(values=events)).encode(x=x)
    last = max((visit.months for visit in record.visits), default=0.0)
    side: Literal["left", "right"] = "right" if float(events[0]["months"]) > 0.55 * last else "left"
    text = base.mark_text(align=side, baseline="bottom", dy=-4, fontSize=11, color=_EVENT, fontStyle="italic")
    return [base.mark_rule(color=_EVENT, strokeWidth=1.2, strokeDash=[2, 2]), text.encode(y=alt.value(0), text="label:N")]


def _reading_layers(points: list[dict[str, Any]], x: alt.X, y: alt.Scale, unit: str) -> list[alt.Chart]:
    used = [status for status in _STATUSES if any(p["status"] == STATUS_WORDS[status] for p in points)]
    words = [STATUS_WORDS[status] for status in used]
    legend = alt.Legend(title=None, orient="bottom", symbolSize=90, labelFontSize=12, columnPadding=18)
    colour = alt.Color("status:N", scale=alt.Scale(domain=words, range=[_COLOURS[s] for s in used]), legend=legend)
    shape = alt.Shape("status:N", scale=alt.Scale(domain=words, range=[_SHAPES[s] for s in used]), legend=legend)
    base = alt.Chart(alt.InlineData(values=points)).encode(x=x)

    def at(field: str) -> alt.Y:
        return alt.Y(f"{field}:Q", scale=y, title=unit, axis=alt.Axis(tickCount=5))

    of = {status: f"datum.status == '{STATUS_WORDS[status]}'" for status in _STATUSES}
    tooltip = [alt.Tooltip("on:N", title="visit"), alt.Tooltip("words:N", title="reading")]
    line = base.transform_filter(of["measured"]).mark_line(color="#9fb3c0", strokeWidth=1.2).encode(y=at("value"), detail="episode:N")
    bar = base.transform_filter("isValid(datum.low)").mark_rule(strokeWidth=2).encode(y=at("low"), y2="high:Q", color=colour)
    full = base.transform_filter(of["measured"]).mark_point(filled=True, size=70, opacity=1)
    ends, under = (
        base.transform_filter(of[status]).mark_point(filled=False, fill="white", size=75, opacity=1, strokeWidth=2)
        for status in ("detected", "below_detection")
    )
    cross = base.transform_filter(of["refused"]).mark_point(size=70, strokeWidth=2, opacity=1)
    return [
        *_labels(base.encode(y=at("high"))), line, bar,
        full.encode(y=at("value"), color=colour, shape=shape, tooltip=tooltip),
        ends.encode(y=at("low"), color=colour, shape=shape), ends.encode(y=at("high"), color=colour, shape=shape, tooltip=tooltip),
        under.encode(y=at("high"), color=colour, shape=shape, tooltip=tooltip),
        cross.encode(y=alt.value({"expr": "height - 8"}), color=colour, shape=shape),
    ]  # fmt: skip


def _labels(base: alt.Chart) -> list[alt.Chart]:
    """Words above the bars, on a white edge so that lines behind do not cross them."""
    text = base.transform_filter("isValid(datum.label) && datum.label != ''").encode(text="label:N")
    return [
        text.mark_text(align="center", baseline="bottom", dy=-9, fontSize=11.5, stroke="white", strokeWidth=4),
        text.mark_text(align="center", baseline="bottom", dy=-9, fontSize=11.5, color=_INK),
    ]


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


def _configured(chart: alt.LayerChart) -> Any:
    font = "system-ui, -apple-system, 'Segoe UI', 'Liberation Sans', 'DejaVu Sans', sans-serif"
    return (
        chart.configure(font=font, background="transparent", padding=6, autosize="pad")
        .configure_view(stroke=None)
        .configure_axis(gridColor=_GRID, domainColor="#aab4ba", tickColor="#aab4ba", labelColor=_QUIET, titleColor=_QUIET,
                        labelFontSize=11.5, titleFontSize=11.5, titleFontWeight="normal")
        .configure_title(fontSize=14, fontWeight=600, color=_INK, subtitleColor=_QUIET, subtitleFontSize=11.5, offset=22)
        .configure_legend(labelColor=_INK, symbolStrokeWidth=2)
    )  # fmt: skip
