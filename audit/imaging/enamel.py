"""The colour that a tooth's own enamel has, or would have, at every place inside its outline.

Everything that is asked of a pixel later is asked relative to this: a yellow tooth, a warm flash or a
dark exposure move the enamel and the pixel together.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from audit.imaging.colour import luminance

__all__ = ["Enamel", "brightest", "fit_enamel", "log_colour"]

_FLOOR = 0.004
_ROUNDS = 8


@dataclass(frozen=True)
class Enamel:
    """Modelled body colour of the enamel on the working grid.

    Parameters
    ----------
    log_light, red_green, green_blue : ndarray of float32, shape (h, w)
        ln Y, ln(R/G) and ln(G/B) of the enamel without highlights, in linear light.
    share : float
        Share of the outline's inside that agrees with the model (0 to 1).
    """

    log_light: np.ndarray
    red_green: np.ndarray
    green_blue: np.ndarray
    share: float


def log_colour(linear: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """ln Y, ln(R/G), ln(G/B) of linear light, shape (h, w, 3) to three of (h, w); dark pixels tend to neutral."""
    lifted = linear + np.float32(_FLOOR)
    logs = cv2.log(np.ascontiguousarray(lifted))
    return np.asarray(cv2.log(luminance(lifted))), logs[..., 0] - logs[..., 1], logs[..., 1] - logs[..., 2]


def brightest(linear: np.ndarray) -> np.ndarray:
    """The largest of the three channels, shape (..., 3) to (...)."""
    return np.asarray(np.maximum(np.maximum(linear[..., 0], linear[..., 1]), linear[..., 2]))


def fit_enamel(linear: np.ndarray, inside: np.ndarray, border_px: np.ndarray) -> Enamel:
    """Model the enamel of one tooth.

    Parameters
    ----------
    linear : ndarray of float32, shape (h, w, 3)
        Linear light of the working grid, balanced.
    inside : ndarray of bool, shape (h, w)
        Pixels within the outline.
    border_px : ndarray, shape (h, w)
        Distance to the outline, pixels of the working grid.

    Notes
    -----
    The mode of the chromaticities that a tooth can have (light falls on red, green, blue in that
    order, moderately), weighted towards the middle of the outline, starts a robust fit (Tukey's
    biweight) of a quadratic surface for ln Y and of planes for the two chromaticities. The weight of ln Y is
    one-sided: highlights lie above the body, shadow and stain below.
    """
    light, red_green, green_blue = log_colour(linear)
    depth = border_px / max(float(border_px.max()), 1.0)
    step = max(1, round(float(np.sqrt(np.count_nonzero(inside))) / 70.0))
    full = np.mgrid[0 : light.shape[0], 0 : light.shape[1]]
    rows, columns = full[0, ::step, ::step], full[1, ::step, ::step]
    pick = inside[::step, ::step] & (depth[::step, ::step] > 0.08)
    y, x = rows[pick], columns[pick]
    clear = brightest(linear[y, x]) < 0.95
    y, x = y[clear], x[clear]
    at = y, x
    terms = _terms(x, y, light.shape)
    values = np.stack([light[at], red_green[at], green_blue[at]], axis=1).astype(float)
    weight = _start(values, depth[at])
    surface = np.zeros((6, 3))
    for _ in range(_ROUNDS):
        surface, weight = _refit(terms, values, weight)
    body = _everywhere(surface, light.shape)
    low, high = np.quantile(terms @ surface, [0.02, 0.98], axis=0) if len(terms) else (np.full(3, -1.0), np.zeros(3))
    least, most = np.subtract(low, [0.5, 0.06, 0.12]), np.add(high, [0.2, 0.06, 0.12])
    body = np.clip(body, least.astype(np.float32)[:, None, None], most.astype(np.float32)[:, None, None])
    return Enamel(body[0], body[1], body[2], float(np.mean(weight > 0.3)) if len(weight) else 0.0)


def _terms(x: np.ndarray, y: np.ndarray, shape: tuple[int, ...]) -> np.ndarray:
    u, v = x / shape[1] - 0.5, y / shape[0] - 0.5
    return np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=-1)


def _everywhere(surface: np.ndarray, shape: tuple[int, ...]) -> np.ndarray:
    """The surfaces at every pixel, float32 (3, h, w)."""
    u, v = np.arange(shape[1]) / shape[1] - 0.5, (np.arange(shape[0]) / shape[0] - 0.5)[:, None]
    return np.stack([(c[0] + c[1] * u + c[3] * u * u + (c[2] * v + c[5] * v * v) + c[4] * u * v).astype(np.float32) for c in surface.T])


def _start(values: np.ndarray, depth: np.ndarray) -> np.ndarray:
    """Weights of pixels near the most common chromaticity that enamel can have."""
    light, red_green, green_blue = values.T
    possible = (red_green > -0.12) & (red_green < 0.45) & (green_blue > -0.05) & (green_blue < 1.15)
    bright = np.clip((light - np.quantile(light, 0.15)) / 0.5, 0.05, 1.0) if len(light) else light
    score = possible * bright * (0.3 + depth)
    edges = np.arange(-0.2, 0.6, 0.05), np.arange(-0.2, 1.4, 0.08)
    table, *_ = np.histogram2d(red_green, green_blue, bins=list(edges), weights=score)
    table = cv2.GaussianBlur(table, (0, 0), 0.8)
    i, j = np.unravel_index(int(np.argmax(table)), table.shape)
    near = ((red_green - edges[0][i] - 0.025) / 0.09) ** 2 + ((green_blue - edges[1][j] - 0.04) / 0.16) ** 2
    return np.asarray(score * np.exp(-near / 2.0))


def _refit(terms: np.ndarray, values: np.ndarray, weight: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    ridge = np.diag([1e-6, 0.02, 0.02, 0.08, 0.08, 0.08]) * max(float(weight.sum()), 1e-6)
    plane = np.diag([1e-6, 0.02, 0.02, 5.0, 5.0, 5.0]) * max(float(weight.sum()), 1e-6)
    normal = (terms * weight[:, None]).T @ terms
    right = (terms * weight[:, None]).T @ values
    surface = np.stack([np.linalg.solve(normal + (ridge if k == 0 else plane), right[:, k]) for k in range(3)], axis=1)
    off = (values - terms @ surface) / [0.35, 0.12, 0.22]
    off[:, 0] *= np.where(off[:, 0] < 0, 0.8, 1.0)
    reach = np.sum(off**2, axis=1) / 6.0
    return surface, np.clip(1.0 - reach, 0.0, None) ** 2
