"""Tidy tables and words: nothing is lost, nothing is invented, nothing is rounded before storage."""

from __future__ import annotations

import io
from dataclasses import replace
from typing import Any

import fakes
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.core.clinical import Finding
from audit.core.outcome import Change
from audit.core.quantity import Quantity
from audit.core.records import Reading
from audit.core.vocabulary import is_sound
from audit.report import tables
from audit.report.document import refusal_groups
from audit.report.first_page import first_page
from audit.report.words import amount, interval, reading_words


def test_every_reading_is_one_row_with_its_numbers_unrounded() -> None:
    record = fakes.rich_record()
    table = tables.series(record)
    readings = [reading for visit in record.visits for photo in visit.photos for reading in photo.readings]
    assert len(table) == len(readings)
    assert list(table.columns) == list(tables.SERIES_COLUMNS)
    for row, reading in zip(table.to_dict("records"), readings, strict=True):
        assert (row["low"], row["high"]) == reading.interval95
        assert row["status"] == reading.status
        if reading.status == "measured":
            assert reading.value is not None
            assert row["value"] == reading.value.value and row["u"] == reading.value.u
        else:
            assert pd.isna(row["value"]) and pd.isna(row["u"])


def test_the_csv_reads_back_the_same() -> None:
    record = fakes.rich_record()
    table = tables.series(record)
    text_columns = dict.fromkeys(("flags", "site", "reference", "sha256"), str)
    empty = {name: [""] for name in ("value", "u")}
    back = pd.read_csv(io.StringIO(tables.to_csv([table])), dtype=text_columns, keep_default_na=False, na_values=empty)
    pd.testing.assert_frame_equal(back, table, check_dtype=False)


def test_tables_of_several_restorations_share_one_header() -> None:
    text = tables.to_csv([tables.findings(r) for r in (fakes.rich_record(), fakes.stable_record(), fakes.ended_record())])
    assert text.count("restoration,on,months") == 1
    assert text.count("M01-004") == len(tables.findings(fakes.rich_record()))


def test_empty_tables_keep_their_header() -> None:
    assert tables.to_csv([tables.refusals(fakes.stable_record())]) == ",".join(tables.REFUSAL_COLUMNS) + "\n"


def test_refusals_are_grouped_and_none_is_lost() -> None:
    (group,) = refusal_groups(fakes.rich_record())
    assert (group.code, group.count, len(group.measurands)) == ("no_reference", 3, 3)
    assert group.visits == ("2020-05-19, facial",)


def test_what_is_not_sound_stands_apart_and_the_rest_in_one_sentence_a_subject() -> None:
    record = fakes.rich_record()
    last = record.visits[-1]
    more = [Finding(fakes.CODE, last.visit.on, "explorer", "no_catch", surface, "E1") for surface in ("mesial", "distal")]
    more += [Finding(fakes.CODE, last.visit.on, "probing_depth_mm", "2", "mesial", "E1")]
    record = replace(record, visits=(*record.visits[:-1], replace(last, findings=(*last.findings, *more))))
    first = first_page(record)
    assert [(line.subject, line.surface, line.answer) for line in first.not_sound] == [("explorer", "facial", "catches")]
    assert first.otherwise == (
        "Retention: firm.", "Caries at the margin: none.", "Probing depth: 3 mm (facial), 2 mm (mesial).", "Bleeding: no.",
        "Uncovered cusp: intact.", "Explorer: no catch (mesial, distal).",
    )  # fmt: skip
    assert first.grades == ("Ryge: marginal adaptation bravo (given after measurements were seen).",)
    assert first.not_examined == ("pulp test",)


def test_no_answer_is_lost_on_page_one() -> None:
    found = fakes.rich_record().visits[-1].findings
    first = first_page(fakes.rich_record())
    answers = sum(sentence.count(",") + 1 for sentence in first.otherwise)
    assert len(first.not_sound) + answers + len(first.not_examined) == len(found)


def _change(value: float, smallest: float, **fields: Any) -> Change:
    record = fakes.rich_record()
    return replace(record.changes[0], difference=Quantity(value, "mm", {"x/y": 0.01}), smallest_detectable=smallest, **fields)


def test_what_would_be_a_change_by_itself_is_not_hidden_in_the_table() -> None:
    record = replace(fakes.rich_record(), changes=(_change(0.3, 0.2, sentence="Photograph it again."), _change(0.1, 0.2)))
    first = first_page(record)
    assert first.beyond_alone == ("Photograph it again.",)
    assert len(first.by_difference) == 1


def test_a_comparison_of_other_dates_or_basis_says_so() -> None:
    record = replace(fakes.rich_record(), changes=(_change(0.1, 0.2, baseline_on="2020-05-19", basis="posed_anew", brief="0.1 ± 0.2 mm"),))
    first = first_page(record)
    assert first.by_difference[0].numbers == "0.1 ± 0.2 mm; since 2020-05-19; photographs posed anew"
    assert "lower limit" not in first.half_width and "posed anew" in first.half_width
    assert "lower limit" in first_page(fakes.rich_record()).half_width


def test_the_share_of_metal_comes_last_and_bears_a_remark_where_the_gingiva_moved_too() -> None:
    share = _change(0.3, 0.1, measurand="visible_metal_fraction", verdict="changed", sentence="Share.")
    gingiva = _change(0.3, 0.1, measurand="margin_to_gingiva", verdict="changed", sentence="Gingiva.")
    first = first_page(replace(fakes.rich_record(), changes=(share, gingiva)))
    assert first.changed == ("Share.", "Gingiva.")[::-1] and first.share_of_metal
    assert not first_page(replace(fakes.rich_record(), changes=(share,))).share_of_metal


def test_a_change_said_under_needs_attention_is_counted_and_not_repeated() -> None:
    change = _change(0.3, 0.1, verdict="changed", sentence="Wider.")
    first = first_page(replace(fakes.rich_record(), changes=(change,), attention=("Wider.",)))
    assert (first.changed, first.changed_above) == ((), 1)


def test_a_site_in_the_flags_is_a_series_of_its_own() -> None:
    bevel = Reading.measured(
        "visible_metal_height", Quantity(0.4, "mm", {"tilt/x": 0.04}), "visible_metal@1", flags=("site:mesiofacial_bevel",)
    )
    table = tables.series(fakes.with_reading(fakes.rich_record(), bevel))
    heights = table[table["measurand"] == "visible_metal_height"]
    assert set(heights["site"]) == {"", "mesiofacial_bevel"}


@pytest.mark.parametrize(
    ("finding", "value", "sound"),
    [("explorer", "no_catch", True), ("explorer", "enters", False), ("probing_depth_mm", "7", True), ("retention", "not_examined", True)],
)
def test_only_listed_answers_are_judged(finding: str, value: str, sound: bool) -> None:
    assert is_sound(finding, value) is sound


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (amount(0.4234, "mm", 0.04), "0.42 mm"), (amount(168.4, "um", 17.0), "168 µm"), (amount(0.1134, "1", 0.008), "11.3 %"),
        (amount(-0.254, "mm", 0.05), "−0.25 mm"), (amount(-0.001, "mm", 0.05), "0.00 mm"), (amount(57.17, "mm2", 1.5), "57.2 mm²"),
        (interval(-0.1, 0.3, "mm"), "−0.10 to 0.30 mm"),
        (reading_words("below_detection", None, None, 0.0, 62.0, "um"), "below detection, under 62 µm"),
        (reading_words("below_detection", None, None, 0.0, 62.1, "um"), "below detection, under 63 µm"),
        (reading_words("below_detection", None, None, 0.0, 0.8502, "mm2"), "below detection, under 0.86 mm²"),
        (reading_words("below_detection", None, None, 0.0, 0.0121, "1"), "below detection, under 1.3 %"),
        (reading_words("detected", None, None, 28.0, 96.0, "um"), "detected, 28 to 96 µm"),
    ],
)  # fmt: skip
def test_numbers_in_words(words: str, expected: str) -> None:
    assert words == expected


@given(value=st.floats(-50, 50), u=st.floats(1e-4, 20), unit=st.sampled_from(["mm", "um", "mm2", "1", "deg"]))
def test_rounding_is_never_worse_than_the_uncertainty_or_the_finest_step(value: float, u: float, unit: str) -> None:
    shown = float(amount(value, unit, u).split()[0].replace("−", "-"))
    factor = 100.0 if unit == "1" else 1.0
    finest = {"um": 0.5, "1": 0.05}.get(unit, 0.005)
    assert abs(shown - value * factor) <= max(0.5 * u * factor, finest) + 1e-9
