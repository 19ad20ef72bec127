"""Draws a bitewing crop of a restored posterior tooth between its neighbours, with known fit, outline and bone.

The picture follows from path lengths (`posterior`), attenuation and counting (`xray`); bone has a
trabecular pattern, a crestal lamina and a ligament space. Distances given are those in the plane of
the tooth, at right angles to the central ray.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter

from audit.synthetic.posterior import Beam, Casting, Tooth, molar, premolar, tooth_paths
from audit.synthetic.radiograph_truth import annotate, describe
from audit.synthetic.scene import Scene
from audit.synthetic.xray import Exposure, detect, linear_attenuation, present, transmission

__all__ = ["Bitewing", "Exposure", "casting_of", "expose"]

MARGIN_MM = {"enamel": 4.15, "dentine": 6.3}
"""Height of the finish line below the cusp tips: 1.45 mm above or 0.7 mm below the cemento-enamel junction."""
CHEEK_MM = 8.0
SPHERE_MM = (7.9, 1.4)
"""Centre of the steel sphere of 4 mm: beside the restored tooth, over its neighbour's crown."""


@dataclass(frozen=True)
class Bitewing:
    """What is in front of the beam.

    Parameters
    ----------
    seed : int
        Of bone pattern and small variations.
    design : str
        ``onlay``, ``three_quarter``, ``seven_eighths`` or ``complete_crown``.
    bound : str
        What bounds the finish line cervically: ``enamel`` or ``dentine``.
    gap_um, step_um, crest_mm : tuple of float
        Mesial and distal: gap at the margin, overhang (+) or short margin (-), distance from the finish
        line straight down to the bone crest.
    lute : str
        What fills the gap: ``lucent_lute`` or ``opaque_lute``.
    upper, mesial_left : bool
    shoulder_mm : float
        Width of the finish line.
    sphere : bool
        A steel sphere of 4 mm lies in the picture.
    """

    seed: int = 0
    design: str = "onlay"
    bound: str = "enamel"
    gap_um: tuple[float, float] = (0.0, 0.0)
    step_um: tuple[float, float] = (0.0, 0.0)
    crest_mm: tuple[float, float] = (3.0, 3.0)
    lute: str = "lucent_lute"
    upper: bool = False
    mesial_left: bool = True
    shoulder_mm: float = 1.0
    sphere: bool = False


def casting_of(bitewing: Bitewing) -> Casting:
    """The casting as a solid; sides in the order u < 0, u > 0."""
    order = 1 if bitewing.mesial_left else -1
    gap, step = (tuple(x / 1000.0 for x in pair[::order]) for pair in (bitewing.gap_um, bitewing.step_um))
    slope = float(np.random.default_rng(bitewing.seed + 11).normal(0.05, 0.03))
    return Casting(bitewing.design, MARGIN_MM[bitewing.bound], bitewing.shoulder_mm, slope,
                   (gap[0], gap[1]), (step[0], step[1]), lute=bitewing.lute)  # fmt: skip


def expose(bitewing: Bitewing, exposure: Exposure | None = None) -> Scene:
    """Take the radiograph.

    Returns
    -------
    Scene
        16-bit grey pixels (radiopaque bright) with annotations, truth, and masks ``metal`` and ``tooth``.
    """
    exposure = exposure or Exposure()
    u, v = _pixel_grid(bitewing, exposure)
    tooth, casting = molar(), casting_of(bitewing)
    paths = _all_paths(bitewing, exposure, tooth, casting, u, v)
    rng = np.random.default_rng([bitewing.seed, exposure.seed])
    covers = {"metal": (paths.pop("metal_cover"), ("cast_gold",)), "tooth": (paths.pop("tooth_cover"), ("enamel", "dentine"))}
    share = transmission(paths, exposure.kev, covers)
    caught = detect(share, exposure, rng)
    brightest = float(np.exp(-linear_attenuation("soft_tissue", exposure.kev) * 0.75 * CHEEK_MM)) + exposure.scatter
    pixels = present(caught, exposure, brightest)
    metal = paths["cast_gold"] > 0.1
    masks = {"metal": metal, "tooth": (paths["enamel"] + paths["dentine"] > 0.3) & ~metal}
    place = (bitewing, exposure, tooth, casting)
    return Scene(pixels, annotate(*place), describe(*place), _tags(exposure), masks)


def _pixel_grid(bitewing: Bitewing, exposure: Exposure) -> tuple[np.ndarray, np.ndarray]:
    scale = exposure.mm_per_px
    u = (np.arange(exposure.width_px) - (exposure.width_px - 1) / 2) * scale + exposure.centre_mm[0]
    v = (np.arange(exposure.height_px) - (exposure.height_px - 1) / 2) * scale
    return u, (-v if bitewing.upper else v) + exposure.centre_mm[1]


def _all_paths(
    bitewing: Bitewing, exposure: Exposure, tooth: Tooth, casting: Casting, u: np.ndarray, v: np.ndarray
) -> dict[str, np.ndarray]:
    sign = -1.0 if bitewing.upper else 1.0
    turn, tilt = np.tan(np.radians(exposure.turn_deg)), np.tan(np.radians(exposure.tilt_deg))
    beam = Beam(turn, sign * tilt, exposure.mm_per_px)
    mesial = -1.0 if bitewing.mesial_left else 1.0
    total: dict[str, np.ndarray] = {}
    for solid, axis, facing, rise, cast in _row(bitewing, tooth, casting, mesial):
        local_v = v - rise if facing > 0 else -0.35 - rise - v
        near = np.abs(u - axis) < float(solid.half_width(np.array([2.2]))[0]) + 0.8
        if not near.any() or local_v.max() < -0.5:
            continue
        lean = Beam(beam.turn, beam.tilt * facing, beam.pixel_mm, 36 if cast else 28)
        for name, path in tooth_paths(solid, u[near] - axis, local_v, lean, cast).items():
            part = total.setdefault(name, np.zeros((v.size, u.size), dtype=np.float32))
            part[:, near] = np.maximum(part[:, near], path) if name.endswith("_cover") else part[:, near] + path
    return _add_bone(bitewing, exposure, tooth, total, u, v)


def _row(bitewing: Bitewing, tooth: Tooth, casting: Casting, mesial: float) -> list[tuple[Tooth, float, float, float, Casting | None]]:
    """Teeth of both arches: solid, axis, +1 in the restored arch and -1 opposite, rise below the occlusal plane, casting."""
    rng = np.random.default_rng(bitewing.seed + 5)
    small, big = premolar(), molar(float(rng.uniform(0.94, 1.02)))
    half, half_small, half_big = (float(t.half_width(np.array([2.2]))[0]) for t in (tooth, small, big))
    shift = float(rng.uniform(-0.3, 0.3)) - mesial * 2.2
    clear = 0.03
    return [
        (tooth, 0.0, 1.0, 0.0, casting),
        (small, mesial * (half + half_small + clear), 1.0, 0.35, None),
        (big, -mesial * (half + half_big + clear), 1.0, -0.15, None),
        (big, shift, -1.0, 0.0, None),
        (small, shift + mesial * (half_big + half_small), -1.0, 0.3, None),
        (small, shift + mesial * (half_big + 3 * half_small), -1.0, 0.3, None),
        (big, shift - mesial * 2 * half_big, -1.0, -0.2, None),
    ]


def _add_bone(
    bitewing: Bitewing, exposure: Exposure, tooth: Tooth, paths: dict[str, np.ndarray], u: np.ndarray, v: np.ndarray
) -> dict[str, np.ndarray]:
    """Ridge with trabeculae, crestal lamina, socket wall and ligament space, gum and cheek, in place of the outlines."""
    order = 1 if bitewing.mesial_left else -1
    left, right = (MARGIN_MM[bitewing.bound] + c for c in bitewing.crest_mm[::order])
    level = np.interp(u, [-5.2, 5.2], [left, right])[None, :] - 0.12 * np.maximum(np.abs(u) - 5.2, 0.0)[None, :]
    below = v[:, None] - level if v.max() > 1.0 else np.full((v.size, u.size), -9.0)
    depth = np.maximum(below, -0.35 - v[:, None] - 7.6)
    rng = np.random.default_rng(bitewing.seed + 17)
    pattern = _trabeculae(rng, (v.size, u.size), exposure.mm_per_px)
    edge = np.clip(0.5 + depth / 0.10, 0.0, 1.0)
    ridge = 4.5 + 6.0 * (1.0 - np.exp(-np.maximum(depth, 0.0) / 2.0))
    beside = paths["whole"] < 0.5
    room = edge * np.where(beside, np.maximum(ridge - paths["socket"], 0.0), 0.30 * ridge)
    shell = np.maximum(paths["lamina"] - paths["socket"], 0.0) * 0.45
    crest = np.exp(-((depth - 0.15) ** 2) / (2 * 0.12**2)) * 1.7
    plates = 1.1 * (1.0 - np.exp(-np.maximum(depth, 0.0) / 1.2))
    gum = np.clip(depth / 1.4 + 2.2, 0.0, 1.0) * np.clip(6.0 + depth, 0.0, 8.0)
    solid = paths["enamel"] + paths["dentine"] + paths["pulp"]
    paths["cortical_bone"] = room * (0.10 + 0.30 * pattern) + edge * ((shell + crest) * beside + plates)
    paths["soft_tissue"] = _cheek(u, v) + np.maximum(gum - solid, 0.0) + room * 0.6 + paths.pop("pulp")
    if bitewing.sphere:
        x, y = (u - SPHERE_MM[0])[None, :], (v - SPHERE_MM[1])[:, None]
        paths["steel"] = 2.0 * np.sqrt(np.maximum(4.0 - x * x - y * y, 0.0))
    return {name: path for name, path in paths.items() if name not in ("whole", "socket", "lamina")}


def _cheek(u: np.ndarray, v: np.ndarray) -> np.ndarray:
    """Thickness of the cheek, mm: thicker towards the gums, a little uneven from front to back."""
    return np.asarray(CHEEK_MM + 0.25 * np.abs(v - 0.5)[:, None] + 0.12 * u[None, :])


def _trabeculae(rng: np.random.Generator, shape: tuple[int, int], mm_per_px: float) -> np.ndarray:
    """A net of fine bars between marrow spaces of about half a millimetre, 0 to 1."""
    net = np.zeros(shape)
    for size_mm, weight in ((0.28, 0.6), (0.16, 0.4)):
        noise = gaussian_filter(rng.normal(size=shape), size_mm / mm_per_px)
        net += weight * np.exp(-((noise / noise.std()) ** 2) / 0.35)
    return net


def _tags(exposure: Exposure) -> dict[str, object]:
    """What the machine writes into the DICOM file: the detector's spacing, not the tooth's."""
    pitch = exposure.pixel_um / 1000.0
    return {"ImagerPixelSpacing": [pitch, pitch]}
