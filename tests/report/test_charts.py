"""Charts place what was computed elsewhere: shapes, words, bars and lines, and nothing is summed or averaged."""

from __future__ import annotations

import itertools
import json
import re
from dataclasses import replace
from typing import Any

import altair as alt
import fakes
import pytest

from audit.core.clinical import Event
from audit.core.limits import DIFFERENT_METHOD, LIMITS, limits_for
from audit.core.quantity import Quantity
from audit.core.records import Reading
from audit.report.charts import Chart, charts, read_once
from audit.report.document import Report, make_report
from audit.report.render import chart_svg


@pytest.fixture(scope="module")
def report() -> Report:
    return make_report(fakes.rich_record())


@pytest.fixture(scope="module")
def drawn(report: Report) -> dict[str, Chart]:
    return {chart.title: chart for chart in charts(report)}


def rows(chart: Chart) -> list[dict[str, Any]]:
    """All rows that a specification draws."""
    return [row for table in chart.spec["datasets"].values() for row in table]


def test_there_is_one_chart_for_each_measurand_view_and_site(drawn: dict[str, Chart]) -> None:
    assert list(drawn) == [
        "Height of the metal showing (projected), facial", "Widest marginal opening (projected), facial", "Margin to gingiva, facial",
        "Widest radiographic gap (lower bound), bitewing, mesial", "Margin to alveolar crest, bitewing",
        "Share of the facial surface that is metal, facial",
    ]  # fmt: skip


_BEVEL = ("site:mesiofacial_bevel",)


def test_a_bevel_is_drawn_by_itself() -> None:
    bevel = Reading.measured(
        "visible_metal_height", Quantity(4.0, "mm", {"t/x": 0.1}), "visible_metal@1", flags=("site:mesiofacial_bevel",)
    )
    made = {chart.title: chart for chart in charts(make_report(fakes.with_reading(fakes.rich_record(), bevel)))}
    titles = list(made)
    assert titles[:2] == [f"Height of the metal showing (projected), facial{site}" for site in ("", ", mesiofacial bevel")]
    whole, alone = ({row["value"] for row in rows(made[title]) if row.get("status") == "measured"} for title in titles[:2])
    assert alone == {4.0} and 4.0 not in whole


def test_a_series_of_one_visit_is_told_and_not_drawn() -> None:
    record = fakes.rich_record()
    once = make_report(replace(record, visits=record.visits[-1:]))
    assert charts(once) == []
    told = read_once(once)
    assert "Height of the metal showing (projected), facial: 0.43 mm (0.35 to 0.51 mm) on 2024-05-13" in told
    assert read_once(make_report(record)) == []


@pytest.mark.parametrize("status", ["below_detection", "detected"])
def test_a_mean_that_was_never_resolved_is_left_out_beside_its_widest(status: str) -> None:
    mean = Reading("mean_marginal_opening", "um", status, None, (0.0, 14.0), "margin_profile@1")
    made = {chart.title for chart in charts(make_report(fakes.with_reading(fakes.rich_record(), mean)))}
    assert ("Mean marginal opening (projected), facial" in made) == (status == "detected")


def test_the_specifications_are_valid_vega_lite(drawn: dict[str, Chart]) -> None:
    # checked against the schema that the altair package carries
    for chart in drawn.values():
        alt.Chart.from_dict(chart.spec, validate=True)


def test_no_chart_computes(drawn: dict[str, Chart]) -> None:
    for chart in drawn.values():
        text = json.dumps(chart.spec)
        for word in ("aggregate", "regression", "loess", '"bin"', "errorbar", "errorband", "boxplot",
                     "window", "calculate", "impute", "density"):  # fmt: skip
            assert word not in text


def test_points_carry_the_numbers_of_the_record(drawn: dict[str, Chart]) -> None:
    points = [row for row in rows(drawn["Height of the metal showing (projected), facial"]) if row.get("status") == "measured"]
    assert {row["on"]: row["value"] for row in points} == {on: pytest.approx(value) for on, (value, _) in fakes.HEIGHTS.items()}
    for row in points:
        value, u = fakes.HEIGHTS[row["on"]]
        assert (row["low"], row["high"]) == pytest.approx((value - 1.959964 * u, value + 1.959964 * u))


def test_below_detection_is_an_open_mark_with_a_bar_from_zero_and_no_value(drawn: dict[str, Chart]) -> None:
    points = [row for row in rows(drawn["Widest marginal opening (projected), facial"]) if row.get("status") == "below detection"]
    assert points
    for row in points:
        assert row["value"] is None and row["low"] == 0 and row["high"] == 62.0 and row["label"] in ("", "under 62 µm")
    assert points[0]["label"] == "under 62 µm"


def test_detected_lies_between_two_marks_and_has_no_value(drawn: dict[str, Chart]) -> None:
    (row,) = [row for row in rows(drawn["Widest marginal opening (projected), facial"]) if row.get("status") == "detected"]
    assert row["value"] is None and (row["low"], row["high"]) == (28.0, 96.0)


def test_refused_visits_are_marked(drawn: dict[str, Chart]) -> None:
    months = [row["months"] for row in rows(drawn["Height of the metal showing (projected), facial"]) if row.get("status") == "refused"]
    assert months == [12.4]


def test_published_figures_bear_the_words(drawn: dict[str, Chart]) -> None:
    labels = [row["label"].replace("\n", " ") for row in rows(drawn["Widest marginal opening (projected), facial"]) if "limit" in row]
    assert labels == [f"{label} {DIFFERENT_METHOD}" for label in ("120 µm, McLean 1971", "250 µm, Hickel 2010")]


def test_limits_are_the_published_ones() -> None:
    # McLean & von Fraunhofer 1971 (120 µm); Hickel et al. 2010, FDI criterion 6 (250 µm); Dtsch Zahnärztl Z 1995 (100 µm)
    assert [(one.measurand, one.value) for one in LIMITS] == [
        ("widest_marginal_opening", 120.0), ("widest_marginal_opening", 250.0), ("widest_radiographic_gap", 100.0),
    ]  # fmt: skip
    assert [one.value for one in limits_for("widest_marginal_opening", 60.0)] == [120.0]
    assert [one.value for one in limits_for("widest_marginal_opening", 130.0)] == [120.0, 250.0]
    assert limits_for("margin_to_gingiva", 1.0) == []


def test_events_are_upright_lines_with_their_words(drawn: dict[str, Chart]) -> None:
    events = [row for row in rows(drawn["Margin to gingiva, facial"]) if row.get("label") == "came off and was recemented"]
    assert [row["months"] for row in events] == [21.0]


def test_the_line_is_broken_at_an_event(drawn: dict[str, Chart]) -> None:
    points = [row for row in rows(drawn["Height of the metal showing (projected), facial"]) if row.get("status") == "measured"]
    assert {row["on"] < "2021-02-03": row["episode"] for row in points} == {True: 0, False: 1}


def test_the_drawing_has_a_title_and_a_description(drawn: dict[str, Chart]) -> None:
    chart = drawn["Widest marginal opening (projected), facial"]
    svg = chart_svg(chart, "c1")
    head = re.match(r'<svg role="img" aria-labelledby="c1-title c1-desc"', svg)
    assert head is not None
    assert '<title id="c1-title">Widest marginal opening (projected), facial</title>' in svg
    assert "2024-05-13: 168 µm (135 to 201 µm)" in svg
    assert "2020-05-19: refused" in svg
    for word in ("measured", "detected", "below detection", "refused"):
        assert f">{word}</text>" in svg
    assert "http" not in svg


def test_two_drawings_share_no_id(drawn: dict[str, Chart]) -> None:
    chart = drawn["Margin to gingiva, facial"]
    ids = [set(re.findall(r'\bid="([^"]+)"', chart_svg(chart, prefix))) for prefix in ("c1", "c2")]
    assert ids[0] and not ids[0] & ids[1]


def test_an_event_after_the_last_visit_lies_inside_the_plot() -> None:
    record = replace(fakes.rich_record(), events=(Event("M01-004", "2026-05-06", "extracted"),))
    chart = charts(make_report(record))[0]
    domains = re.findall(r'"domain": \[(-?[\d.]+), ([\d.]+)\]', json.dumps(chart.spec))
    assert max(float(high) for _, high in domains) > 84


_TEXT = re.compile(r'<text[^>]* text-anchor="middle" transform="translate\(([\d.]+),[\d.]+\)"[^>]*>([^<]+)</text>')


def _peak_beside_the_first() -> Chart:
    """The height of the metal with its highest reading one visit after the first, and its lowest one before the last."""
    report = make_report(fakes.rich_record())
    rows = report.series[(report.series["measurand"] == "visible_metal_height") & report.series["on"].isin(["2019-11-12", "2022-05-16"])]
    for place, value in zip(rows.index, (0.9, 0.1), strict=True):
        report.series.loc[place, ["value", "low", "high"]] = [value, value - 0.05, value + 0.05]
    return charts(report)[0]


def test_labels_do_not_overlap(drawn: dict[str, Chart]) -> None:
    # 0.6 em a letter is wider than the mean letter of the sans-serif fonts named; 11.5 px is the size of the labels
    for number, chart in enumerate([*drawn.values(), _peak_beside_the_first()]):
        words = {row["label"] for row in rows(chart) if row.get("status") and row.get("label")}
        placed = _TEXT.findall(chart_svg(chart, f"c{number}"))
        spans = sorted({(float(x) - 0.3 * 11.5 * len(text), float(x) + 0.3 * 11.5 * len(text)) for x, text in placed if text in words})
        assert len(spans) == len([row for row in rows(chart) if row.get("status") and row.get("label")])
        assert all(later[0] >= earlier[1] for earlier, later in itertools.pairwise(spans))


def test_the_first_and_the_last_reading_bear_their_number(drawn: dict[str, Chart]) -> None:
    for chart in drawn.values():
        points = [row for row in rows(chart) if row.get("status") and "label" in row]
        assert points[0]["label"] and points[-1]["label"]
