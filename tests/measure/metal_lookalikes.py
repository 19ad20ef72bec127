"""What must not be taken for metal: stain, caries, calculus, gum, shadows and the like, drawn over enamel."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

CONFOUNDERS = (
    "stain",
    "caries",
    "calculus",
    "gum_strip",
    "shadow",
    "composite",
    "grey_line",
    "chalk",
    "groove",
    "tint",
    "bubbles",
    "root",
    "yellow_side",
)


@dataclass(frozen=True)
class Place:
    """Where each pixel lies on the tooth: coordinates, distance to the outline, and a grain that frays the shapes."""

    u: np.ndarray
    v: np.ndarray
    edge: np.ndarray
    grain: np.ndarray
    size: float
    n: int


def confound(rng, light, chosen, u, v, edge, size):
    """Enamel with all that was chosen of `CONFOUNDERS` drawn over it."""
    at = Place(u, v, edge, noise(rng, u.shape[0], size / 12), size, u.shape[0])
    for what in chosen:
        light = _DRAWN[what](rng, light, at, what)
    return light.clip(0.001)


def _stain(rng, light, at, what):
    u, v, edge, size, grain = at.u, at.v, at.edge, at.size, at.grain
    mask, colour = _blob(rng, u, v, grain), np.array([1.0, rng.uniform(0.55, 0.9), rng.uniform(0.25, 0.75)])
    depth = rng.uniform(0.3, 0.8) if what == "stain" else rng.uniform(0.06, 0.4)
    if rng.random() < 0.3:
        mask = mask * np.clip(2 * np.exp(-((edge / (size * 0.03)) ** 2)), 0, 1)
    light = light * (1 - mask[..., None]) + light * depth * colour * mask[..., None]
    return light


def _calculus(rng, light, at, what):
    v, size, grain, n = at.v, at.size, at.grain, at.n
    mask = np.clip((-v - 0.55 + 0.12 * grain) * 8, 0, 1) * rng.uniform(0.4, 1)
    crust = np.array([0.5, 0.38, rng.uniform(0.12, 0.3)]) * (1 + 0.2 * noise(rng, n, size / 30))[..., None] * rng.uniform(0.3, 1.2)
    light = light * (1 - mask[..., None]) + crust.clip(0.01) * mask[..., None]
    return light


def _gum_strip(rng, light, at, what):
    v, size, grain, n = at.v, at.size, at.grain, at.n
    mask = np.clip((-v - rng.uniform(0.7, 0.95) + 0.05 * grain) * size * 0.3, 0, 1)
    colour = np.array([0.42, 0.13, 0.12]) * rng.uniform(0.3, 1.6) * (1 + 0.2 * grain[..., None])
    wet = np.clip(noise(rng, n, size / 25) - 2.2, 0, 1)[..., None] * rng.uniform(0, 3)
    light = light * (1 - mask[..., None]) + (colour.clip(0.01) + wet) * mask[..., None]
    return light


def _shadow(rng, light, at, what):
    u, v, edge, size = at.u, at.v, at.edge, at.size
    width = size * rng.uniform(0.01, 0.06)
    side = rng.choice(4)
    where = (np.clip(u * 2, 0, 1), np.clip(-u * 2, 0, 1), np.clip(v * 3, 0, 1), np.ones_like(u))[side]
    mask = np.clip(1.2 - np.clip(edge, 0, None) / width, 0, 1) * where * rng.uniform(0.5, 1)
    tone = np.array([0.05, rng.uniform(0.02, 0.045), rng.uniform(0.012, 0.04)]) * rng.uniform(0.2, 2)
    light = light * (1 - mask[..., None]) + tone * mask[..., None]
    return light


def _composite(rng, light, at, what):
    u, v, grain = at.u, at.v, at.grain
    mask = np.clip(_blob(rng, u, v, grain) * 3, 0, 1)
    light = light * (1 + mask[..., None] * (rng.normal(0, 0.12) + rng.normal(0, 0.05, 3)))
    return light


def _grey_line(rng, light, at, what):
    v, edge, size = at.v, at.edge, at.size
    width = size * rng.uniform(0.01, 0.05)
    mask = np.exp(-((edge / width) ** 2)) * np.clip((-v - 0.2) * 3, 0, 1) * rng.uniform(0.3, 0.75)
    light = light * (1 - mask[..., None]) + np.array([0.16, 0.13, 0.13]) * rng.uniform(0.5, 1.5) * mask[..., None]
    return light


def _root(rng, light, at, what):
    u, v, grain = at.u, at.v, at.grain
    if what == "root":
        mask = np.clip((-v - rng.uniform(0.2, 0.85) + 0.25 * u * rng.normal() + 0.08 * grain) * rng.uniform(2, 12), 0, 1)
    else:
        mask = np.clip((u * rng.choice([-1, 1]) - rng.uniform(0.5, 0.85) + 0.1 * grain) * rng.uniform(3, 20), 0, 1)
    dye = np.array([rng.uniform(0.7, 1.05), rng.uniform(0.6, 0.95), rng.uniform(0.3, 0.85)])
    light = light * (1 - mask[..., None] * (1 - dye))
    return light


def _chalk(rng, light, at, what):
    u, v, grain = at.u, at.v, at.grain
    mask = _blob(rng, u, v, grain) * rng.uniform(0.2, 0.8)
    light = light * (1 - mask[..., None]) + np.array([0.75, 0.72, 0.66]) * mask[..., None]
    return light


def _groove(rng, light, at, what):
    u, v, size = at.u, at.v, at.size
    at = rng.uniform(-0.4, 0.4) + 0.1 * v
    mask = np.exp(-(((u - at) * size / rng.uniform(2, 10)) ** 2)) * np.clip(v + 0.6, 0, 1) * rng.uniform(0.2, 0.85)
    light = light * (1 - mask[..., None] * np.array([0.8, 0.9, 1.0]))
    return light


def _tint(rng, light, at, what):
    v = at.v
    mask = np.clip((v - rng.uniform(0.5, 0.85)) * 5, 0, 1) * rng.uniform(0.2, 0.8)
    light = light * (1 - mask[..., None]) + np.array([0.2, 0.21, 0.22]) * rng.uniform(0.6, 1.6) * mask[..., None]
    return light


def _bubbles(rng, light, at, what):
    u, v, size = at.u, at.v, at.size
    for _ in range(rng.integers(3, 15)):
        a, b = rng.uniform(-0.9, 0.9), rng.choice([-0.85, 0.9]) + rng.normal(0, 0.06)
        r = np.hypot(u - a, v - b) * size / 2
        size_b = rng.uniform(1.5, 5) * size / 220
        light = light * (1 - 0.5 * np.exp(-((r / size_b - 1) ** 2) * 4))[..., None]
        light = light + (2.5 * np.exp(-((r / (size_b * 0.3)) ** 2)))[..., None]
    return light


def _blob(rng, u, v, grain):
    a, b = rng.uniform(-0.8, 0.8), rng.uniform(-0.9, 0.9)
    w, h = rng.uniform(0.06, 0.4, 2)
    return np.clip((1 - ((u - a) / w) ** 2 - ((v - b) / h) ** 2 + 0.4 * grain) * rng.uniform(1, 6), 0, 1)


def noise(rng, n, scale):
    small = max(4, int(n / max(scale, 1.0)) + 3)
    field_ = cv2.resize(rng.normal(0, 1, (small, small)), (n, n), interpolation=cv2.INTER_CUBIC)
    return field_ / max(field_.std(), 1e-6)


_DRAWN = {
    "stain": _stain,
    "caries": _stain,
    "calculus": _calculus,
    "gum_strip": _gum_strip,
    "shadow": _shadow,
    "composite": _composite,
    "grey_line": _grey_line,
    "root": _root,
    "yellow_side": _root,
    "chalk": _chalk,
    "groove": _groove,
    "tint": _tint,
    "bubbles": _bubbles,
}
