"""Openings that may be dark reflections are not assessed; the others stay open."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from audit.measure.reflections import DARK, MAY_BE_OPEN, PALE, edge_softness, reflections

N = 16
SOUND = ("",) * N


def told(opening_px: np.ndarray, why: tuple[str, ...] = SOUND, softness: float = 1.0, level: float = 0.05) -> list[str]:
    return list(reflections(opening_px > 0, why, opening_px, np.full(N, softness), np.full(N, level), 20.0))


def test_a_crevice_of_even_width_stays_open_however_close_to_the_limit() -> None:
    even = np.where((np.arange(N) > 3) & (np.arange(N) < 12), 16.0 + 0.3 * np.sin(np.arange(N)), 0.0)
    assert told(even) == list(SOUND)


def test_a_band_wider_than_the_limit_anywhere_is_not_assessed_along_its_whole_run() -> None:
    band = np.where((np.arange(N) > 3) & (np.arange(N) < 12), 14.0, 0.0)
    band[8] = 24.0
    assert [bool(word) for word in told(band)] == [bool(value) for value in band > 0]


def test_an_opening_that_runs_into_metal_as_dark_as_a_slot_is_not_assessed() -> None:
    opening = np.where((np.arange(N) > 3) & (np.arange(N) < 8), 6.0, 0.0)
    why = ("",) * 8 + (DARK,) * 3 + ("",) * 5
    assert set(told(opening, why)[4:8]) <= MAY_BE_OPEN


def test_a_band_with_a_soft_edge_or_paler_than_a_crevice_is_not_assessed() -> None:
    band = np.where((np.arange(N) > 3) & (np.arange(N) < 12), 14.0, 0.0)
    assert [bool(word) for word in told(band, level=0.4)] == [bool(value) for value in band > 0]
    assert [bool(word) for word in told(band, softness=3.0)] == [bool(value) for value in band > 0]


def test_a_bulge_of_twice_the_usual_width_is_taken_out_and_the_rest_stays() -> None:
    opening = np.where(np.arange(N) < 12, 7.0, 0.0)
    opening[5:7] = [15.5, 18.0]
    assert [bool(word) for word in told(opening)] == [index in (5, 6) for index in range(N)]


def test_softness_is_one_for_a_crevice_and_more_for_a_gradual_rise() -> None:
    """Against the closed form: a slot with Gaussian edges; a reflection whose light rises over 12 px."""
    x = np.arange(-36.0, 36.5, 0.5)
    slot = 0.6 + 0.2 * norm.cdf(x / 1.5) - 0.55 * (norm.cdf((x + 5) / 1.5) - norm.cdf((x - 5) / 1.5))
    gradual = np.where(x < 0, 0.6 - 0.55 * norm.cdf((x + 5) / 1.5), 0.05 + 0.5 * np.clip((x - 2) / 12.0, 0.0, 1.0))
    sharp, soft = edge_softness(x, np.stack([slot, gradual]), np.zeros(2), np.full(2, 10.0), np.full(2, 1.5))
    assert sharp == pytest.approx(1.0, abs=0.35) and soft > 2.5


def test_a_band_that_gives_light_back_must_be_even_and_sharp_to_be_a_crevice() -> None:
    """Widths in um as a closed white casting showed them in its rim; a crevice of the same breadth is even, or black."""
    wavering = np.zeros(N)
    wavering[4:9] = np.array([192, 119, 93, 72, 85]) / 28.0
    even = np.where(wavering > 0, 4.0, 0.0)
    assert set(told(wavering, level=0.2)[4:9]) <= MAY_BE_OPEN
    assert set(told(even, level=0.2, softness=1.7)[4:9]) <= MAY_BE_OPEN
    assert told(wavering, level=0.06) == told(even, level=0.2) == list(SOUND)


def test_what_touches_a_pale_band_is_part_of_it() -> None:
    opening = np.where((np.arange(N) > 3) & (np.arange(N) < 8), 6.0, 0.0)
    assert set(told(opening, ("",) * 8 + (PALE,) * 3 + ("",) * 5)[4:8]) <= MAY_BE_OPEN


def test_where_a_crevice_widens_with_a_soft_edge_it_is_the_reflection_beside_it() -> None:
    """Widths and softness as a drawn onlay's crevice of 141 um showed them, pixels of 28 um."""
    opening = np.zeros(N)
    opening[2:12] = np.array([138, 139, 143, 146, 135, 134, 136, 206, 216, 195]) / 28.0
    softness = np.ones(N)
    softness[9:12] = [4.7, 4.4, 3.7]
    found = reflections(opening > 0, SOUND, opening, softness, np.full(N, 0.08), 20.0)
    assert [bool(word) for word in found] == [at in (9, 10, 11) for at in range(N)]
