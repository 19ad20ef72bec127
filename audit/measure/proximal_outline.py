"""How far the casting's outline stands out over the tooth's at the finish line, to sub-pixel.

Geometry: the `fit_site` meets the proximal outline at its outer end, the one nearer to the interdental
space. There x' points outwards along the site and y' at right angles towards the casting. The outlines
of casting (y' > 0) and tooth (y' < 0) are fitted each by a line or parabola over some 0.15 to 0.5 mm and
extended to the finish line, y' = 0. Step = casting - tooth: overhang positive, short margin negative.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.ndimage import gaussian_filter1d

from audit.errors import Refused
from audit.imaging.sample import sample
from audit.measure.edge_response import CURVATURE_PER_PX, MODEL_SHARE, Response, autocorrelation_sum, exposure_of, fit_response, noise_level
from audit.measure.outline_fit import Outline

__all__ = ["OuterEnd", "Step", "centre_on_interface", "find_outer_end", "fit_step", "read_response"]

ROUNDED_GRID = np.arange(-30.0, 30.0, 0.25)
"""Distances from a rounded outline at which its profile is drawn, pixels."""
INNER_PX = 17.0
"""How far inside the outline profiles begin: room for the tooth's flank beside a short casting."""
WORST_MISFIT = 2.0
"""Root mean square of misfit over noise from which an outline is none of the model's."""
UNEVEN_PX = 0.3
"""How far a mean of four rows may lie from the parabola through all: smooth outlines stay within 0.1 (drawn scenes)."""
SIDE_MM = (0.25, 0.6)
"""Distance from the trace at which metal and tooth are compared."""
ROUNDED, FLAT = (0.38, 0.07), (0.03, 0.02)
"""Exponent q of the path through a tooth, depth ** q, and its u: 0.5 for a cylinder, about 0.3 for a nearly flat approximal surface;
a surface that is flat along the beam shows a plain step."""


@dataclass(frozen=True)
class OuterEnd:
    """Frame at the outer end of a site: origin and unit vectors outwards and towards the casting, pixels, x right, y down."""

    origin: np.ndarray
    outwards: np.ndarray
    to_metal: np.ndarray

    def at(self, across_px: np.ndarray, along_px: np.ndarray) -> np.ndarray:
        """Pixel coordinates, shape (n along, m across, 2)."""
        return np.asarray(self.origin + along_px[:, None, None] * self.to_metal + across_px[None, :, None] * self.outwards)


@dataclass(frozen=True)
class Step:
    """Step at one outer end, pixels, with its parts of standard uncertainty, and both outlines on the image for drawing.

    `misfit` (1 and more) is how much worse than expected the models of the outlines meet the picture.
    """

    step_px: float
    parts_px: dict[str, float]
    misfit: float
    metal_xy: np.ndarray
    tooth_xy: np.ndarray


def find_outer_end(grey: np.ndarray, site_xy: np.ndarray, mm_per_px: float) -> OuterEnd:
    """Which end of a traced interface meets the interdental space, and on which side the metal lies.

    Parameters
    ----------
    grey : ndarray, shape (height, width)
        Radiopaque = bright.
    site_xy : ndarray, shape (n, 2)
    mm_per_px : float

    Raises
    ------
    Refused
        ``interface_not_found``: neither side of the trace is brighter, or both ends look alike.
    """
    direction = _direction(site_xy)
    normal = np.array([-direction[1], direction[0]])
    reach = np.arange(SIDE_MM[0] / mm_per_px, SIDE_MM[1] / mm_per_px)
    sides = [float(np.nanmedian(sample(grey, site_xy[:, None] + sign * reach[None, :, None] * normal))) for sign in (1.0, -1.0)]
    spread = float(np.ptp(grey[::7, ::7])) or 1.0
    if abs(sides[0] - sides[1]) < 0.04 * spread:
        raise Refused("interface_not_found", "neither side of the trace is metal.", "Trace along the interface of casting and tooth.")
    to_metal = normal if sides[0] > sides[1] else -normal
    ends = []
    for origin, outwards in ((site_xy[0], -direction), (site_xy[-1], direction)):
        beyond = origin + np.arange(6.0, 20.0)[:, None, None] * outwards + np.arange(-8.0, 9.0, 2.0)[None, :, None] * to_metal
        ends.append((float(np.nanmedian(sample(grey, beyond))), OuterEnd(origin, outwards, to_metal)))
    if abs(ends[0][0] - ends[1][0]) < 0.04 * spread or np.isnan([ends[0][0], ends[1][0]]).any():
        raise Refused("interface_not_found", "no end of the trace meets the interdental space.",
                      "Draw the site from the proximal outline inwards, along the interface.")  # fmt: skip
    return min(ends, key=lambda end: end[0])[1]


def centre_on_interface(grey: np.ndarray, site_xy: np.ndarray, end: OuterEnd, reach_px: float) -> tuple[np.ndarray, OuterEnd]:
    """The traced line and its outer end, moved at right angles onto the lower edge of the metal.

    Parameters
    ----------
    grey : ndarray, shape (height, width)
    site_xy : ndarray, shape (n, 2)
        Evenly spaced.
    end : OuterEnd
    reach_px : float
        Farthest error of the hand that is searched.

    Raises
    ------
    Refused
        ``interface_not_found``: no fall from metal to tooth within reach.
    """
    offset = np.arange(-reach_px - 8.0, reach_px + 8.5)
    middle = site_xy[len(site_xy) // 5 : -max(1, len(site_xy) // 8)]
    band = sample(grey, middle[:, None] + offset[None, :, None] * end.to_metal).astype(float)
    if np.isnan(band).any():
        raise Refused("outside_crop", "the site lies at the border of the picture.", "Take a crop with 1 mm around every site.")
    rise = np.gradient(gaussian_filter1d(np.median(band, axis=0), 1.5))
    best = int(np.argmax(rise[8:-8])) + 8
    spread = np.ptp(np.median(band, axis=0))
    if rise[best] < 0.02 * spread or spread < 6.0 * noise_level(band):
        raise Refused("interface_not_found", "no edge of metal lies within reach of the trace.", "Trace along the edge of the casting.")
    move = offset[best] * end.to_metal
    return site_xy + move, OuterEnd(end.origin + move, end.outwards, end.to_metal)


def _direction(xy: np.ndarray) -> np.ndarray:
    centred = xy - xy.mean(axis=0)
    axis = np.linalg.svd(centred, full_matrices=False)[2][0]
    return np.asarray(axis * np.sign(axis @ (xy[-1] - xy[0]) or 1.0))


def read_response(grey: np.ndarray, end: OuterEnd, rows_px: tuple[float, float], clip: float) -> tuple[Response, np.ndarray, np.ndarray]:
    """Edge response and the casting's outline beside a site; see `fit_response`.

    Raises
    ------
    Refused
        ``outline_uneven``: the casting's outline is no smooth line here.
    """
    along, across = _window(grey, end, rows_px)
    rows = sample(grey, end.at(across, along), cubic=True).astype(float)
    _hold_smooth(along, across, rows, "casting's")
    found = fit_response(along, across, rows, clip, float(np.percentile(grey, 99.5)))
    if found[0].misfit > WORST_MISFIT:
        raise _uneven("casting's")
    return found


def _hold_smooth(along: np.ndarray, across: np.ndarray, rows: np.ndarray, whose: str) -> None:
    """Refuse an outline that leaves its own parabola: a notch, a layer that stands out, a calculus, another tooth's edge."""
    level = float(np.median(rows[:, -4:]) + np.median(rows[:, :4])) / 2.0
    falls = np.argmax(-np.gradient(gaussian_filter1d(rows, 1.0, axis=1), axis=1), axis=1)
    crossings = np.array([_crossing(across, row, level, int(at)) for row, at in zip(rows, falls, strict=True)])
    found = np.isfinite(crossings)
    if found.sum() < 0.7 * len(rows):
        raise _uneven(whose)
    curve = np.polyfit(along[found], crossings[found], 2)
    off = np.convolve(crossings[found] - np.polyval(curve, along[found]), np.ones(4) / 4.0, mode="valid")
    if np.abs(off).max(initial=0.0) > UNEVEN_PX:
        raise _uneven(whose)


def _crossing(across: np.ndarray, row: np.ndarray, level: float, near: int) -> float:
    """Where a row falls through `level`, nearest to sample `near`; NaN if it does not within 8 samples."""
    begin = max(near - 8, 0)
    part = row[begin : near + 9]
    at = np.flatnonzero((part[:-1] >= level) & (part[1:] < level))
    if not at.size:
        return float("nan")
    k = begin + int(at[np.argmin(np.abs(begin + at - near))])
    return float(across[k] + (row[k] - level) / (row[k] - row[k + 1]))


def _uneven(whose: str) -> Refused:
    return Refused("outline_uneven", f"the {whose} outline beside the site is no smooth line.",
                   "Look for a notch, excess luting agent or calculus there; judge the step by eye and explorer.")  # fmt: skip


def _window(grey: np.ndarray, end: OuterEnd, rows_px: tuple[float, float]) -> tuple[np.ndarray, np.ndarray]:
    """Rows and columns about the outline: the steepest fall from bright to dark near the outer end."""
    sign = np.sign(rows_px[1])
    along = sign * np.arange(abs(rows_px[0]), abs(rows_px[1]) + 0.5)
    wide = np.arange(-30.0, 31.0)
    rows = sample(grey, end.at(wide, along), cubic=False).astype(float)
    if np.isnan(rows).any():
        raise Refused("outside_crop", "the outline beside the site leaves the picture.", "Take a crop with 1 mm around every site.")
    fall = -np.gradient(gaussian_filter1d(np.median(rows, axis=0), 2.0))
    peak = int(np.argmax(fall[6:-6])) + 6
    return along, wide[peak] + np.arange(-INNER_PX, _gum_width(rows[:, peak:]) + 0.5)


def _gum_width(outside: np.ndarray) -> int:
    """Pixels of gum beyond the outline before the next tooth brightens it, 6 to 15, in the tightest row."""
    widths = []
    for row in gaussian_filter1d(outside, 1.0, axis=1):
        low = int(np.argmin(row))
        rise = np.flatnonzero(row[low:] > row[low] + 0.02 * (row[0] - row[low]))
        widths.append(low + int(rise[0]) - 1 if rise.size else 15)
    return int(np.clip(min(widths), 6, 15))


def fit_step(
    grey: np.ndarray, end: OuterEnd, rows_px: tuple[float, float], slot_px: float, response: Response,
    outline: np.ndarray, covariance: np.ndarray, skip_px: float = 0.0,
) -> Step:  # fmt: skip
    """Step between the casting's outline and the tooth's, both extended to the middle of the slot between them.

    Parameters
    ----------
    grey : ndarray, shape (height, width)
    end : OuterEnd
    rows_px : tuple of float
        Nearest and farthest distance from the finish line that is used, pixels.
    slot_px : float
        Width of the slot between casting and tooth, 0 where none is seen.
    response, outline, covariance
        From `read_response`.
    skip_px : float
        How much farther from the finish line the tooth's outline is read.

    Raises
    ------
    Refused
        ``outline_uneven``: an outline is no smooth line, or none of the model's, as where an inclined beam shows the finish
        line at several heights.

    Notes
    -----
    The tooth thins out towards its outline: exposure ``B = B_gum exp(-a d**q)`` with depth d inside,
    blurred; q has a prior (0.38 with 0.07, else that of a flat surface), the blur and the grey curve come from the casting's outline.
    """
    along, across = _window(grey, end, (-rows_px[0] - slot_px - skip_px, -rows_px[1] - slot_px - skip_px))
    rows = sample(grey, end.at(across, along), cubic=True).astype(float)
    _hold_smooth(along, across, rows, "tooth's")
    level = -slot_px / 2
    edge, parts = _tooth_edge(along, across, response.scaled(rows), response, level, ROUNDED)
    if parts["misfit"] > WORST_MISFIT:
        edge, parts = _tooth_edge(along, across, response.scaled(rows), response, level, FLAT)
    if parts["misfit"] > WORST_MISFIT:
        raise _uneven("tooth's")
    powers = np.array([1.0, level, level**2])
    lever = np.concatenate([powers, np.zeros(3)])
    inverse = np.linalg.inv(response.covariance + 1e-12 * np.eye(3))
    with_response = (covariance @ lever)[3:]
    gradient = inverse @ with_response - parts["slopes"]
    tone = gradient @ np.linalg.cholesky(response.covariance + 1e-12 * np.eye(3))
    own = float(lever @ covariance @ lever - with_response @ inverse @ with_response)
    sources = {"noise": float(np.sqrt(max(own, 0.0) + parts["noise"] ** 2)), "outline": parts["curve"],
               "blur": float(tone[0]), "tone": float(np.hypot(tone[1], tone[2]))}  # fmt: skip
    metal_along, tooth_along = np.linspace(level, rows_px[1], 12), np.linspace(level, along[-1], 12)
    metal, tooth = (
        end.origin + t[:, None] * end.to_metal + np.polyval(c[::-1], t)[:, None] * end.outwards
        for t, c in ((metal_along, outline), (tooth_along, edge))
    )
    return Step(float(powers @ (outline - edge)), sources, max(1.0, response.misfit, parts["misfit"]), metal, tooth)


def _tooth_edge(
    along: np.ndarray, across: np.ndarray, scaled: np.ndarray, response: Response, level: float, exponent: tuple[float, float]
) -> tuple[np.ndarray, dict[str, Any]]:
    """Tooth outline coefficients, and parts: noise, exponent of the curve, slopes against the response's logarithms."""
    sigma = float(np.hypot(noise_level(scaled), MODEL_SHARE))
    gum = float(np.median(scaled[:, -5:]))
    bright = float(np.median(scaled[:, :5]))
    half = np.array([across[int(np.argmin(np.abs(row - (gum + bright) / 2)))] for row in scaled])
    slope, offset = np.polyfit(along, half, 1)
    start = np.array([offset + 1.0, slope, 0.0, np.log(0.3), exponent[0], gum, 0.0])
    lowest = max(exponent[0] - 3.3 * exponent[1], 0.005)
    low, high = np.array([-60.0, -3.0, -0.1, -5.0, lowest, -1.0, -0.05]), np.array([60.0, 3.0, 0.1, 3.0, 0.8, 1.0, 0.05])
    prior = np.zeros((3, 7))
    prior[[0, 1, 2], [4, 2, 6]] = 1.0 / exponent[1], 1.0 / CURVATURE_PER_PX, 1.0 / 0.01
    prior_mean = np.array([exponent[0] / exponent[1], 0.0, 0.0])

    def solve(log_parameters: np.ndarray, start: np.ndarray) -> Any:
        def shapes(p: np.ndarray) -> np.ndarray:
            return _rounded_edges(p, log_parameters, response)

        return Outline(along, across, scaled, sigma, ROUNDED_GRID, shapes, prior, prior_mean).fit(start, low, high, np.arange(7))

    best = solve(response.log_parameters, start)
    residual = best.fun[: scaled.size].reshape(scaled.shape)
    inflation = autocorrelation_sum(residual, 0) * autocorrelation_sum(residual, 1) * max(1.0, float(np.mean(residual**2)))
    data, prior = best.jac[: scaled.size], best.jac[scaled.size :]
    information = data.T @ data / inflation + prior.T @ prior
    lever = np.array([1.0, level, level**2])
    fixed = np.delete(np.arange(7), 4)
    full = lever @ np.linalg.pinv(information, hermitian=True)[:3, :3] @ lever
    known = lever @ np.linalg.pinv(information[np.ix_(fixed, fixed)], hermitian=True)[:3, :3] @ lever
    slopes = np.array([(solve(response.log_parameters + d, best.x).x[:3] - best.x[:3]) @ lever / 0.05 for d in 0.05 * np.eye(3)])
    misfit = float(np.sqrt(np.mean(residual**2)))
    return best.x[:3], {"noise": float(np.sqrt(known)), "curve": float(np.sqrt(max(full - known, 0.0))), "slopes": slopes, "misfit": misfit}


def _rounded_edges(p: np.ndarray, log_parameters: np.ndarray, response: Response) -> np.ndarray:
    """Scaled grey across a rounded outline on `ROUNDED_GRID`, one row a row of `p`."""
    grid, step = ROUNDED_GRID, float(ROUNDED_GRID[1] - ROUNDED_GRID[0])
    gum = exposure_of(p[:, 5:6] + p[:, 6:7] * np.maximum(grid, 0.0), log_parameters)
    sharp = gum * np.exp(-np.exp(p[:, 3:4]) * np.maximum(-grid, 0.0) ** p[:, 4:5])
    blurred = gaussian_filter1d(sharp, np.exp(log_parameters[0]) / step, axis=-1, mode="nearest")
    return response.render(blurred, log_parameters, step)
