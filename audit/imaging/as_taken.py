"""Pixels for a picture that claims to be cropped and turned only: the greys of a grey picture are not stretched."""

from __future__ import annotations

import numpy as np

__all__ = ["as_taken"]


def as_taken(pixels: np.ndarray) -> np.ndarray:
    """8-bit pictures as RGB with their own values; deeper greys unchanged, for whoever shows them to spread over what a screen can."""
    grey = pixels.ndim == 2 and pixels.dtype == np.uint8
    return np.repeat(pixels[..., None], 3, axis=2) if grey else pixels
