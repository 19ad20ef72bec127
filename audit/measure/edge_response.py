"""How a radiograph renders an edge: blur, grey curve and machine sharpening, read from the casting's own outline.

Metal stops the beam within a few hundredths of a millimetre, so its outline against gum is a knife
edge. What the picture makes of it tells the blur and, since a blurred edge is symmetric in exposure,
how grey follows exposure.

Notes
-----
Grey values are used as they are (no sRGB decoding), scaled so that metal is about 1 and gum about 0.
Exposure is ``B = (white - grey) ** kappa`` with ``white >= grey of metal``: linear (kappa 1), power and,
in the limit of large ``white`` and kappa, logarithmic curves. Priors: ln kappa about ln 2 with 1.0,
ln (white - metal) about ln 0.2 with 1.5, blur 0.5 to 6 px. Sharpening is an unsharp mask on grey values.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.ndimage import gaussian_filter1d

from audit.errors import Refused
from audit.measure.outline_fit import Outline

__all__ = ["CURVATURE_PER_PX", "MODEL_SHARE", "Response", "autocorrelation_sum", "exposure_of", "fit_response", "noise_level"]

PRIOR_MEAN = np.array([np.log(1.8), np.log(2.0), np.log(0.2)])
PRIOR_U = np.array([0.6, 1.0, 1.5])
GRID = np.arange(-45.0, 45.01, 0.2)
SHARPENED, FLANKED = (9, 10), (11, 12)
LEAST = {9: 0.08, 11: 2.0}
"""Least sharpening, and least width (px) of a flank of tooth beside a short casting, that count as found."""
CURVATURE_PER_PX = 0.003
"""Prior of an outline's quadratic coefficient: radius of 3 mm and more at 20 um a pixel."""
OVERSHOOT, FEIGNED_DIP = 0.008, 0.02
"""Least bright rim beside the outline, scaled grey, for sharpening to be considered; how deep a dip a neighbouring tooth feigns."""
METAL_SHARE = 0.93
"""Metal is at least this bright, as a share of the most radiopaque in the picture: enamel is not."""
MODEL_SHARE = 0.003
"""What the model itself leaves unexplained, as a share of the contrast between metal and gum."""


@dataclass(frozen=True)
class Response:
    """Rendering of edges in one photo, near one site.

    Parameters
    ----------
    log_parameters : ndarray, shape (3,)
        Natural logarithms of blur sigma (px), kappa, and white minus metal (scaled grey).
    covariance : ndarray, shape (3, 3)
    sharpening, radius_px : float
        Amount and radius of the machine's unsharp mask; amount 0 where none was found.
    dark, bright : float
        Grey values of gum and metal: what 0 and 1 of scaled grey stand for.
    ceiling : float
        Scaled grey at which the picture clips, or infinity.
    misfit : float
        Root mean square of what is left unexplained beside the outline, in expected standard deviations.
    """

    log_parameters: np.ndarray
    covariance: np.ndarray
    sharpening: float
    radius_px: float
    dark: float
    bright: float
    ceiling: float
    misfit: float = 1.0

    @property
    def blur_px(self) -> float:
        """Standard deviation of the blur, pixels."""
        return float(np.exp(self.log_parameters[0]))

    def scaled(self, grey: np.ndarray) -> np.ndarray:
        """Grey values with gum at 0 and metal at 1."""
        return np.asarray((grey - self.dark) / (self.bright - self.dark))

    def render(self, exposure: np.ndarray, log_parameters: np.ndarray, step_px: float) -> np.ndarray:
        """Scaled grey of blurred exposure on a grid along the last axis."""
        grey = _shown(exposure, log_parameters)
        if self.sharpening > 0.0:
            grey = grey + self.sharpening * (grey - gaussian_filter1d(grey, self.radius_px / step_px, axis=-1, mode="nearest"))
        return np.asarray(np.minimum(grey, self.ceiling))

    def render_slopes(
        self, exposure: np.ndarray, slopes: np.ndarray, log_parameters: np.ndarray, step_px: float
    ) -> tuple[np.ndarray, np.ndarray]:
        """Scaled grey of k rows of blurred exposure (k, m), and its derivatives (k, p, m) from those of exposure.

        `log_parameters` (k, 3) are the parameters 5 to 7 of the p.
        """
        kappa, rest = np.exp(log_parameters[:, 1:2]), np.exp(log_parameters[:, 2:3])
        floored = np.maximum(exposure, 1e-9)
        log_exposure = np.log(floored)
        root = np.exp(log_exposure / kappa)
        grey = 1.0 + rest - root
        slopes = slopes * np.where(exposure > 1e-9, -root / (kappa * floored), 0.0)[:, None]
        slopes[:, 6] += root * log_exposure / kappa
        slopes[:, 7] += rest
        if self.sharpening > 0.0:
            grey, slopes = (
                a + self.sharpening * (a - gaussian_filter1d(a, self.radius_px / step_px, axis=-1, mode="nearest")) for a in (grey, slopes)
            )
        return np.minimum(grey, self.ceiling), np.where((grey > self.ceiling)[:, None], 0.0, slopes)


def exposure_of(scaled_grey: np.ndarray | float, log_parameters: np.ndarray) -> np.ndarray:
    """Exposure of a scaled grey value under the curve of `log_parameters`."""
    white = 1.0 + np.exp(log_parameters[2])
    return np.asarray(np.maximum(white - np.asarray(scaled_grey), 1e-6) ** np.exp(log_parameters[1]))


def _shown(exposure: np.ndarray, log_parameters: np.ndarray) -> np.ndarray:
    """Scaled grey of an exposure: the inverse of `exposure_of`."""
    white = 1.0 + np.exp(log_parameters[2])
    return np.asarray(white - np.maximum(exposure, 1e-12) ** np.exp(-log_parameters[1]))


def autocorrelation_sum(residual: np.ndarray, axis: int, lags: int = 5) -> float:
    """How many neighbouring samples along `axis` carry one independent one (at least 1)."""
    centred = np.moveaxis(residual - residual.mean(), axis, 0)
    power = float(np.mean(centred**2)) or 1.0
    count = min(lags, centred.shape[0] - 2)
    total = 1.0 + 2.0 * sum(max(0.0, float(np.mean(centred[k:] * centred[:-k])) / power) for k in range(1, count + 1))
    return max(1.0, total)


def noise_level(rows: np.ndarray) -> float:
    """Standard deviation of noise in a straightened band, from second differences of its rows, robust, same unit."""
    bent = rows[4:] - 2.0 * rows[2:-2] + rows[:-4]
    return max(float(np.median(np.abs(bent - np.median(bent))) * 1.4826 / np.sqrt(6.0)), 1e-6)


def fit_response(
    along_px: np.ndarray, across_px: np.ndarray, grey: np.ndarray, clip: float, brightest: float
) -> tuple[Response, np.ndarray, np.ndarray]:
    """Blur, grey curve and position of the casting's outline.

    Parameters
    ----------
    along_px : ndarray, shape (n,)
        Distance of each row from the finish line, towards the casting's bulk.
    across_px : ndarray, shape (m,)
        Positive outwards, from metal to gum; equally spaced.
    grey : ndarray, shape (n, m)
    clip : float
        Grey at which the picture is saturated.
    brightest : float
        Grey of the most radiopaque things in the picture, above the darkest.

    Returns
    -------
    response : Response
    outline : ndarray, shape (3,)
        Position of the edge: ``outline[0] + outline[1] * along + outline[2] * along ** 2``, pixels.
    covariance : ndarray, shape (6, 6)
        Of (outline, log_parameters) together.

    Raises
    ------
    Refused
        ``no_metal_edge``: no edge from bright to dark is there.
    """
    bright, dark = float(np.median(grey[:, :4])), float(np.median(grey[:, -5:]))
    noise = noise_level(grey)
    if bright - dark < max(8.0 * noise, 0.08 * clip) or bright < METAL_SHARE * brightest:
        raise Refused("no_metal_edge", "beside the outer end of the site no metal stands out against the gum.",
                      "Trace along the interface from its outer end; take a crop that shows the casting's outline.")  # fmt: skip
    scaled = (grey - dark) / (bright - dark)
    ceiling = (clip - dark) / (bright - dark) if bright > 0.985 * clip else np.inf
    sigma = np.hypot(noise / (bright - dark), MODEL_SHARE)
    best, doubt = _best_edge(along_px, across_px, scaled, ceiling, sigma)
    amount, radius = float(best.x[9]), float(np.exp(best.x[10]))
    amount = amount if amount > LEAST[9] else 0.0
    residual = best.fun[: scaled.size].reshape(scaled.shape)
    misfit = float(np.sqrt(np.mean(residual**2)))
    inflation = autocorrelation_sum(residual, 0) * autocorrelation_sum(residual, 1) * max(1.0, misfit**2)
    covariance = _covariance(best.jac, scaled.size, inflation)[:6, :6] + np.outer(doubt, doubt)
    response = Response(best.x[3:6], covariance[3:, 3:], amount, radius, dark, bright, float(ceiling), misfit)
    return response, best.x[:3], covariance


def _best_edge(
    along: np.ndarray, across: np.ndarray, scaled: np.ndarray, ceiling: float, sigma: float
) -> tuple[Any, np.ndarray]:  # SciPy's result is untyped
    """The fit of a bare edge, a sharpened one, or one before a flank of tooth; and by how much it may be the wrong of two.

    The other model must explain more by a tenth. Near that bound either may be true: the weight of the one not
    taken, w, falls off with the distance from it, and w (1 - w) of their squared difference is variance (six parameters).
    """
    plain = _least_squares(along, across, scaled, ceiling, sigma, (), 0.0)
    overshoots = _overshoot(along, across, scaled, plain.x, ceiling) > OVERSHOOT
    others = [
        (free, _least_squares(along, across, scaled, ceiling, sigma, free, begin))
        for free, begin in (((SHARPENED, 0.3),) if overshoots else ((FLANKED, 4.0), (FLANKED, 9.0)))
    ]
    free, other = min(others, key=lambda one: float(one[1].cost))
    if other.x[free[0]] <= LEAST[free[0]]:
        return plain, np.zeros(6)
    bound = max(10.0, 0.1 * float(plain.cost))
    beyond = float(plain.cost - other.cost) - bound
    weight = 1.0 / (1.0 + np.exp(min(abs(beyond) / (0.25 * bound), 50.0)))
    return other if beyond > 0 else plain, np.sqrt(weight * (1.0 - weight)) * (other.x - plain.x)[:6]


def _covariance(jacobian: np.ndarray, data: int, inflation: float) -> np.ndarray:
    """Inverse information: data rows weighed down for correlated noise, prior rows kept."""
    information = jacobian[:data].T @ jacobian[:data] / inflation + jacobian[data:].T @ jacobian[data:]
    return np.asarray(np.linalg.pinv(information, hermitian=True))


def _overshoot(along: np.ndarray, across: np.ndarray, scaled: np.ndarray, p: np.ndarray, ceiling: float) -> float:
    """How much brighter the metal is beside its outline than farther in, scaled grey: an unsharp mask does that, nothing else does.

    Where the metal is clipped the dark rim on the gum must tell, less what a neighbouring tooth may feign.
    """
    position = np.round(across[None, :] - (p[0] + p[1] * along + p[2] * along**2)[:, None])
    curve = {at: float(np.median(scaled[position == at])) for at in np.unique(position) if (position == at).sum() > len(along) // 2}
    metal, rim, dark = [v for at, v in curve.items() if at < -9], [v for at, v in curve.items() if -9 <= at <= 0], list(curve.values())
    if not (metal and rim):
        return 0.0
    if np.isfinite(ceiling):
        return float(np.median(dark[-2:])) - min(dark) - FEIGNED_DIP
    return max(rim) - float(np.median(metal))


def _least_squares(
    along: np.ndarray, across: np.ndarray, scaled: np.ndarray, ceiling: float, sigma: float, free: tuple[int, ...], begin: float
) -> Any:  # SciPy's result is untyped
    """Fit of the edge; of the last four parameters (sharpening, its radius, flank's width and density) only `free` ones move."""
    half = np.array([across[int(np.argmin(np.abs(row - 0.5)))] for row in scaled])
    slope, offset = np.polyfit(along, half, 1) if len(along) > 2 else (0.0, float(half.mean()))
    start = np.array([offset, slope, 0.0, *PRIOR_MEAN, 0.0, 0.0, 1.0, 0.0, np.log(1.5), 0.0, np.log(0.3)])
    start[[*free[:1]]] = begin
    start[0] -= 0.8 * begin if free == FLANKED else 0.0
    low = np.array([-60, -3, -0.1, np.log(0.4), 0.0, np.log(0.01), -0.3, -0.05, 0.7, 0.0, np.log(0.7), 0.0, -4.5])
    high = np.array([60, 3, 0.1, np.log(6.0), np.log(25.0), np.log(12.0), 0.3, 0.05, 1.008, 3.0, np.log(6.0), 20.0, 1.0])
    prior = np.zeros((4, len(start)))
    prior[[0, 1, 2, 3], [3, 4, 5, 2]] = [*(1.0 / PRIOR_U), 1.0 / CURVATURE_PER_PX]
    outline = Outline(along, across, scaled, sigma, GRID, lambda p: _edge_curves(p, ceiling), prior, np.append(PRIOR_MEAN / PRIOR_U, 0.0))
    return outline.fit(start, low, high, np.array([*range(9), *free]))


def _edge_curves(p: np.ndarray, ceiling: float) -> np.ndarray:
    """Scaled grey across the outline on `GRID`, one row a row of `p`: metal, perhaps a flank of tooth behind it, gum."""
    curve, step = p[:, 3:6].T[..., None], float(GRID[1] - GRID[0])
    metal, gum = exposure_of(p[:, 8:9], curve), exposure_of(p[:, 6:7] + p[:, 7:8] * np.maximum(GRID, 0.0), curve)
    flanked = p[:, 11] > 0.0
    outside = gum
    if flanked.any():
        flank = np.exp(-np.exp(p[:, 12:13]) * np.maximum(p[:, 11:12] - GRID, 0.0) ** 0.4)
        outside = np.where(flanked[:, None], gum * flank, gum)
    # a cell that the edge cuts is shared, so that the curve moves smoothly with the edge
    share = np.clip(0.5 + GRID / step, 0.0, 1.0)
    grey = _shown(_blurred(metal + (outside - metal) * share, np.exp(p[:, 3]) / step), curve)
    if (p[:, 9] > 0.0).any():
        grey = grey + p[:, 9:10] * (grey - _blurred(grey, np.exp(p[:, 10]) / step))
    return np.asarray(np.minimum(grey, ceiling))


def _blurred(rows: np.ndarray, sigma: np.ndarray) -> np.ndarray:
    """Rows, each under a Gaussian of its own sigma."""
    out = np.empty_like(rows)
    for one in np.unique(sigma):
        out[sigma == one] = gaussian_filter1d(rows[sigma == one], one, axis=-1, mode="nearest")
    return out
