"""The largest of noisy means, corrected, is on average the largest true mean (Monte Carlo of the whole procedure)."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from audit.measure.largest import excess_of_largest, windows_of


@pytest.mark.parametrize("n", [8, 25, 60])
@pytest.mark.parametrize("taper", [0.0, 60.0])
def test_the_corrected_maximum_of_an_even_or_tapering_opening_is_nearly_unbiased(n, taper):
    rng = np.random.default_rng(n)
    true = 150.0 + taper * np.linspace(-0.5, 0.5, n)
    sd, windows = np.full(n, 6.0), windows_of(np.arange(n), 2)
    errors, plain = [], []
    for _ in range(120):
        noise = gaussian_filter1d(rng.normal(size=n), 1.5)
        values = true + noise / 0.434 * sd  # a Gaussian kernel of 1.5 leaves (2 sqrt(pi) 1.5)**-0.5 of white noise
        largest = values[windows].mean(axis=1).max() - true[windows].mean(axis=1).max()
        plain.append(largest)
        errors.append(largest - excess_of_largest(values, sd, windows))
    assert abs(np.mean(errors)) < max(0.4 * abs(np.mean(plain)), 1.2) < 6.0


def test_windows_do_not_reach_over_gaps():
    assert windows_of(np.array([0, 1, 2, 7, 8, 9]), 3).tolist() == [[0, 1, 2], [7, 8, 9]]
