"""Step on a bitewing whose tooth is flat along the beam: blocks of even grey, drawn with NumPy and SciPy alone."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from shapely.geometry import LineString

from audit.calibration.calibrate import calibrate
from audit.core.annotations import Annotations, Feature
from audit.core.records import Photo
from audit.measure.radiograph import measure_radiograph

PX_PER_MM, FINE = 40.0, 4
LEFT, RIGHT, FINISH = 150, 550, 280  # of the tooth and its finish line, pixels


def draw(step_um: float, seed: int) -> np.ndarray:
    """Metal over a tooth with strips of enamel on a dark ground, blur 1.6 px, noise 0.8 %; shape (600, 700)."""
    y, x = np.mgrid[0 : 600 * FINE, 0 : 700 * FINE].astype(np.float32) / FINE
    grey = np.full(x.shape, 0.12, np.float32)
    tooth = (x > LEFT) & (x < RIGHT) & (y > FINISH) & (y < 560)
    grey[tooth] = 0.45
    grey[tooth & ((x < LEFT + 50) | (x > RIGHT - 50)) & (y < 420)] = 0.62
    grey[(x > LEFT) & (x < RIGHT + step_um / 1000 * PX_PER_MM) & (y < FINISH) & (y > 130)] = 0.97
    coarse = gaussian_filter(grey, 1.6 * FINE).reshape(600, FINE, 700, FINE).mean(axis=(1, 3))
    noisy = coarse + np.random.default_rng(seed).normal(0, 0.008, coarse.shape)
    return np.clip(noisy * 255, 0, 255).astype(np.uint8)


@pytest.mark.parametrize("step_um", [-150.0, 0.0, 150.0])
def test_a_flat_outline_is_a_plain_step(step_um: float) -> None:
    pixels = draw(step_um, seed=int(step_um) + 500)
    photo = Photo("e" * 64, 700, 600, None, "unknown", "radiograph")
    known = {"kind": "known_length", "length_mm": 10.0, "u_mm": 0.05}
    reference = Feature("reference", LineString([(LEFT, 500), (RIGHT, 500)]), known)
    site = Feature("fit_site", LineString([(RIGHT - 45, FINISH), (RIGHT - 3, FINISH)]), {"bound": "enamel", "surface": "distal"})
    calibration = calibrate(pixels, photo, reference, tooth_seen_in="direct")
    readings, _ = measure_radiograph(pixels, photo, calibration, Annotations((reference, site)))
    (step,) = (reading for reading in readings if reading.measurand == "radiographic_step")
    assert step.value is not None
    assert abs(step.value.value - step_um) <= min(30.0, 2.0 * step.value.u)
