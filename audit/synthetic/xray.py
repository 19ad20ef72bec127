"""How a beam is weakened, caught and shown: Beer-Lambert paths, focal spot, detector, quantum noise, grey curve.

One effective energy stands for the spectrum (no beam hardening): about 35 keV for 60 to 70 kV behind
2 mm of aluminium, from memory.

References
----------
Hubbell, Seltzer. NIST Standard Reference Database 126, https://doi.org/10.18434/T4D01F (mass attenuation).
White, Pharoah, Oral Radiology (aluminium equivalents of enamel and dentine), from memory.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from scipy.ndimage import convolve1d, gaussian_filter

__all__ = ["MATERIALS", "Exposure", "detect", "linear_attenuation", "present", "transmission"]

_KEV = (30.0, 35.0, 40.0, 50.0)
_MASS_ATTENUATION: Mapping[str, tuple[float, float, float, float]] = MappingProxyType(
    {  # cm2/g at the four energies
        "water": (0.3756, 0.3075, 0.2683, 0.2269),
        "aluminium": (1.128, 0.7696, 0.5685, 0.3681),
        "hydroxyapatite": (2.099, 1.389, 0.9876, 0.5867),
        "collagen": (0.2997, 0.2574, 0.2325, 0.2053),
        "resin": (0.3032, 0.2602, 0.2350, 0.2074),
        "gold": (27.52, 18.38, 12.98, 7.256),
        "copper": (10.92, 7.074, 4.862, 2.613),
        "iron": (8.176, 5.286, 3.629, 1.958),
    }
)


@dataclass(frozen=True)
class _Material:
    density_g_cm3: float
    mass_fractions: Mapping[str, float]


# densities and mass fractions: textbook values, from memory; `opaque_lute` stands for 4 mm of aluminium a millimetre
MATERIALS: Mapping[str, _Material] = MappingProxyType(
    {
        "water": _Material(1.0, {"water": 1.0}),
        "aluminium": _Material(2.699, {"aluminium": 1.0}),
        "enamel": _Material(2.95, {"hydroxyapatite": 0.96, "water": 0.04}),
        "dentine": _Material(2.14, {"hydroxyapatite": 0.70, "collagen": 0.20, "water": 0.10}),
        "cortical_bone": _Material(1.92, {"hydroxyapatite": 0.60, "collagen": 0.25, "water": 0.15}),
        "soft_tissue": _Material(1.05, {"water": 0.90, "collagen": 0.10}),
        "lucent_lute": _Material(1.25, {"resin": 0.70, "water": 0.30}),
        "opaque_lute": _Material(4 * 2.699, {"aluminium": 1.0}),
        "cast_gold": _Material(15.5, {"gold": 0.75, "copper": 0.25}),
        "steel": _Material(7.87, {"iron": 1.0}),
    }
)


@dataclass(frozen=True)
class Exposure:
    """How one radiograph is taken.

    Parameters
    ----------
    pixel_um : float
        Pixel pitch of the detector.
    magnification : float
        Of the tooth's plane onto the detector.
    focal_spot_mm : float
        Side of the effective focal spot; 0.7 mm is common (IEC 60336 nominal 0.7), from memory.
    blur_px : float
        Gaussian-equivalent standard deviation, focal spot and detector together, pixels.
    dose_per_px : float
        Mean number of photons a pixel catches without anything in the beam.
    tilt_deg, turn_deg : float
        Beam inclined vertically (closes gaps under a horizontal finish line) and horizontally.
    scatter : float
        Scattered share of the open beam, spread evenly.
    curve : str
        ``power``, ``logarithm`` or ``sigmoid``: how grey follows exposure.
    curve_gamma : float
        Exponent of the power curve; 1 is linear in exposure, below 1 stretches the dense parts.
    sharpening : float
        Unsharp-mask amount of the machine; 0 is none.
    kev : float
        Effective energy.
    width_px, height_px : int
    centre_mm : tuple of float
        What of the scene lies in the middle of the picture.
    seed : int
        Of the noise and of the reader's hand.
    """

    pixel_um: float = 25.0
    magnification: float = 1.04
    focal_spot_mm: float = 0.7
    blur_px: float = 1.6
    dose_per_px: float = 3000.0
    tilt_deg: float = 0.0
    turn_deg: float = 0.0
    scatter: float = 0.012
    curve: str = "power"
    curve_gamma: float = 0.45
    sharpening: float = 0.0
    kev: float = 35.0
    width_px: int = 900
    height_px: int = 700
    centre_mm: tuple[float, float] = (0.0, 2.6)
    seed: int = 0

    @property
    def mm_per_px(self) -> float:
        """Scale in the plane of the tooth, mm/px."""
        return self.pixel_um / 1000.0 / self.magnification


def linear_attenuation(material: str, kev: float) -> float:
    """Linear attenuation coefficient, per mm.

    Parameters
    ----------
    material : str
        A name of `MATERIALS`.
    kev : float
        Photon energy, 30 to 50 keV.

    Notes
    -----
    Mass attenuation of the mixture (sum over mass fractions), log-log interpolated between energies.
    """
    if not _KEV[0] <= kev <= _KEV[-1]:
        raise ValueError(f"kev must lie in 30 to 50; got {kev}")
    made_of = MATERIALS[material]
    mass = sum(
        share * float(np.exp(np.interp(np.log(kev), np.log(_KEV), np.log(_MASS_ATTENUATION[part]))))
        for part, share in made_of.mass_fractions.items()
    )
    return mass * made_of.density_g_cm3 / 10.0


def transmission(
    paths_mm: Mapping[str, np.ndarray], kev: float, covers: Mapping[str, tuple[np.ndarray, tuple[str, ...]]] | None = None
) -> np.ndarray:
    """Share of the beam that arrives (Beer-Lambert), shape of the path arrays.

    Parameters
    ----------
    paths_mm : mapping of str to ndarray
        Mean path length through each material in each pixel, mm.
    kev : float
    covers : mapping, optional
        Share of each pixel that a group of materials covers, 0 to 1, and the group's names: a pixel half
        covered by metal passes half the beam, not the beam through half the thickness. In the order
        given each group takes its share of what those before have left.
    """
    grouped = {name for _, names in (covers or {}).values() for name in names}
    shape = np.shape(next(iter(paths_mm.values())))
    depth = np.zeros(shape) + sum(linear_attenuation(n, kev) * path for n, path in paths_mm.items() if n not in grouped)
    left, passed = np.ones(shape), np.zeros(shape)
    for cover, names in (covers or {}).values():
        inside = np.asarray(sum(linear_attenuation(n, kev) * paths_mm[n] for n in names if n in paths_mm), dtype=np.float64)
        part = np.minimum(cover, left)
        passed += part * np.exp(-inside / np.maximum(cover, 1e-3))
        left = left - part
    return np.asarray(np.exp(-depth) * (passed + left))


def detect(open_share: np.ndarray, exposure: Exposure, rng: np.random.Generator) -> np.ndarray:
    """Exposure that the detector reports, 1 = open beam, from the transmitted share, same shape.

    Notes
    -----
    The focal spot, an even square, blurs what arrives, the photons are counted (Poisson), the detector spreads what it
    caught (so the noise is correlated as on a real plate), then a readout noise of about 1 photon is added.
    The spot's shadow is ``focal_spot_mm * (magnification - 1)`` wide on the detector; the rest of the blur is the detector's.
    """
    shadow_px = exposure.focal_spot_mm * (exposure.magnification - 1.0) * 1000.0 / exposure.pixel_um
    spot = min(shadow_px / np.sqrt(12.0), 0.9 * exposure.blur_px)
    detector = np.sqrt(exposure.blur_px**2 - spot**2)
    arriving = _square_blur(open_share, spot) + exposure.scatter
    counted = rng.poisson(np.maximum(arriving, 0.0) * exposure.dose_per_px).astype(np.float64)
    caught = gaussian_filter(counted, detector) + rng.normal(0.0, 3.0, counted.shape) * 0.3
    return np.asarray(np.maximum(caught, 0.0) / exposure.dose_per_px)


def _square_blur(image: np.ndarray, sigma: float) -> np.ndarray:
    """Mean over a square of standard deviation `sigma` in each direction, pixels; its border cells count in part."""
    half = np.sqrt(3.0) * sigma
    reach = int(np.ceil(half + 0.5))
    at = np.arange(-reach, reach + 1)
    kernel = np.clip(half + 0.5 - np.abs(at), 0.0, 1.0)
    for axis in (0, 1):
        image = convolve1d(image, kernel / kernel.sum(), axis=axis, mode="nearest")
    return image


def present(caught: np.ndarray, exposure: Exposure, brightest: float) -> np.ndarray:
    """Grey values for presentation, uint16 over the whole range, radiopaque = bright.

    Parameters
    ----------
    caught : ndarray
        Exposure, 1 = open beam.
    brightest : float
        Exposure that is shown as the darkest grey.

    Notes
    -----
    ``grey = 0.97 - 0.94 * f(exposure / brightest)`` with f a power, a logarithm (``ln(1 + x / 0.05)``, scaled)
    or a toe-and-shoulder curve (power 0.5 mixed with ``x**0.5 (3 - 2 x**0.5)``), then an unsharp mask of the machine
    (radius 1.5 px), clipped to 0 to 1.
    """
    share = np.clip(caught / brightest, 0.0, 1.4)
    if exposure.curve == "logarithm":
        share = np.log1p(share / 0.05) / np.log1p(1 / 0.05)
    elif exposure.curve == "sigmoid":
        root = np.minimum(np.sqrt(share), 1.0)
        share = 0.6 * np.sqrt(share) + 0.4 * root * root * (3.0 - 2.0 * root)
    else:
        share = share**exposure.curve_gamma
    grey = 0.97 - 0.94 * share
    if exposure.sharpening:
        grey = grey + exposure.sharpening * (grey - gaussian_filter(grey, 1.5))
    return np.asarray(np.round(np.clip(grey, 0.0, 1.0) * 65535.0), dtype=np.uint16)
