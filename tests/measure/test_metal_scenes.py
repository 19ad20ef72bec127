"""Drawn teeth by the dozen: claimed uncertainty against actual error, and silence where there is no metal.

The seeds are none of those that the networks were fitted to. Figures in a comment are what was found when the test was written.
"""

from functools import cache

import numpy as np
from metal_scenes import Sketch, draw
from shapely.geometry import Polygon

from audit.core.annotations import parse_annotations
from audit.core.quantity import Quantity
from audit.core.records import Calibration, Photo
from audit.errors import Refused
from audit.imaging.segment import propose_metal
from audit.measure.metal import measure_metal
from audit.synthetic.mouth import Mouth, Shot, photograph


@cache
def bands():
    """Error, claimed u and truth of the metal's area, in shares of the outline; None where refused or not found."""
    rng = np.random.default_rng(11)
    found = []
    for seed in range(900_000, 900_036):
        alloy = ("gold", "white")[seed % 2]
        band = float(np.exp(rng.uniform(np.log(8.0), np.log(70.0))))
        drawn = draw(Sketch(seed, "bevel", alloy, band, 220.0, confounders=(), jitter_px=0.0))
        outline = Polygon(drawn.outline)
        try:
            proposal = propose_metal(drawn.pixels, outline, "onlay", alloy, drawn.upper)
        except Refused:
            continue
        u = float(np.hypot(proposal.undecided_sd_px2, 0.25 * proposal.region.length / 2))
        found.append((proposal.region.area - drawn.metal.sum(), u, drawn.metal.sum()))
    return np.array(found)


def test_most_bands_are_found_and_their_area_lies_within_two_u():
    error, u, truth = bands().T
    seen = error > -truth
    assert np.mean(seen) >= 0.8
    assert np.mean(np.abs(error[seen]) < 2.0 * u[seen]) >= 0.8
    assert abs(np.median(error[seen] / truth[seen])) < 0.06


def test_a_sound_tooth_with_wet_highlights_has_no_metal():
    for seed in range(910_000, 910_024):
        drawn = draw(Sketch(seed, "none", confounders=("bubbles", "groove")[: seed % 3], jitter_px=0.0))
        proposal = propose_metal(drawn.pixels, Polygon(drawn.outline), None, ("gold", "white", None)[seed % 3], drawn.upper)
        assert proposal.region.is_empty, seed


def test_stain_caries_calculus_and_gum_are_rarely_called_metal():
    """At most one in twelve of teeth that carry two or more of all that looks like metal."""
    kinds = ("stain", "caries", "calculus", "gum_strip", "shadow", "composite", "grey_line", "chalk", "tint", "root", "yellow_side")
    called, count = 0, 0
    for seed in range(920_000, 920_024):
        chosen = tuple(np.random.default_rng(seed).choice(kinds, 2, replace=False))
        drawn = draw(Sketch(seed, "none", confounders=chosen, jitter_px=0.0))
        called += not propose_metal(drawn.pixels, Polygon(drawn.outline), "onlay", "gold", drawn.upper).region.is_empty
        count += 1
    assert called <= count / 12


def test_a_photographed_mouth_is_measured_within_two_u():
    """The other renderer: three-dimensional teeth that mirror a drawn mouth, of seeds that the networks never saw."""
    worst = []
    for number, (band, alloy, light) in enumerate([(1.0, "gold", 0.8), (0.7, "white", 1.2), (2.0, "gold", 1.0)]):
        mouth = Mouth(seed=70 + number, design="onlay", alloy=alloy, band_mm=band)
        shot = Shot(width_px=560, height_px=480, px_per_mm=32.0, light_level=light, white_balance=1.08, reference=None, seed=number)
        scene = photograph(mouth, shot)
        scale = Quantity(scene.truth["mm_per_px"], "mm/px")
        photo = Photo("ef" * 32, 560, 480, None, "unknown", "photo")
        calibration = Calibration("rule", scale, scale, 0.0, None, None, "direct", "test@1")
        readings, _ = measure_metal(scene.pixels, photo, calibration, parse_annotations(scene.annotations))
        for reading in readings:
            truth = scene.truth["measurands"][reading.measurand]
            worst.append(abs(reading.value.value - truth) / reading.value.u)
            if reading.measurand == "visible_metal_height":
                assert abs(reading.value.value - truth) < 0.08
    assert max(worst) < 2.0
