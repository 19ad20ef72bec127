"""What rules are made of: printed, engraved in steel with glare, printed on clear plastic, ruled on millimetre paper; and inch edges."""

from __future__ import annotations

import numpy as np

MATERIALS = ("print", "steel", "clear", "paper")


def face_light(material: str, ink: np.ndarray, back: np.ndarray, a: np.ndarray, b: np.ndarray, dark: bool, seed: int) -> np.ndarray:
    """Linear light of the face of a rule, shape (h, w, 3), from how much of each pixel is marked."""
    rng = np.random.default_rng([seed, 77])
    if material == "steel":
        return _steel(ink, a, b, rng)
    if material == "clear":
        return (0.12 + 0.6 * back) * (1 - 0.8 * ink[..., None])
    ground, mark = (0.72, 0.05) if dark else (0.08, 0.75)
    if material == "paper":
        ground, mark = 0.75, 0.35
    return (ground + (mark - ground) * ink)[..., None] * np.array([1.0, 0.98, 0.94])


def _steel(ink: np.ndarray, a: np.ndarray, b: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Brushed along its length, a glare that clips across a stretch of it, and grooves whose floor also shines there."""
    brushed = 0.05 * np.interp(b, np.linspace(-1, 9, 160), rng.standard_normal(160)) + 0.02 * np.sin(a * 0.7)
    glare = np.exp(-(((a - rng.uniform(-6, 6)) / rng.uniform(2.0, 4.0)) ** 2))
    ground = 0.28 + brushed + 1.1 * glare
    groove = 0.04 + 0.25 * glare
    return np.repeat((ground + (groove - ground) * ink)[..., None], 3, axis=2)


def grid_lines(a: np.ndarray, b: np.ndarray, px: np.ndarray) -> np.ndarray:
    """Millimetre paper: thin lines each millimetre, bolder each 5 and 10."""
    ink = np.zeros_like(a)
    for way in (a, b):
        for period, width in ((1.0, 0.12), (5.0, 0.2), (10.0, 0.3)):
            away = np.abs(way - period * np.round(way / period))
            ink = np.maximum(ink, np.clip((width / 2 - away) / px + 0.5, 0, 1))
    return ink


def inch_ticks(a: np.ndarray, b: np.ndarray, px: np.ndarray, far: float) -> np.ndarray:
    """Sixteenths of an inch that hang from the edge at ``b = far``."""
    ink = np.zeros_like(a)
    for parts, reach in ((16, 1.4), (8, 1.9), (4, 2.4), (2, 2.8), (1, 3.2)):
        period = 25.4 / parts
        away = np.abs(a - period * np.round(a / period))
        ink = np.maximum(ink, np.clip((0.08 - away) / px + 0.5, 0, 1) * np.clip(np.minimum(far - b, b - far + reach) / px + 0.5, 0, 1))
    return ink
