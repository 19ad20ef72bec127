"""Tidy tables and words: nothing is lost, nothing is invented, nothing is rounded before storage."""

from __future__ import annotations

import io

import fakes
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.report import tables
from audit.report.document import first_page, refusal_groups
from audit.report.words import amount, interval, is_sound, reading_words


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


def test_what_is_not_sound_comes_first_and_what_was_not_examined_apart() -> None:
    first = first_page(fakes.rich_record())
    assert [line.sound for line in first.findings] == [False] + [True] * 5
    assert first.findings[0].answer == "catches"
    assert first.not_examined == ("pulp test",)


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
