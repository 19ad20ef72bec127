"""Metal that newly shows or no longer does: area, share, height and extent tell one story."""

from __future__ import annotations

from collections.abc import Mapping

import pytest
from invented_history import BASELINE, RECALL, measured, photo, visit

from audit.analysis.change import changes
from audit.core.outcome import Change
from audit.core.quantity import Quantity
from audit.core.records import Reading

UNITS = {"visible_metal_area": "mm2", "visible_metal_fraction": "1", "visible_metal_height": "mm", "visible_metal_extent": "mm"}
BAND = {"visible_metal_area": (2.9, 0.15), "visible_metal_fraction": (0.047, 0.002), "visible_metal_height": (0.49, 0.045),
        "visible_metal_extent": (8.3, 0.18)}  # fmt: skip
LIMITS = {"visible_metal_area": 3.3, "visible_metal_fraction": 0.049, "visible_metal_height": 0.16, "visible_metal_extent": 10.0}


def band(scale: float = 1.0) -> list[Reading]:
    return [measured(value * scale, u, name, UNITS[name]) for name, (value, u) in BAND.items()]


def none_seen(limits: Mapping[str, float] = LIMITS) -> list[Reading]:
    return [
        Reading(n, UNITS[n], "below_detection", None, (0.0, top), "m@1", Quantity(0.0, UNITS[n], {f"boundary/{n}": top / 1.96}))
        for n, top in limits.items()
    ]


def told(before: list[Reading], now: list[Reading]) -> dict[str, Change]:
    found = changes((visit(BASELINE, photo(*before, name="a")), visit(RECALL, photo(*now, name="b"))))
    return {change.measurand: change for change in found}


@pytest.mark.parametrize("came", [True, False])
@pytest.mark.parametrize("height_limit", [0.16, 0.40])
def test_an_extent_is_never_held_against_none_seen(came: bool, height_limit: float) -> None:
    """A line thinner than the limit of height can have any extent: its limit is the tooth, which is no limit."""
    empty = none_seen(LIMITS | {"visible_metal_height": height_limit})
    extent = told(*((empty, band()) if came else (band(), empty)))["visible_metal_extent"]
    assert extent.verdict == "cannot_tell" and extent.difference is None
    assert "a line too thin to be seen may have any extent" in extent.sentence and "no change" not in extent.sentence


def test_a_removed_band_is_changed_in_height_and_the_others_say_what_could_hide() -> None:
    found = told(band(), none_seen())
    assert found["visible_metal_height"].verdict == "changed"
    for name in ("visible_metal_area", "visible_metal_fraction"):
        assert found[name].verdict == "cannot_tell"
        assert "as much could lie along the edge of the tooth in a line too thin to be seen" in found[name].sentence


def test_no_measurand_says_no_change_where_one_image_shows_none_and_the_other_a_band() -> None:
    """Also where a change by itself is not discovered among all comparisons of the tooth."""
    for scale in (0.4, 0.8, 1.0, 1.2, 1.6, 2.5):
        for pair in ((band(scale), none_seen()), (none_seen(), band(scale))):
            assert {change.verdict for change in told(*pair).values()} <= {"changed", "cannot_tell"}


def test_none_seen_at_both_visits_gives_an_extent_no_limit_in_millimetres() -> None:
    extent = told(none_seen(), none_seen())["visible_metal_extent"]
    assert extent.verdict == "no_change_distinguishable" and extent.smallest_detectable is None
    assert "no metal seen at either visit" in extent.sentence and "mm" not in extent.brief
