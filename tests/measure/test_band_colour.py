"""Dark bands that colour tells from crevices, in scenes drawn without the project; and the share beside the openings."""

import numpy as np
import pytest
from slot_scenes import GOLD, Slot, draw
from test_slot_scenes import WHITE, read

from audit.measure.band_colour import BESIDE, COLOURED, coloured_or_beside
from audit.measure.reflections import MAY_BE_OPEN

OPENINGS = {"widest_marginal_opening", "mean_marginal_opening"}


def withheld(slot):
    """Whether no opening is claimed, and the share reaches up to the closed margin that was drawn."""
    readings, _ = read(slot)
    share = readings.get("continuous_margin_fraction")
    return not OPENINGS & readings.keys() and (share is None or share.interval95[1] > 0.98)


@pytest.mark.parametrize("metal", [tuple(GOLD), WHITE])
@pytest.mark.parametrize("aside", [3.0, 5.0])
def test_a_dark_band_with_metal_on_both_sides_is_no_opening(metal, aside):
    assert withheld(Slot(160, metal=metal, colour=tuple(0.06 * np.array(metal)), aside_px=aside, seed=3))


@pytest.mark.parametrize(("aside", "um"), [(-3.0, 120), (-3.0, 200), (-5.0, 120)])
def test_a_dark_crack_with_tooth_on_both_sides_is_no_opening(aside, um):
    assert withheld(Slot(um, aside_px=aside, seed=6))


@pytest.mark.parametrize("metal", [tuple(GOLD), WHITE])
def test_a_green_band_is_no_opening(metal):
    assert withheld(Slot(240, metal=metal, colour=(0.06, 0.20, 0.08), seed=4))


@pytest.mark.parametrize("metal", [tuple(GOLD), WHITE])
@pytest.mark.parametrize("colour", [(0.012, 0.008, 0.006), (0.08, 0.03, 0.02), (0.10, 0.085, 0.06)])
@pytest.mark.parametrize("um", [160, 300])
def test_a_crevice_black_bloody_or_lit_is_read_as_before(metal, colour, um):
    widest = read(Slot(um, metal=metal, colour=colour, seed=8))[0]["widest_marginal_opening"]
    assert widest.interval95[0] <= um <= widest.interval95[1]
    assert widest.status == "measured" or "may_be_stain" in widest.flags


def test_a_share_that_counts_an_opening_says_that_it_may_be_a_reflection():
    assert "may_be_reflection" in read(Slot(250, seed=5))[0]["continuous_margin_fraction"].flags
    assert "may_be_reflection" not in read(Slot(0, seed=5))[0]["continuous_margin_fraction"].flags


@pytest.mark.parametrize("level", [0.06, 0.1])
def test_a_share_is_not_sure_at_a_width_that_the_widest_opening_may_exceed(level):
    readings, _ = read(Slot(100, level, 2.5, where=(0.0, 1.0), seed=3))
    share, widest = readings.get("continuous_margin_fraction"), readings["widest_marginal_opening"]
    assert share is None or widest.interval95[1] <= share.details["threshold"] or share.interval95[0] < 0.9


def test_only_runs_resolved_for_the_most_part_are_judged_by_colour():
    is_open = np.array([0, 1, 1, 1, 0, 1, 1, 1, 0, 1, 1, 1], dtype=bool)
    resolved = np.array([0, 1, 1, 1, 0, 1, 1, 1, 0, 0, 0, 1], dtype=bool)
    level, cold = np.full(12, 0.1), np.where(np.arange(12) > 4, 0.4, 0.1)
    beyond = np.where(np.arange(12) < 4, 0.9, 0.1)
    told = coloured_or_beside(is_open, resolved, ("",) * 12, level, cold, beyond)
    assert told == ("", *(BESIDE,) * 3, "", *(COLOURED,) * 3, "", "", "", "")
    assert {BESIDE, COLOURED} <= MAY_BE_OPEN


def test_the_drawn_band_takes_its_light_from_one_side_only():
    """The scene itself: beyond the band the metal's own hue comes back before the tooth begins."""
    pixels, _ = draw(Slot(160, aside_px=8.0, where=(0.0, 1.0), metal_texture=0.0, tooth_texture=0.0, noise=0.0, seed=1))
    column = pixels[:, 200].astype(float)
    ratio = column[:, 0] / np.maximum(column[:, 2], 1.0)
    dark = int(column.sum(axis=1).argmin())
    between = ratio[dark - 8 : dark - 4]
    assert (between > 1.5).any() and ratio[20] < 1.4
