"""The whole reading of a comb from noisy pixels against the least variance that any unbiased estimator can have."""

from __future__ import annotations

import math

import numpy as np
from scipy.special import ndtr

from audit.imaging.comb import read_comb
from audit.imaging.strip import Pyramid

PITCH, WIDTH, BLUR, NOISE, LENGTH, COUNT, CONTRAST = 12.0, 2.0, 1.0, 12.0, 26.0, 25, 150.0


def noisy_comb(seed: int) -> tuple[np.ndarray, float, np.ndarray]:
    """A picture of dark ticks, the bound of its pitch, and a line across them, ends off by a hand's error."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:110, 0 : int(PITCH * (COUNT + 3))].astype(float)
    first = 1.7 * PITCH + float(rng.uniform(0, 1))
    rows = ndtr((y - 40) / BLUR) - ndtr((y - 40 - LENGTH) / BLUR)
    ink = sum(_tick(x - first - number * PITCH) for number in range(COUNT))
    light = 200 - CONTRAST * ink * rows + NOISE * rng.standard_normal(y.shape)
    slope = CONTRAST * (_tick(x - first + 5e-4) - _tick(x - first - 5e-4)) / 1e-3 * rows
    one_tick = NOISE / math.sqrt(float(np.sum(slope**2)))
    bound = one_tick * math.sqrt(12 / (COUNT * (COUNT**2 - 1)))
    ends = np.array([[first - 0.4 * PITCH, 53.0], [first + (COUNT - 0.6) * PITCH, 53.0]]) + rng.standard_normal((2, 2))
    return np.clip(np.round(light), 0, 255).astype(np.uint8), bound, ends


def _tick(away: np.ndarray) -> np.ndarray:
    return np.asarray(ndtr((away + WIDTH / 2) / BLUR) - ndtr((away - WIDTH / 2) / BLUR))


def test_pitch_from_pixels_reaches_the_cramer_rao_bound() -> None:
    """Fisher information of a shift in white noise, sum of slope^2 / s^2 over the pixels of a tick; pitch as in linear regression
    (Kay 1993, Fundamentals of Statistical Signal Processing, from memory). The noise is strong, so that nothing else matters."""
    ratio = []
    for seed in range(30):
        pixels, bound, ends = noisy_comb(seed)
        ratio.append((read_comb(Pyramid(pixels), ends[0], ends[1]).pitch_px - PITCH) / bound)
    assert np.sqrt(np.mean(np.square(ratio))) < 1.3
    assert np.sqrt(np.mean(np.square(ratio))) > 0.7  # nothing unbiased can be better
