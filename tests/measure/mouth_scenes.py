"""Mouths of the other renderer as drawn teeth: three-dimensional, mirrored light, by seed, in the same form as `metal_scenes`."""

from __future__ import annotations

import numpy as np
from metal_scenes import Drawn
from shapely.geometry import shape

from audit.synthetic.mouth import Mouth, Shot, photograph

DESIGNS = ("seven_eighths", "three_quarter", "onlay", "inlay")


def draw_mouth(seed: int) -> Drawn:
    """A tooth with an unlike casting, camera, light and band at every seed; an inlay shows no metal on the facial."""
    rng = np.random.default_rng([31, seed])
    design = str(rng.choice(DESIGNS, p=[0.35, 0.3, 0.22, 0.13]))
    mouth = Mouth(
        seed=int(rng.integers(1e6)) + 2_000_000, upper=bool(rng.random() < 0.5), right_side=bool(rng.random() < 0.5),
        kind=str(rng.choice(["molar", "molar", "premolar"])), design=design, alloy=str(rng.choice(["gold", "white"])),
        band_mm=float(np.exp(rng.uniform(np.log(0.12), np.log(3.0)))), bevel_slope_deg=float(rng.uniform(30, 60)),
        stain=float(rng.choice([0, 0, 0.5, 1])),
    )  # fmt: skip
    shot = Shot(
        yaw_deg=float(rng.normal(0, 6)), pitch_deg=float(rng.normal(0, 6)), roll_deg=float(rng.normal(0, 4)),
        px_per_mm=float(rng.uniform(18, 34)), width_px=440, height_px=400, light_level=float(rng.uniform(0.5, 1.4)),
        white_balance=float(rng.uniform(0.85, 1.15)), saliva=float(rng.random()), reference=None,
        jpeg_quality=int(rng.integers(78, 97)), tone=float(rng.choice([0, rng.uniform(0, 0.6)])), sharpening=float(rng.uniform(0, 0.8)),
        noise=float(rng.uniform(0.5, 2)), lens_sigma_px=float(rng.uniform(0.4, 1.2)), seed=int(rng.integers(1e6)),
    )  # fmt: skip
    scene = photograph(mouth, shot)
    outline = next(f for f in scene.annotations["features"] if f["properties"]["role"] == "facial_surface")
    ring = np.asarray(shape(outline["geometry"]).exterior.coords)
    metal = scene.masks["metal"].astype(float)
    layout = "none" if not metal.any() else design
    return Drawn(scene.pixels, ring, metal, float(scene.masks["facial"].sum()), layout, mouth.alloy, mouth.upper)
