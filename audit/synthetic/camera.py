"""A pinhole camera before a mouth: where a point falls, and where a pixel looks.

Notes
-----
Image axes: x right, y down; z towards the camera. The mouth is modelled once, as an upper right
tooth (mesial to +x, occlusal to +y); a left or lower tooth, or a mirror, reflects the axes of the
camera instead, so that a photo through a mirror is reflected and nothing else.
The scale at distance D is that of a thin lens focused there, D = f (1 + 1/m).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

__all__ = ["Camera", "aim_camera", "object_distance_mm"]


def object_distance_mm(focal_length_mm: float, magnification: float) -> float:
    """Distance from lens to object for a thin lens, f (1 + 1/m), mm."""
    return focal_length_mm * (1.0 + 1.0 / magnification)


@dataclass(frozen=True)
class Camera:
    """A pinhole camera; all vectors in the frame of the mouth model, mm.

    Parameters
    ----------
    position : ndarray, shape (3,)
    right, down, back : ndarray, shape (3,)
        Directions of image x, of image y, and from the scene to the camera.
    focal_px : float
    centre_px : ndarray, shape (2,)
    """

    position: np.ndarray
    right: np.ndarray
    down: np.ndarray
    back: np.ndarray
    focal_px: float
    centre_px: np.ndarray

    def project(self, points: np.ndarray) -> np.ndarray:
        """Pixel coordinates of points, shape (..., 3) to (..., 2)."""
        offset = points - self.position
        depth = -(offset @ self.back)
        flat = np.stack([offset @ self.right, offset @ self.down], axis=-1)
        return np.asarray(flat / depth[..., None] * self.focal_px + self.centre_px)

    def depth_mm(self, points: np.ndarray) -> np.ndarray:
        """Distance from the camera along its axis, shape (..., 3) to (...)."""
        return np.asarray((self.position - points) @ self.back)

    def slopes(self, xy: np.ndarray) -> np.ndarray:
        """Tangents of the angles off the axis of pixels, shape (..., 2)."""
        return np.asarray((xy - self.centre_px) / self.focal_px)

    def directions(self, xy: np.ndarray) -> np.ndarray:
        """Ray directions of pixels, one unit of depth long, shape (..., 3), float32."""
        s = self.slopes(xy)
        return np.asarray(s[..., :1] * self.right + s[..., 1:] * self.down - self.back, dtype=np.float32)

    def mm_per_px(self, points: np.ndarray) -> np.ndarray:
        """Scale in the sensor-parallel plane through each point, mm/px."""
        return np.asarray(self.depth_mm(points) / self.focal_px)


def aim_camera(
    *, yaw_deg: float, pitch_deg: float, roll_deg: float, distance_mm: float, px_per_mm: float, size_px: tuple[int, int],
    aim_mm: tuple[float, float] = (0.0, 0.0), mirror_x: bool = False, mirror_y: bool = False,
) -> Camera:  # fmt: skip
    """A camera that looks at the tooth.

    Parameters
    ----------
    yaw_deg, pitch_deg, roll_deg : float
        Camera moved to the image's right, moved up, and turned clockwise, as seen in the photo.
    distance_mm, px_per_mm : float
        Distance to the aimed point and scale there.
    size_px : tuple of int
        Width, height.
    aim_mm : tuple of float
        Aimed point of the plane z = 0, along the image's x and y.
    mirror_x, mirror_y : bool
        Reflect the mouth model sideways or upside down.
    """
    yaw, pitch, roll = np.radians([yaw_deg, pitch_deg, roll_deg])
    back = np.array([np.sin(yaw) * np.cos(pitch), -np.sin(pitch), np.cos(yaw) * np.cos(pitch)])
    right0 = np.array([np.cos(yaw), 0.0, -np.sin(yaw)])
    down0 = np.array([np.sin(yaw) * np.sin(pitch), np.cos(pitch), np.cos(yaw) * np.sin(pitch)])
    right = np.cos(roll) * right0 + np.sin(roll) * down0
    down = -np.sin(roll) * right0 + np.cos(roll) * down0
    position = np.array([aim_mm[0], aim_mm[1], 0.0]) + distance_mm * back
    reflect = np.array([-1.0 if mirror_x else 1.0, -1.0 if mirror_y else 1.0, 1.0])
    centre = (np.array(size_px, dtype=float) - 1.0) / 2.0
    return Camera(position * reflect, right * reflect, down * reflect, back * reflect, px_per_mm * distance_mm, centre)
