"""The photos of one view as a strip: one window, one scale, and the tooth turned as on the first of them where that is sure."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from audit.core.picture import Picture
from audit.imaging.align import ALIGN_PX_PER_MM, Pose, pose_between
from audit.imaging.overlay import Marks, resampled
from audit.imaging.tiles import common_window_mm, tile, tooth_frame

__all__ = ["StripPhoto", "photo_strip"]

_STEP_MM = 0.1
_BORDER = (128, 128, 128)
_OUTLINES = ("facial_surface", "occlusal_surface")


@dataclass(frozen=True)
class StripPhoto:
    """One photo of a strip; its pixels are read when its turn comes.

    Parameters
    ----------
    pixels : callable
        Gives the original, shape (height, width) or (height, width, 3).
    marks : Marks
    width_px, height_px : int
        Of the original.
    view, on, caption : str
    """

    pixels: Callable[[], np.ndarray]
    marks: Marks
    width_px: int
    height_px: int
    view: str
    on: str
    caption: str


def photo_strip(photos: Sequence[StripPhoto], baseline_on: str | None) -> Iterator[tuple[StripPhoto, Picture, np.ndarray]]:
    """Each photo with its tile and its pixels, one at a time; registered to the first one with a scale on or after the baseline.

    Parameters
    ----------
    photos : sequence of StripPhoto
        Of one view, by date.
    baseline_on : str or None
        ISO 8601 date.
    """
    window = common_window_mm([(one.marks, one.width_px, one.height_px) for one in photos])
    scaled = [one for one in photos if one.marks.calibration is not None]
    first = next((one for one in scaled if one.on >= (baseline_on or "")), scaled[0] if scaled else None)
    seen = None if first is None else _seen(first, first.pixels(), window)
    for one in photos:
        pixels = one.pixels()
        pose = Pose() if one is first else None if seen is None else _pose(seen, one, pixels, window)
        yield one, tile(pixels, one.marks, window, view=one.view, on=one.on, caption=one.caption, pose=pose), pixels


@dataclass(frozen=True)
class _Seen:
    """A photo reduced to what registering looks at: a small picture, and its marked lines by role, mm from the middle."""

    picture: np.ndarray
    lines_mm: dict[str, np.ndarray]


def _seen(photo: StripPhoto, pixels: np.ndarray, window_mm: tuple[float, float]) -> _Seen:
    width, height = (round(side * ALIGN_PX_PER_MM) for side in window_mm)
    frame = tooth_frame(photo.marks, (pixels.shape[1], pixels.shape[0]), (width, height), ALIGN_PX_PER_MM)
    middle = (np.array([width, height]) - 1) / 2
    lines = {}
    for role in (*_OUTLINES, "margin", "fit_site"):
        feature = photo.marks.annotations.first(role)
        if feature is not None and feature.geometry is not None:
            lines[role] = _sampled((frame.to_picture(feature.xy) - middle) / ALIGN_PX_PER_MM)
    return _Seen(resampled(pixels, frame, width, height, _BORDER), lines)


def _sampled(line_mm: np.ndarray) -> np.ndarray:
    running = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line_mm, axis=0).T))])
    at = np.arange(0.0, running[-1], _STEP_MM)
    return np.stack([np.interp(at, running, line_mm[:, k]) for k in (0, 1)], axis=1)


def _pose(first: _Seen, photo: StripPhoto, pixels: np.ndarray, window_mm: tuple[float, float]) -> Pose | None:
    if photo.marks.calibration is None:
        return None
    other = _seen(photo, pixels, window_mm)
    both = [role for role in first.lines_mm if role in other.lines_mm]
    both = [role for role in both if role in _OUTLINES] or both  # an outline holds in both directions, an open line only across
    return pose_between(first.picture, other.picture, [first.lines_mm[r] for r in both], [other.lines_mm[r] for r in both])
