"""Area, height and extent of analytic shapes and against scikit-image's regionprops."""

import math

import numpy as np
import pytest
from shapely import affinity
from shapely.geometry import MultiPolygon, Point, Polygon, box
from skimage.measure import regionprops

from audit.measure.metal_shape import extent_px, thickness_px, typical_thickness_px


def ellipse(a, b, x, y):
    return affinity.translate(affinity.scale(Point(0, 0).buffer(1.0, quad_segs=128), a, b), x, y)


@pytest.mark.parametrize(("x", "y"), [(50.0, 40.0), (50.3, 40.7), (49.51, 40.49)])
def test_height_extent_and_area_of_an_ellipse(x, y):
    shape = MultiPolygon([ellipse(30.0, 12.0, x, y)])
    assert shape.area == pytest.approx(math.pi * 30 * 12, rel=1e-4)
    assert extent_px(shape) == pytest.approx(60.0, abs=1e-3)
    assert thickness_px(shape, 2.0).px == pytest.approx(24.0, abs=0.05)
    assert thickness_px(shape, 2.0).at_x == pytest.approx(x, abs=3.0)


def test_height_and_extent_agree_with_regionprops():
    """scikit-image 0.2x regionprops on the same shape as a mask: bounding box and area."""
    y, x = np.mgrid[0:90, 0:120]
    mask = ((x - 60) / 41.3) ** 2 + ((y - 44) / 17.6) ** 2 <= 1
    reference = regionprops(mask.astype(int))[0]
    shape = MultiPolygon([ellipse(41.3, 17.6, 60, 44)])
    assert shape.area == pytest.approx(reference.area, rel=0.01)
    assert extent_px(shape) == pytest.approx(reference.bbox[3] - reference.bbox[1], abs=1.0)
    assert thickness_px(shape, 3.0).px == pytest.approx(reference.bbox[2] - reference.bbox[0], abs=1.0)


def test_a_spike_of_one_pixel_does_not_count():
    band = box(0, 0, 100, 10).union(box(50, 0, 51, 40))
    assert thickness_px(MultiPolygon([band]), 6.0).px == pytest.approx(10.0)
    assert thickness_px(MultiPolygon([box(0, 0, 100, 10).union(box(50, 0, 60, 40))]), 6.0).px == pytest.approx(40.0)


def test_height_is_the_longest_run_not_the_sum_of_runs():
    frame = MultiPolygon([box(0, 0, 50, 8), box(0, 30, 50, 42)])
    assert thickness_px(frame, 2.0).px == pytest.approx(12.0)
    assert thickness_px(frame, 2.0).top_y == pytest.approx(30.0)


def test_a_hole_interrupts_a_run():
    holed = Polygon(box(0, 0, 60, 30).exterior.coords, [list(box(1, 10, 59, 14).exterior.coords)])
    assert thickness_px(MultiPolygon([holed]), 4.0).px == pytest.approx(16.0)


def test_typical_thickness_of_a_wedge_is_that_of_its_middle():
    wedge = MultiPolygon([Polygon([(0, 0), (100, 0), (100, 20)])])
    assert typical_thickness_px(wedge, (20.0, 60.0)).px == pytest.approx(8.0, abs=0.05)
    assert typical_thickness_px(MultiPolygon([box(0, 0, 10, 5)]), (20.0, 60.0)).px == 0.0


def test_nothing_has_no_height():
    assert thickness_px(MultiPolygon(), 2.0).px == 0.0 and extent_px(MultiPolygon()) == 0.0
