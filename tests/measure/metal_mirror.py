"""What polished metal shows: a random mouth, mirrored by a rounded surface and tinted by the alloy."""

from __future__ import annotations

import numpy as np
from metal_lookalikes import noise
from scipy.ndimage import gaussian_filter, map_coordinates

GOLD = np.array([1.0, 0.76, 0.34])
WHITE = np.array([0.66, 0.63, 0.58])


def mirrored(rng, alloy, u, v, edge, metal, size):
    n = u.shape[0]
    env = _environment(rng)
    rough = rng.uniform(0.5, 2.5) if alloy != "amalgam" else rng.uniform(3, 9)
    if rng.random() < 0.25:
        rough += rng.uniform(1, 5)
    depth = np.clip(edge / (size * rng.uniform(0.02, 0.15)), 0, 3)
    bump = noise(rng, n, size / rng.uniform(4, 16)), noise(rng, n, size / rng.uniform(4, 16))
    curl = rng.uniform(-0.9, 0.9, 2)
    roll = rng.uniform(0, 0.9) * np.clip(1 - edge / (size * rng.uniform(0.03, 0.3)), 0, 1) ** rng.uniform(0.7, 2)
    if rng.random() < 0.4:
        rough, scratch_scale = rough * 0.5, rng.uniform(0.0, 0.12)
    else:
        scratch_scale = 0.03
    env = gaussian_filter(env, (rough, rough, 0))
    brushed = gaussian_filter(rng.normal(0, 1, (n, n)), (0, size * 0.03) if rng.random() < 0.5 else (size * 0.03, 0))
    scratch = scratch_scale * (0.3 * rng.random() * noise(rng, n, 2) + rng.random() * brushed / max(brushed.std(), 1e-6))
    nx = 0.45 * u * rng.uniform(0.5, 1.6) + 0.2 * rng.random() * bump[0] + curl[0] * 0.3 + scratch
    ny = curl[1] * 0.7 + rng.uniform(0.2, 0.9) * (1 - depth) * 0.5 + 0.2 * rng.random() * bump[1] + 0.3 * v + scratch + roll
    at = np.stack([(np.clip(ny, -1, 1) + 1) * 31.5, (np.clip(nx, -1, 1) + 1) * 31.5])
    seen = np.stack([map_coordinates(env[..., k], at, order=1, mode="nearest") for k in range(3)], -1)
    if alloy == "gold":
        tint = GOLD * np.array([1, rng.uniform(0.94, 1.10), rng.uniform(0.85, 1.6)])
    elif alloy == "white":
        tint = WHITE * np.array([1, rng.uniform(0.97, 1.02), rng.uniform(0.95, 1.08)]) * rng.uniform(0.8, 1.2)
    else:
        tint = np.array([0.36, 0.36, 0.36]) * rng.uniform(0.4, 1.2) * np.array([1, 1.0, rng.uniform(0.95, 1.1)])
        seen = 0.45 * seen + 0.2 * (1 + 0.25 * noise(rng, n, size / 30) + 0.2 * noise(rng, n, size / 10))[..., None].clip(0.2)
    haze = rng.uniform(0.0, 0.05)
    return seen * tint + haze * tint


def _environment(rng):
    """What the metal mirrors, 64 x 64 directions: throat, gum and lips, teeth, retractor, the flash."""
    y, x = np.mgrid[-1:1:64j, -1:1:64j]
    env = np.ones((64, 64, 3)) * np.array([0.035, 0.018, 0.014]) * rng.uniform(0.3, 2.5)
    palette = (
        [0.40, 0.15, 0.13],
        [0.40, 0.15, 0.13],
        [0.55, 0.33, 0.26],
        [0.65, 0.58, 0.42],
        [0.7, 0.7, 0.7],
        [0.03, 0.015, 0.012],
        [0.2, 0.06, 0.05],
    )
    for _ in range(rng.integers(6, 14)):
        a, b = rng.uniform(-1, 1, 2)
        w, h = rng.uniform(0.12, 0.8, 2)
        tone = np.array(palette[rng.integers(len(palette))]) * rng.uniform(0.4, 1.3)
        mask = np.clip((1 - ((x - a) / w) ** 2 - ((y - b) / h) ** 2) * rng.uniform(1, 8), 0, 1)[..., None]
        env = env * (1 - mask) + tone * mask
    for _ in range(rng.integers(0, 7)):  # straight-edged things: mirrors, retractor rims, the rows of teeth
        angle, at, width = rng.uniform(0, np.pi), rng.uniform(-1, 1), rng.uniform(0.03, 0.3)
        away = np.abs(x * np.cos(angle) + y * np.sin(angle) - at)
        tone = np.array(palette[rng.integers(len(palette))]) * rng.uniform(0.3, 1.6)
        mask = np.clip((width - away) * rng.uniform(8, 60), 0, 1)[..., None] * rng.uniform(0.4, 1)
        env = env * (1 - mask) + tone * mask
    for _ in range(rng.integers(1, 5)):
        a, b = rng.uniform(-0.6, 0.6, 2)
        r = np.hypot(x - a, y - b)
        env = env + (rng.uniform(2, 25) * np.exp(-(((r - rng.uniform(0, 0.18)) / rng.uniform(0.03, 0.07)) ** 2)))[..., None]
    return env
