"""Dark reflections are told from openings by their course; what cannot be told is not assessed."""

from __future__ import annotations

import numpy as np

from audit.measure.reflections import DARK, reflections

N = 16
SOUND = ("",) * N


def told(opening_px: np.ndarray, why: tuple[str, ...] = SOUND, widest_px: float = 20.0) -> list[str]:
    return list(reflections(opening_px > 0, why, opening_px, np.full(N, 0.2), widest_px))


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
    assert set(told(opening, why)[4:8]) == {DARK}


def test_a_wide_place_where_the_width_jumps_is_taken_out_and_the_even_rest_stays() -> None:
    opening = np.where(np.arange(N) < 12, 7.0, 0.0)
    opening[5:7] = [13.0, 18.0]
    assert [bool(word) for word in told(opening)] == [index in (5, 6) for index in range(N)]


def test_a_narrow_slot_is_left_to_its_noise() -> None:
    rng = np.random.default_rng(3)
    narrow = np.where(np.arange(N) < 12, 3.0 * np.exp(0.4 * rng.standard_normal(N)), 0.0)
    assert told(narrow) == list(SOUND)
