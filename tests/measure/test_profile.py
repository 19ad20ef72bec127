"""The straightened band against scikit-image's profile_line, and the interface against the drawn one."""

import numpy as np
import pytest
from margin_scenes import draw_margin
from scipy.ndimage import gaussian_filter
from scipy.spatial import cKDTree
from skimage.measure import profile_line

from audit.measure.profile import find_interface, merge, straighten


def test_band_equals_profile_line_of_scikit_image():
    """scikit-image profile_line, bilinear, on a smooth picture; rows of ours run across the line, to the right of travel."""
    rng = np.random.default_rng(5)
    picture = gaussian_filter(rng.normal(size=(120, 160)), 5.0)
    picture = ((picture - picture.min()) / np.ptp(picture)).astype(np.float32)
    line = np.array([[40.0, 30.0], [110.0, 75.0]])
    band = straighten(picture, line, 12.0)
    for row in (0, 20, len(band.xy) - 1):
        a, b = band.xy[row] - 12 * band.normal[row], band.xy[row] + 12 * band.normal[row]
        b = b - 1e-6 * band.normal[row]  # a hair more than 24 px would give 26 samples
        expected = profile_line(picture, a[::-1], b[::-1], order=1, mode="constant")
        # OpenCV reads on a grid of 1/32 px
        assert np.abs(band.values[row, :, 0] - expected).max() < 1 / 32 * np.abs(np.gradient(expected)).max()


def test_positive_offsets_lie_to_the_right_of_travel():
    band = straighten(np.zeros((50, 50), np.float32), np.array([[10.0, 25.0], [40.0, 25.0]]), 5.0)
    assert np.allclose(band.normal, [0.0, 1.0])


@pytest.mark.parametrize("seed", range(6))
def test_the_interface_is_found_beside_a_hand_trace(seed):
    scene = draw_margin(100 + seed, openings=((1, 2.5, 60), (3.5, 5, 250)))
    stations = merge(straighten(scene.pixels, scene.trace, 36.0), 6.0)
    found = find_interface(stations, 10.0, 1.8, 3.0)
    xy = stations.xy + found.offset_px[:, None] * stations.normal
    tree = cKDTree(scene.interface)
    after, before = tree.query(xy)[0], tree.query(stations.xy)[0]
    assert np.sqrt(np.mean(after**2)) < 1.2
    assert np.sqrt(np.mean(after**2)) < 0.6 * np.sqrt(np.mean(before**2))


def test_outside_the_photo_is_nan_not_black():
    band = straighten(np.full((40, 40), 0.5, np.float32), np.array([[5.0, 3.0], [35.0, 3.0]]), 8.0)
    assert np.isnan(band.values[:, 0]).all() and not np.isnan(band.values[:, -1]).any()
