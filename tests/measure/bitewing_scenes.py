"""Bitewing crops of one site with every source of the budget drawn; `compare` holds claims against errors over many."""

import sys

import numpy as np

from audit.core.annotations import parse_annotations
from audit.core.quantity import Quantity
from audit.core.records import Calibration, Photo
from audit.measure.radiograph import measure_radiograph
from audit.synthetic.bitewing import MARGIN_MM, Bitewing, Exposure, expose

U_SCALE = 0.005


def draw(seed, *, gap_um=None, step_um=None, tilt_deg=0.0, **changes):
    """Scene, spec and exposure: 20 um pixels, blur 1.2 to 2.4 px, any of three grey curves, three designs."""
    rng = np.random.default_rng([31, seed])
    gap = float(rng.uniform(0, 300)) if gap_um is None else float(gap_um)
    step = float(rng.normal(0, 120)) if step_um is None else float(step_um)
    design = str(rng.choice(["onlay", "complete_crown", "seven_eighths"]))
    curve = str(rng.choice(["power", "power", "logarithm", "sigmoid"]))
    own = {"design": design, "bound": "enamel", "lute": "lucent_lute"} | {
        k: v for k, v in changes.items() if k in ("design", "bound", "lute")
    }
    rest = {k: v for k, v in changes.items() if k not in own}
    what = Bitewing(seed=seed, gap_um=(gap, gap), step_um=(step, step), **own)
    side = -1 if seed % 2 else 1
    shot = Exposure(**{"pixel_um": 20.0, "blur_px": float(rng.uniform(1.2, 2.4)), "tilt_deg": tilt_deg, "curve": curve, "width_px": 190,
                       "curve_gamma": float(rng.uniform(0.35, 1.0)), "height_px": 200, "centre_mm": (side * 4.4, MARGIN_MM[own["bound"]]),
                       "seed": seed, **rest})  # fmt: skip
    return expose(what, shot), what, shot


def read(scene, shot, scale_error=0.0, calibrated=True, pixels=None, annotations=None):
    """Readings by measurand, and refusals."""
    pixels = scene.pixels if pixels is None else pixels
    photo = Photo("a" * 64, pixels.shape[1], pixels.shape[0], None, "unknown", "radiograph")
    scale = Quantity(shot.mm_per_px * (1 + scale_error), "mm/px", {"known_length/a": shot.mm_per_px * U_SCALE})
    calibration = Calibration("known_length", scale, scale, 0.0, None, None, "direct", "known_length@1") if calibrated else None
    readings, refusals = measure_radiograph(pixels, photo, calibration, parse_annotations(annotations or scene.annotations))
    return {r.measurand: r for r in readings}, refusals


def compare(seeds, **changes):
    """Rows (measurand, error / u or None, interval holds the truth, error) of many scenes."""
    rows = []
    for seed in seeds:
        scene, what, shot = draw(seed, **changes)
        rng = np.random.default_rng([32, seed])
        readings, _ = read(scene, shot, float(rng.normal(0, U_SCALE)))
        truths = {"radiographic_gap_width": what.gap_um[0], "radiographic_step": what.step_um[0]}
        truths["margin_to_crest"] = scene.truth["measurands"]["margin_to_crest"]["mesial"]
        for name, truth in truths.items():
            if (found := readings.get(name)) is None:
                continue
            low, high = found.interval95
            error = None if found.value is None else found.value.value - truth
            rows.append((name, None if error is None else error / found.value.u, low <= truth <= high, error, found.status))
    return rows


def summary(rows, name):
    """rms of error / u, share of 95 % intervals that hold the truth, rms error, count measured, count all."""
    of_it = [r for r in rows if r[0] == name]
    z = np.array([r[1] for r in of_it if r[1] is not None])
    error = np.array([r[3] for r in of_it if r[3] is not None])
    inside = float(np.mean([r[2] for r in of_it])) if of_it else float("nan")
    return float(np.sqrt(np.mean(z**2))), inside, float(np.sqrt(np.mean(error**2))), len(z), len(of_it)


if __name__ == "__main__":  # python tests/measure/bitewing_scenes.py 400 [tilt]
    count, tilt = int(sys.argv[1]), float(sys.argv[2]) if len(sys.argv) > 2 else 0.0
    everything = compare(range(count), tilt_deg=tilt)
    for measurand in ("radiographic_gap_width", "radiographic_step"):
        print(measurand, *(round(x, 3) for x in summary(everything, measurand)))
