"""Width of a lucent slot between metal and tooth on a radiograph, from the mean profile across the interface.

Exposure across the interface is metal, a slot of width w and level s, tooth; blurred by sigma, shown
through the grey curve of `edge_response`. Width and level of a slot narrower than the blur cannot be
told apart, so the level is kept between an eighth and all of the way from tooth to gum (the lightest
and the darkest lucent slot that is plausible) and intervals come from the profile likelihood of w.

Notes
-----
A level on the other side of the tooth's, between tooth and metal, is a radiopaque luting agent: such a
layer is looked for (`find_layer`), so that no gap is given beside it. One as grey as the tooth, one thinner than
the blur, and a slot closed by a tilted beam look like none. The limit given holds for a lucent slot open to this beam.
A profile that the model does not meet, and a slot whose level cannot be told from the tooth's, are refused.

References
----------
JCGM 101:2008, 7.7; Murphy, van der Vaart, J Am Stat Assoc 2000;95:449-465, https://doi.org/10.1080/01621459.2000.10474219
(profile likelihood).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2, norm

from audit.measure.batched_fit import minimise
from audit.measure.edge_response import Response
from audit.measure.slot_model import EDGE, LAYER_RANGE, LEVEL, LEVEL_RANGE, LEVEL_TYPICAL, RESPONSE, THIN, TOOTH, WIDTH, SlotModel

__all__ = ["Layer", "Slot", "find_layer", "fit_slot"]

LEVEL_U = 0.25
"""Standard uncertainty of the typical level."""
MODEL_SIGMA = 0.003
"""What the model leaves unexplained on the mean profile, as a share of the contrast of metal and gum."""
SHARPENED_SIGMA = 0.02
"""The same for each unit of sharpening amount: the mask's shape is a guess, and its dip beside metal looks like a slot."""
RISK = 0.05
"""Chance that a closed site, however many windows of it are looked at, is taken for open; and that a limit is too low."""
AREA_MODEL_BLUR = 0.10
"""Equivalent width that blur and grey curve of another shape can feign, in blur sigmas (standard uncertainty, from drawn scenes)."""
THIN_BLUR = 2.5
"""Up to this width, in blur sigmas, a slot must also be more lucent than the tooth beyond it."""
RESOLVED, RESOLVED_BLUR = 0.30, 1.6
"""A width is given where u is below this share of it, and from this many blur sigmas up."""
LEVEL_SIGNIFICANT = 3.0
"""A width is given where the slot's level differs from the tooth's by this many of its standard uncertainties."""
DARK_TOOTH = 0.06
"""Scaled grey of a tooth that is as dark as the gum: against it no lucent slot can be seen."""
WORST_MISFIT = 3.0
"""Mean square of misfit over standard uncertainty from which a profile is none of the model's."""
LAYER_FALL = 12.0
"""Fall in chi-square from which a radiopaque layer is taken as seen: chance and shape of the blur feign half of it (drawn scenes)."""
LAYER_BLUR = 0.7
"""Least thickness of such a layer, in blur sigmas."""

SLOT = np.arange(9)
"""Parameters of a slot; without the last, of one whose width is given."""
THIN_LINE = np.array([0, 1, 2, 3, 5, 6, 7, 9])
SETTLED = 1e-5
"""A fall in chi-square that no longer matters to the profile likelihood."""


@dataclass(frozen=True)
class Slot:
    """A slot found, or not.

    Parameters
    ----------
    status : str
        ``measured``, ``detected`` (there, but narrower than can be resolved), ``below_detection``, or why nothing can be said:
        ``no_contrast`` (slot and tooth, or tooth and gum, are too alike), ``unexplained`` (the profile is none of the model's).
    width_px : float
        Best estimate under the bounds.
    parts_px : dict of str to float
        Standard uncertainty by kind: ``noise``, ``blur``, ``tone``.
    interval_px : tuple of float
        95 %; ``(0, limit)`` below detection.
    signed_px, signed_u_px : float
        Unclipped estimate: the width where measured; the middle of the interval where detected, the width taken as evenly
        spread over it; below detection the equivalent width over the typical level.
    level, blur_px : float
        Slot level, 0 tooth to 1 gum; blur sigma of the fit.
    fit : ndarray, shape (m,)
        Fitted profile, scaled grey.
    """

    status: str
    width_px: float
    parts_px: dict[str, float]
    interval_px: tuple[float, float]
    signed_px: float
    signed_u_px: float
    level: float
    blur_px: float
    fit: np.ndarray


@dataclass(frozen=True)
class Layer:
    """A radiopaque layer between metal and tooth: where the metal ends, and the layer's thickness, pixels."""

    edge_px: float
    width_px: float


def fit_slot(offset_px: np.ndarray, grey: np.ndarray, sigma: float, response: Response, windows: int = 1) -> Slot:
    """Slot between metal and tooth.

    Parameters
    ----------
    offset_px : ndarray, shape (m,)
        From near the metal's edge into the tooth, equally spaced, about one pixel.
    grey : ndarray, shape (m,)
        Mean profile, grey values of the picture.
    sigma : float
        Standard uncertainty of the mean, grey values, correlation allowed for.
    response : Response
    windows : int
        How many windows of one site are looked at: critical values hold for all of them together (Bonferroni).

    Notes
    -----
    Least squares with the response's covariance as prior and `MODEL_SIGMA` added to the noise.
    """
    model = _model(offset_px, grey, sigma, response)
    widths, costs, fits = _profile_likelihood(model)
    best = int(np.argmin(costs))
    begin = fits[best : best + 1].copy()
    begin[:, WIDTH] = max(float(widths[best]), 0.05)
    free, lowest, slopes = minimise(model.linearised, begin, *model.bounds(), SLOT)
    width, least = float(free[0, WIDTH]), min(float(lowest[0]), float(costs[best]))
    signed, signed_u, area_z = _thin_line(model, fits[0], free[0])
    blur_px = float(np.exp(free[0, RESPONSE][0]))
    both, upper, lucent = chi2.isf(RISK / windows, 1), chi2.isf(2.0 * RISK / windows, 1), norm.isf(RISK / windows)
    exists = bool(costs[0] - least > both and (area_z > lucent or width >= THIN_BLUR * blur_px))
    low, high = _crossings(widths, costs, width, least, both if exists else upper)
    parts = _parts(slopes[0])
    u = max((high - low) / 3.92, float(np.hypot.reduce(parts)))
    noise, blur, tone = (part * u / max(float(np.hypot.reduce(parts)), 1e-9) for part in parts)
    status = "below_detection"
    if exists:
        resolved = u < RESOLVED * width and width > RESOLVED_BLUR * blur_px and low > 0.0 and bool(np.isfinite(high))
        status, (signed, signed_u) = ("measured", (width, u)) if resolved else ("detected", _evenly_spread(low, high))
    status = _doubt(model, free[0], slopes[0], least, status) or status
    interval = (low if exists else 0.0, high)
    return Slot(status, width, {"noise": noise, "blur": blur, "tone": tone}, interval, signed, signed_u, float(free[0, LEVEL]), blur_px,
                model.draw(free)[0][0])  # fmt: skip


def _model(offset_px: np.ndarray, grey: np.ndarray, sigma: float, response: Response) -> SlotModel:
    covariance = response.covariance + np.diag([0.03**2, 0.05**2, 0.05**2])
    root = np.linalg.cholesky(np.linalg.inv(covariance)).T
    own = np.hypot(sigma / (response.bright - response.dark), MODEL_SIGMA + SHARPENED_SIGMA * response.sharpening)
    return SlotModel(offset_px, response.scaled(grey), np.full(len(grey), own), response, root)


def _evenly_spread(low: float, high: float) -> tuple[float, float]:
    """Mean and standard deviation of a width that may lie anywhere between two."""
    return (low + high) / 2.0, (high - low) / float(np.sqrt(12.0))


def _doubt(model: SlotModel, found: np.ndarray, slopes: np.ndarray, least: float, status: str) -> str:
    """Why nothing can be said, or an empty string."""
    if least > WORST_MISFIT * len(model.grey):
        return "unexplained"
    if found[TOOTH] < DARK_TOOTH:
        return "no_contrast"
    if status != "measured":
        return ""
    u_level = float(np.sqrt(np.linalg.pinv(slopes @ slopes.T, hermitian=True)[LEVEL, LEVEL]))
    at_bound = found[LEVEL] < LEVEL_RANGE[0] + 1e-3
    return "no_contrast" if at_bound or found[LEVEL] < LEVEL_SIGNIFICANT * u_level else ""


def find_layer(offset_px: np.ndarray, grey: np.ndarray, sigma: float, response: Response) -> Layer | None:
    """A radiopaque layer between metal and tooth, where one explains the profile better than no slot and than a lucent one.

    Parameters are those of `fit_slot`.
    """
    model = _model(offset_px, grey, sigma, response)
    _, costs, _ = _profile_likelihood(model)
    reach = 0.6 * float(offset_px[-1] - offset_px[0])
    widths = np.array([w for w in (1.0, 2.0, 3.0, 5.0, 8.0, 12.0, 18.0, 25.0) if w < reach])
    begin = np.tile(model.start(), (4 * len(widths), 1))
    begin[:, WIDTH] = np.tile(widths, 4)
    begin[:, LEVEL] = np.repeat([-0.3, -0.3, -0.7, -0.7], len(widths))
    begin[:, EDGE] -= begin[:, WIDTH] * np.repeat([0.0, 1.0, 0.0, 1.0], len(widths))
    found, sums, _ = minimise(model.linearised, begin, *model.bounds(LAYER_RANGE), SLOT, SETTLED)
    one = int(np.argmin(sums))
    edge, width, blur = float(found[one, EDGE]), float(found[one, WIDTH]), float(np.exp(found[one, RESPONSE][0]))
    inside = edge + width < float(offset_px[-1]) - 8.0
    seen = float(costs.min() - sums[one]) > LAYER_FALL and width > LAYER_BLUR * blur and inside
    return Layer(edge, width) if seen else None


def _profile_likelihood(model: SlotModel) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Widths, least sum of squares at each, and the parameters there; every width is begun from two slot levels."""
    reach = float(model.offset[-1]) - 6.0
    widths = np.concatenate([[0.0, 0.25, 0.5, 0.75], np.arange(1.0, 3.0, 0.5), np.arange(3.0, 8.0), np.arange(8.0, max(reach, 9.0), 2.0)])
    begin = np.tile(model.start(), (2 * len(widths), 1))
    begin[:, LEVEL], begin[:, WIDTH] = np.repeat([0.3, 0.9], len(widths)), np.tile(widths, 2)
    fits, sums, _ = minimise(model.linearised, begin, *model.bounds(), SLOT[:-1], SETTLED)
    second = sums[len(widths) :] < sums[: len(widths)]
    chosen = np.arange(len(widths)) + len(widths) * second
    return widths, sums[chosen], fits[chosen]


def _crossings(widths: np.ndarray, costs: np.ndarray, width: float, lowest: float, fall: float) -> tuple[float, float]:
    """Where the profile of chi-square rises by `fall` on either side of the best width; infinite where it never does."""
    rise = costs - lowest - fall
    above = np.flatnonzero((widths > width) & (rise > 0))
    below = np.flatnonzero((widths < width) & (rise > 0))
    high = np.inf
    if above.size:
        k = int(above[0])
        high = _between(widths, rise, k - 1, k) if k > 0 else float(widths[0])
    low = _between(widths, rise, int(below[-1]), min(int(below[-1]) + 1, len(widths) - 1)) if below.size else 0.0
    return min(low, width), max(high, width)


def _between(widths: np.ndarray, rise: np.ndarray, a: int, b: int) -> float:
    if rise[a] * rise[b] >= 0.0:
        return float((widths[a] + widths[b]) / 2)
    return float(widths[a] - rise[a] * (widths[b] - widths[a]) / (rise[b] - rise[a]))


def _parts(slopes: np.ndarray) -> tuple[float, float, float]:
    """Standard uncertainty of the width: with the response known, and through blur and curve."""
    information = slopes @ slopes.T
    full = np.linalg.pinv(information, hermitian=True)
    own = [0, 1, 2, 3, 4, 8]
    alone = np.linalg.pinv(information[np.ix_(own, own)], hermitian=True)
    slopes = -(alone @ information[np.ix_(own, [5, 6, 7])])[-1]
    noise = float(np.sqrt(max(alone[-1, -1], 0.0)))
    rest = float(np.sqrt(max(full[8, 8] - alone[-1, -1], 0.0)))
    shares = np.abs(slopes) * np.sqrt(np.maximum(np.diag(full)[5:8], 0.0))
    total = float(np.hypot.reduce(shares)) or 1.0
    return noise, rest * float(shares[0]) / total, rest * float(np.hypot(shares[1], shares[2])) / total


def _thin_line(model: SlotModel, closed: np.ndarray, best: np.ndarray) -> tuple[float, float, float]:
    """Equivalent width of a thin line of either sign over the typical level, its standard uncertainty (pixels), and area over noise."""
    begin = np.array([closed, best])
    begin[:, WIDTH:] = [[0.0, 0.0], [0.0, best[LEVEL] * best[WIDTH]]]
    begin[:, LEVEL] = 0.0
    found, sums, slopes = minimise(model.linearised, begin, *model.bounds(), THIN_LINE, SETTLED)
    one = int(np.argmin(sums))
    area, blur = float(found[one, THIN]), float(np.exp(found[one, RESPONSE][0]))
    u = float(np.sqrt(np.linalg.pinv(slopes[one] @ slopes[one].T, hermitian=True)[-1, -1]))
    signed_u = float(np.hypot(u, area * LEVEL_U / LEVEL_TYPICAL)) / LEVEL_TYPICAL
    return area / LEVEL_TYPICAL, signed_u, area / float(np.hypot(u, AREA_MODEL_BLUR * blur))
