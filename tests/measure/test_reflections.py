"""Openings that may be dark reflections are not assessed; the others stay open."""

from __future__ import annotations

import numpy as np

from audit.measure.reflections import DARK, reflections

N = 16
SOUND = ("",) * N


def told(opening_px: np.ndarray, why: tuple[str, ...] = SOUND, widest_px: float = 20.0) -> list[str]:
    return list(reflections(opening_px > 0, why, opening_px, widest_px))


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
