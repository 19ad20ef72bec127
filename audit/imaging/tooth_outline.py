"""Proposes the outline of a tooth from one click on it; the reader corrects it."""

from __future__ import annotations

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d
from shapely import make_valid
from shapely.geometry import Polygon, box

from audit.errors import Refused
from audit.imaging.boundary import cheapest_path
from audit.imaging.colour import to_linear
from audit.imaging.enamel import log_colour
from audit.imaging.sample import sample

__all__ = ["propose_outline"]

_LONGEST = 640
"""Side of the reduced photo, pixels: a tooth that fills a fiftieth of the photo still has a dozen."""
_RAYS, _RADII = 120, 90
_NEAREST, _FARTHEST = 0.012, 0.48
"""Radii that are searched, shares of the longer side of the photo."""
_PATCH = 0.012
_LIKE = np.array([0.68, 0.24, 0.45])
"""How far ln Y, ln(R/G) and ln(G/B) move within one tooth away from its highlights."""
_BEYOND = 0.115
_LEAST_DROP, _LEAST_SOLID = 0.18, 0.88
_STIFFNESS, _CROSSING = 0.25, 0.24


def propose_outline(pixels: np.ndarray, point: tuple[float, float]) -> Polygon:
    """Outline of the tooth under a point.

    Parameters
    ----------
    pixels : ndarray, shape (height, width, 3)
        The photo as read.
    point : (float, float)
        x and y on the tooth, photo pixels, best in the middle of its enamel.

    Returns
    -------
    Polygon
        Photo pixels, of about 120 points.

    Notes
    -----
    Along rays from the point the likeness to the colour under it is followed; the outline is the closed line, by dynamic
    programming, beyond which most is unlike and before which least was. Metal that shows on the
    tooth ends the enamel: where the outline stops at it, the reader carries it on.

    Raises
    ------
    Refused
        ``outline_not_found``: the point lies outside the photo or is dark, or nothing round it ends like one tooth.
    """
    height, width = pixels.shape[:2]
    x, y = point
    if pixels.ndim != 3 or not (0 <= x < width and 0 <= y < height):
        raise Refused("outline_not_found", "The point lies outside the photo, or the photo has no colour.", "Click on the tooth.")
    factor = max(1.0, max(height, width) / _LONGEST)
    small = cv2.resize(np.ascontiguousarray(pixels), (round(width / factor), round(height / factor)), interpolation=cv2.INTER_AREA)
    step = np.array([width / small.shape[1], height / small.shape[0]])
    ring = (_ring(small, (np.array([x, y]) + 0.5) / step - 0.5) + 0.5) * step - 0.5
    found = make_valid(Polygon(ring)).intersection(box(-0.5, -0.5, width - 0.5, height - 0.5))
    if found.area < _LEAST_SOLID * found.convex_hull.area:
        raise Refused("outline_not_found", "The outline runs over into a neighbour, which nothing dark parts from the tooth.",
                      "Click nearer to the middle of the tooth, or draw the outline by hand.")  # fmt: skip
    return max((p for p in getattr(found, "geoms", [found]) if p.geom_type == "Polygon"), key=lambda p: float(p.area))


def _ring(small: np.ndarray, centre: np.ndarray) -> np.ndarray:
    """The closed line on the reduced photo beyond which the likeness falls, shape (rays, 2)."""
    like = _likeness(small, centre)
    longest = float(max(small.shape[:2]))
    radii = np.geomspace(_NEAREST * longest, _FARTHEST * longest, _RADII)
    angle = np.linspace(0.0, 2.0 * np.pi, _RAYS, endpoint=False)
    rays = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    beyond, before = _unlike(np.nan_to_num(sample(like, centre + radii[None, :, None] * rays[:, None])))
    at = cheapest_path(_CROSSING * before - beyond, _STIFFNESS)
    if float(np.median(beyond[np.arange(_RAYS), at])) < _LEAST_DROP or np.mean(at >= _RADII - 2) > 0.2:
        raise Refused("outline_not_found", "Nothing round the point ends as a tooth does.",
                      "Click on plain enamel in the middle of the tooth, or draw the outline by hand.")  # fmt: skip
    return np.asarray(centre + gaussian_filter1d(radii[at], 1.2, mode="wrap")[:, None] * rays)


def _likeness(small: np.ndarray, centre: np.ndarray) -> np.ndarray:
    """How like each pixel is to the enamel round the point, beside its highlights, 0 to 1, float32 (h, w); highlights count as like."""
    linear = cv2.GaussianBlur(to_linear(small), (0, 0), 1.0)
    light, red_green, green_blue = log_colour(linear)
    reach = max(2, round(_PATCH * max(small.shape[:2])))
    column, row = (round(float(v)) for v in centre)
    patch = np.s_[max(row - reach, 0) : row + reach + 1, max(column - reach, 0) : column + reach + 1]
    plain = light[patch] <= np.quantile(light[patch], 0.6)
    own = np.array([np.median(v[patch][plain]) for v in (light, red_green, green_blue)])
    if own[0] < np.log(0.02):
        raise Refused("outline_not_found", "The point is nearly black.", "Click on lit enamel in the middle of the tooth.")
    away = np.stack([np.minimum(light - own[0], 0.0), np.maximum(red_green - own[1], 0.0), green_blue - own[2]], axis=-1) / _LIKE
    bright = light > own[0] + 0.25
    away[bright, 2] = np.maximum(away[bright, 2], 0.0)
    return np.asarray(np.exp(-0.5 * (away**2).sum(axis=-1)), dtype=np.float32)


def _unlike(along: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Share of what lies just beyond each radius that is unlike, and all before it that was, in the same measure, (rays, radii)."""
    other = 1.0 - gaussian_filter1d(along, 1.0, axis=0, mode="wrap")
    beyond = max(2, round(_BEYOND / (np.log(_FARTHEST / _NEAREST) / (_RADII - 1))))
    total = np.cumsum(other, axis=1)
    ahead = np.concatenate([total[:, beyond:], total[:, -1:] + np.arange(1, beyond + 1) * other[:, -1:]], axis=1)
    return (ahead - total) / beyond, total / beyond
