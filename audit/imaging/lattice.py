"""A chessboard or a ruled grid as a lattice of crossings, to sub-pixel, and what lies between its lines."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d
from scipy.spatial import cKDTree

from audit.imaging.homography import apply, homography
from audit.imaging.strip import grey

__all__ = ["Lattice", "find_lattice"]

_LEAST = 12
_SCALES_PX = (1.5, 2.5, 4.0)
_MOST_PEAKS = 4000
# parts of a cell of 60 samples, where their lines would lie clear of the skirts of the main ones, and how far beside to compare
_FINER = ((10, np.array([18, 24, 30, 36, 42]), 3), (5, np.array([24, 36]), 6), (2, np.array([30]), 10))
_STEPS = ((1, 0), (-1, 0), (0, 1), (0, -1))


@dataclass(frozen=True)
class Lattice:
    """Crossings of a grid.

    Parameters
    ----------
    numbers : ndarray of int, shape (n, 2)
        Column and row of each crossing.
    xy : ndarray, shape (n, 2)
        Its place on the image, pixels.
    kind : {'chessboard', 'lines'}
    finer : int
        Into how many the squares are divided again by weaker lines: 1 where nothing lies between.
    heavy_every : int
        Every so many lines one is heavier: 1 where all are alike.
    """

    numbers: np.ndarray
    xy: np.ndarray
    kind: str
    finer: int
    heavy_every: int


def find_lattice(pixels: np.ndarray, outline: np.ndarray) -> Lattice | None:
    """The lattice within an outline, shape (n, 2), with the most crossings; ``None`` where there is none.

    Notes
    -----
    Crossings are saddles of a chessboard, and darkest or lightest spots of a ruled grid, by the eigenvalues of the Hessian at
    several scales. A lattice is grown from its middle, each neighbour where the last step leads; a homography drops
    what does not belong. Lines between the crossings are looked for in the mean cell, at halves, fifths and tenths.
    """
    low = np.maximum(np.floor(outline.min(axis=0)) - 8, 0).astype(int)
    high = np.ceil(outline.max(axis=0)).astype(int) + 9
    plane = grey(pixels[low[1] : high[1], low[0] : high[0]]).astype(np.float32)
    mask = cv2.fillPoly(np.zeros(plane.shape, np.uint8), [np.round(outline - low).astype(np.int32)], 1)
    best: tuple[int, str, np.ndarray, np.ndarray] | None = None
    for sigma in _SCALES_PX:
        for kind, response in _responses(plane, sigma):
            found = _grown(_peaks(response * mask, sigma))
            if found is not None and (best is None or len(found[0]) > 1.2 * best[0]):
                best = (len(found[0]), kind, *found)
    if best is None:
        return None
    _, kind, numbers, xy = best
    numbers, xy = _refined(plane, numbers, xy)
    if len(xy) < _LEAST:
        return None
    finer, heavy = (1, 1) if kind == "chessboard" else _between(plane, numbers, xy)
    return Lattice(numbers, xy + low, "chessboard" if kind == "chessboard" else "lines", finer, heavy)


def _responses(plane: np.ndarray, sigma: float) -> list[tuple[str, np.ndarray]]:
    smooth = cv2.GaussianBlur(plane, (0, 0), sigma)
    xx, yy, xy = (cv2.Sobel(smooth, cv2.CV_32F, *order, ksize=3) for order in ((2, 0), (0, 2), (1, 1)))
    mean, spread = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
    saddle = np.sqrt(np.clip(-(mean - spread) * (mean + spread), 0, None))
    return [("chessboard", saddle), ("dark", np.clip(mean - spread, 0, None)), ("light", np.clip(-mean - spread, 0, None))]


def _peaks(response: np.ndarray, sigma: float) -> np.ndarray:
    reach = 2 * round(1.5 * sigma) + 1
    at = (response == cv2.dilate(response, np.ones((reach, reach), np.uint8))) & (response > 0)
    y, x = np.nonzero(at)
    strength = response[y, x]
    if len(strength) < _LEAST:
        return np.zeros((0, 2))
    strong = strength > 0.35 * np.sort(strength)[-max(_LEAST, len(strength) // 20)]
    order = np.argsort(-strength[strong])[:_MOST_PEAKS]
    return np.stack([x[strong][order], y[strong][order]], axis=1).astype(float)


def _grown(peaks: np.ndarray) -> tuple[np.ndarray, np.ndarray] | None:
    """Numbers and places of the peaks that form a lattice."""
    basis = _basis(peaks)
    if basis is None:
        return None
    tree = cKDTree(peaks)
    seed = int(tree.query(np.median(peaks, axis=0))[1])
    at: dict[tuple[int, int], int] = {(0, 0): seed}
    taken, queue = {seed}, deque([(0, 0)])
    while queue:
        i, j = queue.popleft()
        for di, dj in _STEPS:
            if (i + di, j + dj) in at:
                continue
            before = at.get((i - di, j - dj))
            step = peaks[at[i, j]] - peaks[before] if before is not None else di * basis[0] + dj * basis[1]
            away, found = tree.query(peaks[at[i, j]] + step)
            if away < 0.22 * np.hypot(*step) and int(found) not in taken:
                at[i + di, j + dj] = int(found)
                taken.add(int(found))
                queue.append((i + di, j + dj))
    if len(at) < _LEAST:
        return None
    return np.array(list(at)), peaks[list(at.values())]


def _basis(peaks: np.ndarray) -> np.ndarray | None:
    """Two steps of the lattice, shape (2, 2): along x first."""
    if len(peaks) < _LEAST:
        return None
    distance, index = cKDTree(peaks).query(peaks, k=min(9, len(peaks)))
    nearest = float(np.median(distance[:, 1]))
    steps = (peaks[index[:, 1:]] - peaks[:, None, :]).reshape(-1, 2)
    steps = steps[np.hypot(*steps.T) < 1.3 * nearest]
    angle = np.arctan2(steps[:, 1], steps[:, 0])
    turn = float(np.angle(np.mean(np.exp(4j * angle)))) / 4
    basis = []
    for way in (turn, turn + math.pi / 2):
        near = np.abs(np.angle(np.exp(1j * (angle - way)))) < 0.35
        if near.sum() < _LEAST // 2:
            return None
        basis.append(np.median(steps[near], axis=0))
    return np.array(basis)


def _refined(plane: np.ndarray, numbers: np.ndarray, xy: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Crossings to sub-pixel, without those off the homography of the rest."""
    pitch = float(np.median(cKDTree(xy).query(xy, k=2)[0][:, 1]))
    window = max(2, round(pitch / 5))
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 40, 0.003)
    clear = (xy > window + 2).all(axis=1) & (xy < np.array(plane.shape[::-1]) - window - 3).all(axis=1)
    numbers, xy = numbers[clear], xy[clear]
    if len(xy) < _LEAST:
        return numbers, xy
    moved = cv2.cornerSubPix(plane, xy.astype(np.float32).reshape(-1, 1, 2).copy(), (window, window), (-1, -1), stop)
    xy = np.asarray(moved, dtype=float).reshape(-1, 2)
    for _ in range(4):
        matrix = homography(numbers.astype(float), xy)
        if matrix is None:
            return numbers[:0], xy[:0]
        off = np.hypot(*(apply(matrix, numbers.astype(float)) - xy).T)
        keep = off < max(4.0 * float(np.median(off)), 0.1)
        numbers, xy = numbers[keep], xy[keep]
        if len(xy) < _LEAST or keep.all():
            break
    return numbers, xy


def _between(plane: np.ndarray, numbers: np.ndarray, xy: np.ndarray) -> tuple[int, int]:
    """Into how many finer squares the mean cell is divided, and every how many lines one is heavier."""
    matrix = homography(numbers.astype(float), xy)
    if matrix is None:
        return 1, 1
    finer, heavy = 1, 1
    for axis in range(2):
        low, high = numbers[:, axis].min(), numbers[:, axis].max()
        along = np.arange(low, high + 1e-9, 1 / 60)
        rows = np.arange(numbers[:, 1 - axis].min(), numbers[:, 1 - axis].max())[:, None] + np.linspace(0.2, 0.8, 13)[None, :]
        grid = np.stack(np.broadcast_arrays(along[None, :], rows.reshape(-1, 1)), axis=-1)
        where = apply(matrix, grid if axis == 0 else grid[..., ::-1]).astype(np.float32)
        profile = np.median(cv2.remap(plane, where[..., 0], where[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), axis=0)
        profile = profile - gaussian_filter1d(profile, 60.0)
        finer, heavy = max(finer, _divided(profile)), max(heavy, _heavier(profile[::60]))
    return finer, heavy


def _divided(profile: np.ndarray) -> int:
    """Whether the mean cell shows a comb of 10, 5 or 2 parts between the lines, 60 samples a cell."""
    cells = profile[: len(profile) // 60 * 60].reshape(-1, 60)
    noise = float(np.std(cells, axis=0).mean()) / math.sqrt(len(cells))
    mean = cells.mean(axis=0)
    main = abs(float(mean[0]) - float(np.median(mean)))
    for parts, on, beside in _FINER:
        rise = float(np.mean(mean[on] - (mean[on - beside] + mean[on + beside]) / 2)) * math.copysign(
            1.0, float(mean[0]) - float(np.median(mean))
        )
        if rise > max(0.04 * main, 4.0 * noise / math.sqrt(len(on))):
            return parts
    return 1


def _heavier(levels: np.ndarray) -> int:
    """5 or 10 where every so many lines one stands out from the others."""
    strength = np.abs(levels - np.median(levels))
    for step in (5, 10):
        for phase in range(step):
            chosen = np.arange(len(levels)) % step == phase
            if (
                chosen.sum() >= 2
                and (~chosen).sum() >= 4
                and strength[chosen].min() > 3.0 * max(float(np.percentile(strength[~chosen], 90)), 1e-6)
            ):
                return step
    return 1
