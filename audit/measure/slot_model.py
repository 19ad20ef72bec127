"""What a slot or a layer between metal and tooth looks like on a radiograph: the model of its mean profile.

Exposure across the interface is metal, a slot of width w and level s, tooth; blurred by sigma, shown
through the grey curve of `edge_response`. Level 0 is the tooth's, 1 the gum's, -1 the metal's.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from audit.measure.edge_response import Response

__all__ = ["EDGE", "LAYER_RANGE", "LEVEL", "LEVEL_RANGE", "LEVEL_TYPICAL", "RESPONSE", "THIN", "TOOTH", "WIDTH", "SlotModel"]

LEVEL_RANGE, LAYER_RANGE = (0.12, 1.05), (-0.97, -0.15)
"""Levels of a lucent slot that are plausible, and of a radiopaque layer."""
LEVEL_TYPICAL = 0.5
EDGE, METAL, TOOTH, LEVEL, RESPONSE, WIDTH, THIN = 0, 1, 2, 4, slice(5, 8), 8, 9


@dataclass(frozen=True)
class SlotModel:
    """A mean profile, to be met by a model of ten parameters in this order.

    Edge, metal, tooth, slope, level, three of the response, width of the slot, and the signed area (level times width) of a thin slot
    drawn one blur of the response wide: narrower ones at the edge itself could not be told from a shift of the edge.

    Parameters
    ----------
    offset, grey, sigma : ndarray, shape (m,)
        Pixels, equally spaced; scaled grey and its standard uncertainty.
    response : Response
    root : ndarray, shape (3, 3)
        Root of the inverse covariance of the response's logarithms.
    """

    offset: np.ndarray
    grey: np.ndarray
    sigma: np.ndarray
    response: Response
    root: np.ndarray

    def draw(self, p: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Scaled grey, shape (k, m), of k sets of parameters (k, 10), and its derivatives (k, 10, m)."""
        edge, metal_grey, tooth_grey, tilt, level, log_blur, log_kappa, log_rest, width, thin = p.T[..., None]
        position, blur, rest = self.offset - edge, np.exp(log_blur), np.exp(log_rest)
        depths = (1.0 + rest - grey for grey in (metal_grey, np.zeros_like(edge), tooth_grey, tooth_grey + tilt * position))
        (metal, by_metal, curve_metal), (gum, by_gum, curve_gum), (base, by_base, curve_base), (tooth, by_tooth, curve_tooth) = (
            _exposure(depth, log_kappa) for depth in depths
        )
        opaque = level < 0.0
        sign, away, curve_away = (np.where(opaque, a, b) for a, b in ((-1.0, 1.0), (metal, gum), (curve_metal, curve_gum)))
        by_away = np.where(opaque, by_metal, by_gum)
        real = sign * (away - base) > 0.0
        contrast = np.where(real, sign * (away - base), 0.0)
        first, near = _wall(position, blur)
        last, far = _wall(position - width, blur)
        spread = self.response.blur_px
        behind, ebb = _wall(position - spread, blur)
        share = level * (first - last) + thin * (first - behind) / spread
        exposure = metal + (tooth - metal) * first + share * contrast
        shared = np.where(real, sign * share, 0.0)
        slopes = np.empty((len(p), 10, len(self.offset)))
        moved = level * (far - near) + thin * (ebb - near) / spread
        slopes[:, 0] = (metal - tooth) * near + by_tooth * tilt * first + contrast * moved
        slopes[:, 1] = -by_metal * (1.0 - first) + np.where(opaque, -shared * by_metal, 0.0)
        slopes[:, 2] = shared * by_base - by_tooth * first
        slopes[:, 3] = -position * by_tooth * first
        slopes[:, 4] = (first - last) * contrast
        softened = level * ((position - width) * far - position * near) + thin * ((position - spread) * ebb - position * near) / spread
        slopes[:, 5] = (metal - tooth) * position * near + contrast * softened
        slopes[:, 6] = curve_metal * (1.0 - first) + curve_tooth * first + shared * (curve_away - curve_base)
        slopes[:, 7] = rest * (by_metal * (1.0 - first) + by_tooth * first + shared * (by_away - by_base))
        slopes[:, 8] = level * contrast * far
        slopes[:, 9] = contrast * (first - behind) / spread
        return self.response.render_slopes(exposure, slopes, p[:, RESPONSE], float(self.offset[1] - self.offset[0]))

    def linearised(self, p: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Misfit over sigma, and the response's prior, shape (k, m + 3), with derivatives (k, 10, m + 3)."""
        drawn, slopes = self.draw(p)
        prior = (p[:, RESPONSE] - self.response.log_parameters) @ self.root.T
        by_prior = np.zeros((len(p), 10, 3))
        by_prior[:, RESPONSE] = self.root.T
        return np.concatenate([(drawn - self.grey) / self.sigma, prior], axis=1), np.concatenate([slopes / self.sigma, by_prior], axis=2)

    def start(self) -> np.ndarray:
        """Parameters to begin from, shape (10,): no slot."""
        tooth = float(np.median(self.grey[-8:]))
        metal = float(np.median(self.grey[:4]))
        middle = float(self.offset[int(np.argmax(self.grey < (tooth + metal) / 2))])
        return np.array([middle, metal, tooth, 0.0, LEVEL_TYPICAL, *self.response.log_parameters, 0.0, 0.0])

    def bounds(self, levels: tuple[float, float] = LEVEL_RANGE) -> tuple[np.ndarray, np.ndarray]:
        """Least and greatest parameters, shape (10,) each."""
        low = np.array([self.offset[0], 0.3, -0.3, -0.03, levels[0], np.log(0.3), 0.0, np.log(0.005), 0.0, -40.0])
        high = np.array([self.offset[-1], 1.2, 1.1, 0.03, levels[1], np.log(8.0), np.log(12.0), np.log(8.0), 60.0, 40.0])
        return low, high


def _exposure(depth: np.ndarray, log_kappa: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Exposure of a grey value `depth` below white, and its derivatives by the depth and by ln kappa."""
    kappa, log_depth = np.exp(log_kappa), np.log(np.maximum(depth, 1e-6))
    exposure = np.exp(kappa * log_depth)
    return exposure, np.where(depth > 1e-6, kappa * exposure / np.maximum(depth, 1e-6), 0.0), kappa * log_depth * exposure


def _wall(position: np.ndarray, blur: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """A blurred wall, 0 to 1, and its density."""
    z = position / blur
    return ndtr(z), np.exp(-0.5 * z * z) / (blur * np.sqrt(2 * np.pi))
