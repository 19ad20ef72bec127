"""Colour against published values and against scikit-image and colour-science."""

import csv
from pathlib import Path

import colour
import numpy as np
import pytest
from metal_scenes import GOLD
from skimage.color import rgb2lab

from audit.imaging.colour import decode_srgb, delta_e_2000, neutral_gains, rgb_to_lab

TRUTH = Path(__file__).parents[1] / "truth"


def sharma():
    with (TRUTH / "sharma34.csv").open(encoding="utf-8") as file:
        return [[float(v) for v in row[1:]] for row in list(csv.reader(file))[1:]]


@pytest.mark.parametrize("row", sharma())
def test_ciede2000_gives_the_34_published_differences(row):
    """Sharma, Wu, Dalal 2005, Table 1 (doi:10.1002/col.20070), to the 4 decimals that it prints; both ways round."""
    one, two, published = row[:3], row[3:6], row[6]
    assert round(float(delta_e_2000(np.array(one), np.array(two))), 4) == published
    assert round(float(delta_e_2000(np.array(two), np.array(one))), 4) == published


def test_all_34_pairs_are_there():
    assert len(sharma()) == 34


def test_ciede2000_agrees_with_colour_science_on_random_pairs():
    rng = np.random.default_rng(1)
    one, two = (rng.uniform([0, -60, -60], [100, 60, 60], (400, 3)) for _ in range(2))
    assert np.allclose(delta_e_2000(one, two), colour.difference.delta_E_CIE2000(one, two), atol=1e-6)


def test_lab_agrees_with_scikit_image():
    encoded = np.random.default_rng(2).random((40, 40, 3))
    linear = np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)
    assert np.abs(rgb_to_lab(linear) - rgb2lab(encoded)).max() < 1e-6
    assert np.abs(rgb_to_lab(decode_srgb(encoded)) - rgb2lab(encoded)).max() < 2e-3


def test_drawn_gold_has_the_hue_and_chroma_of_gold():
    """Pure gold L* 91-92, a* 1.4-2.1, b* 38-42; Au-Ag alloys down to a* -5.5, b* 23; 750 Au-Ag-Cu a* 2 to 8,
    b* about 23-25 +- 5.

    Computed from optical constants (Olmon 2012, McPeak 2015, Babar 2015, Rioux 2014, Johnson and Christy 1972, as collected on
    refractiveindex.info, CC0), D65, 2 degrees, specular; the mixed alloys crudely. A range to be sane in, no tighter.
    """
    light, a, b = rgb_to_lab(GOLD)
    assert 75 < light < 93 and -5.5 < a < 9.0 and 18.0 < b < 48.0
    assert 75.0 < np.degrees(np.arctan2(b, a)) < 95.0


def test_the_whites_of_a_warm_photo_become_neutral():
    rng = np.random.default_rng(3)
    tooth = np.full((60, 60, 3), [0.6, 0.5, 0.3])
    tooth[5:15, 5:40] = rng.uniform(0.85, 0.9, (10, 35, 1))
    warm = (tooth * [1.08, 1.0, 0.92]).astype(np.float32)
    assert np.allclose(neutral_gains(warm), [1 / 1.08, 1.0, 1 / 0.92], rtol=0.01)


def test_without_whites_the_balance_is_kept():
    assert np.array_equal(neutral_gains(np.full((60, 60, 3), [0.6, 0.5, 0.3], dtype=np.float32)), np.ones(3))
