"""Finding the fiducials of the reference strip, also where the strip is seen in a mirror."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from audit.core.reference_strip import MARKERS, marker_corners
from audit.imaging.strip import grey

__all__ = ["Fiducials", "find_fiducials"]

_LOOK_PX = 1800  # longest side of the reduced copy that is searched first
_LEAST_MARKER_PX = 14.0


@dataclass(frozen=True)
class Fiducials:
    """The fiducials of one strip.

    Parameters
    ----------
    corners_px : dict of int to ndarray, shape (4, 2)
        Image corners by identity.
    mirrored : bool
        Whether the strip is seen as in a mirror.
    repeated : bool
        Whether an identity was seen more than once: more strips than one.
    """

    corners_px: dict[int, np.ndarray]
    mirrored: bool
    repeated: bool = False

    def pairs(self) -> tuple[np.ndarray, np.ndarray]:
        """Matching corners: image, shape (n, 2), pixels; strip, shape (n, 2), mm."""
        identities = sorted(self.corners_px)
        return np.concatenate([self.corners_px[i] for i in identities]), np.concatenate([marker_corners(i) for i in identities])


def find_fiducials(pixels: np.ndarray) -> Fiducials:
    """The fiducials of the strip in a photo, the right way round or mirrored, whichever shows more of them.

    Notes
    -----
    A reduced copy is searched first and the whole picture only where that shows fewer than two. Corners are refined to
    sub-pixel on the picture itself; they are a first idea for `pattern_fit`, which uses every edge of the print.
    """
    plane = grey(pixels)
    if plane.dtype != np.uint8:
        plane = (plane >> 8).astype(np.uint8)
    factor = max(1, -(-max(plane.shape) // _LOOK_PX))
    found = _either_way(plane, factor)
    return _either_way(plane, 1) if len(found.corners_px) < 2 and factor > 1 else found


def _either_way(plane: np.ndarray, factor: int) -> Fiducials:
    height, width = (side // factor * factor for side in plane.shape)
    small = plane if factor == 1 else cv2.resize(plane[:height, :width], (width // factor, height // factor), interpolation=cv2.INTER_AREA)
    straight, mirrored = _detect(small, False), _detect(np.ascontiguousarray(small[:, ::-1]), True)
    best = mirrored if len(mirrored.corners_px) > len(straight.corners_px) else straight
    corners = {}
    for identity, xy in best.corners_px.items():
        if best.mirrored:
            xy = np.stack([small.shape[1] - 1 - xy[:, 0], xy[:, 1]], axis=1)
        corners[identity] = _refined(plane, (xy + 0.5) * factor - 0.5)
    return Fiducials(corners, best.mirrored, best.repeated)


def _detect(plane: np.ndarray, mirrored: bool) -> Fiducials:
    parameters = cv2.aruco.DetectorParameters()
    parameters.minMarkerPerimeterRate = 4.0 * _LEAST_MARKER_PX / max(plane.shape)
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    parameters.adaptiveThreshWinSizeMin, parameters.adaptiveThreshWinSizeMax, parameters.adaptiveThreshWinSizeStep = 13, 83, 14
    parameters.polygonalApproxAccuracyRate = 0.06  # blur rounds the corners of small squares
    parameters.perspectiveRemoveIgnoredMarginPerCell = 0.25
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50), parameters)
    corners, identities, _ = detector.detectMarkers(plane)
    found: dict[int, np.ndarray] = {}
    repeated = False
    for xy, identity in zip(corners, [] if identities is None else map(int, np.ravel(identities))):
        repeated |= identity in found
        if identity in MARKERS:
            found[identity] = np.asarray(xy, dtype=float).reshape(4, 2)
    return Fiducials(found, mirrored, repeated)


def _refined(plane: np.ndarray, xy: np.ndarray) -> np.ndarray:
    """Corners to sub-pixel, in a window of a third of a cell."""
    side = float(np.hypot(*(xy - np.roll(xy, 1, axis=0)).T).mean())
    reach = max(2, round(side / 18))
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 40, 0.005)
    x0, y0 = np.maximum(np.floor(xy.min(axis=0)) - 4 * reach - 8, 0).astype(int)
    x1, y1 = np.ceil(xy.max(axis=0)).astype(int) + 4 * reach + 9
    part = np.ascontiguousarray(plane[y0:y1, x0:x1])
    start = (xy - (x0, y0)).astype(np.float32).reshape(-1, 1, 2)
    moved = np.asarray(cv2.cornerSubPix(part, start.copy(), (reach, reach), (-1, -1), stop)).reshape(4, 2) + np.array([x0, y0])
    return np.where(np.hypot(*(moved - xy).T)[:, None] < 2 * reach, moved, xy).astype(float)
