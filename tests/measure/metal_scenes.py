"""Quick drawings of a tooth with and without metal, of known area; also what the shipped weights were fitted to.

Every scene is drawn in linear light from one seed: an enamel body with its own gradient, shading and wet
highlights, gum, neighbours and a dark throat round it, metal that mirrors a random mouth, and what
must not be taken for metal. `Sketch` says what is wanted; None means that chance decides.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from metal_lookalikes import CONFOUNDERS, confound, noise
from metal_mirror import GOLD, WHITE, mirrored
from scipy.ndimage import gaussian_filter

LAYOUTS = ("bevel", "distal_half", "collar", "frame", "patch", "side", "most")


@dataclass(frozen=True)
class Sketch:
    """What to draw."""

    seed: int
    metal: str | None = None
    """One of `LAYOUTS`, ``none``, or None for chance."""
    alloy: str | None = None
    band_px: float | None = None
    size_px: float = 220.0
    light: float | None = None
    balance: float = 0.12
    upper: bool | None = None
    confounders: tuple[str, ...] | None = None
    blur_px: float | None = None
    jitter_px: float | None = None


@dataclass(frozen=True)
class Drawn:
    """Pixels, the outline (n, 2), coverage of metal inside the outline (h, w), and what was drawn."""

    pixels: np.ndarray
    outline: np.ndarray
    metal: np.ndarray
    facial_area_px: float
    layout: str
    alloy: str
    upper: bool
    notes: dict = field(default_factory=dict)


def draw(sketch: Sketch) -> Drawn:
    rng = np.random.default_rng(sketch.seed)
    upper = bool(rng.random() < 0.6) if sketch.upper is None else sketch.upper
    layout = sketch.metal or ("none" if rng.random() < 0.45 else str(rng.choice(LAYOUTS, p=[0.4, 0.12, 0.12, 0.1, 0.14, 0.08, 0.04])))
    alloy = sketch.alloy or str(rng.choice(["gold", "gold", "white", "amalgam"]))
    if layout == "patch" and sketch.alloy is None and rng.random() < 0.6:
        alloy = "amalgam"
    size = sketch.size_px
    n = int(size * 1.5)
    y, x = np.mgrid[0:n, 0:n].astype(float)
    centre = n / 2 + rng.uniform(-0.5, 0.5, 2)
    aspect = rng.uniform(0.75, 1.15)
    u = (x - centre[0]) / (0.5 * size * aspect)
    v = (y - centre[1]) / (0.5 * size) * (1.0 if upper else -1.0)  # -1 cervical, +1 occlusal
    theta, radius, shape = _outline_shape(rng, u, v)
    radius_at = shape(theta)
    rho = radius / radius_at  # 1 on the outline
    edge = (1.0 - rho) * radius_at * 0.5 * size * min(aspect, 1.0)  # px inside the outline, near it
    inside = np.clip(edge + 0.5, 0, 1)
    enamel, facing = _enamel(rng, u, v, rho, size)
    around = _surroundings(rng, u, v, theta, n, size)
    chosen = sketch.confounders
    if chosen is None:
        chosen = tuple(c for c in CONFOUNDERS if rng.random() < 0.2)
    enamel = confound(rng, enamel, chosen, u, v, edge, size)
    metal = np.zeros((n, n)) if layout == "none" else _region(rng, shape, layout, u, v, rho, edge, size, sketch.band_px)
    metal = metal * inside
    light = enamel + _highlights(rng, u, v, rho, size, facing)[..., None]
    if layout != "none":
        shine = mirrored(rng, alloy, u, v, edge, metal, size)
        seam = gaussian_filter(metal, size * 0.004)
        light = light * (1 - 0.35 * rng.random() * (4 * seam * (1 - seam)))[..., None]
        light = light * (1 - metal[..., None]) + shine * metal[..., None]
    light = around * (1 - inside[..., None]) + light * inside[..., None]
    pixels, blur = _camera(rng, light, sketch, size)
    ring = _ring(rng, shape, upper, centre, size, aspect, sketch.jitter_px)
    return Drawn(pixels, ring, metal, float(inside.sum()), layout, alloy, upper, {"confounders": chosen, "blur_px": blur})


def _outline_shape(rng, u, v):
    theta = np.arctan2(v, u)
    power = rng.uniform(2.1, 3.4)
    wobble = rng.normal(0, [0.03, 0.02, 0.015]), rng.uniform(0, 2 * np.pi, 3)
    taper = rng.uniform(0.0, 0.22)

    def at(angle):
        base = (np.abs(np.cos(angle)) ** power + np.abs(np.sin(angle)) ** power) ** (-1 / power)
        for k, (a, p) in enumerate(zip(*wobble), 2):
            base = base * (1 + a * np.cos(k * angle + p))
        return base * (1 + taper * np.sin(angle) * np.abs(np.cos(angle)))

    return theta, np.hypot(u, v), at


def _ring(rng, shape, upper, centre, size, aspect, jitter):
    angle = np.linspace(0, 2 * np.pi, 120, endpoint=False)
    r = shape(angle)
    xy = np.stack([r * np.cos(angle) * aspect, r * np.sin(angle) * (1 if upper else -1)], 1) * 0.5 * size + centre
    jitter = (rng.choice([0.0, 1.0, 2.5]) if jitter is None else jitter) * size / 220.0
    if jitter:
        noise = gaussian_filter(rng.normal(0, 1, (120, 2)), [2.5, 0], mode="wrap") * 2.98
        xy = xy + jitter * noise
    return xy


def _enamel(rng, u, v, rho, size):
    n = u.shape[0]
    yellow = rng.uniform(0.0, 1.0)
    body = np.array([0.80, 0.80 * (0.92 - 0.13 * yellow), 0.80 * (0.70 - 0.38 * yellow)])
    cervical = np.array([1.0, 0.93 - 0.06 * rng.random(), 0.86 - 0.22 * rng.random()])
    incisal = np.array([0.93, 0.97, 1.05]) * rng.uniform(0.72, 1.05)
    t = np.clip((v + 1) / 2, 0, 1)[..., None]
    mix = np.where(t < 0.5, cervical + (1 - cervical) * t * 2, 1 + (incisal - 1) * np.clip((t - 0.5) * 2, 0, 1) ** rng.uniform(1, 4))
    bulge = rng.uniform(0.5, 1.0)
    limb = np.abs(u) if rng.random() < 0.3 else rho
    nz = np.sqrt(np.clip(1 - bulge * np.clip(limb, 0, 1) ** rng.uniform(2, 7), 0.02, 1))
    tilt = 1 + rng.normal(0, 0.12) * u + rng.normal(0, 0.12) * v
    ambient = rng.uniform(0.35, 0.65) if rng.random() < 0.6 else rng.uniform(0.06, 0.35)
    shade = (ambient + (0.95 - ambient) * rng.uniform(0.7, 1.1) * nz ** rng.uniform(0.8, 2.5)) * np.clip(tilt, 0.4, 1.6)
    texture = 1 + rng.uniform(0, 0.04) * noise(rng, n, size / 8) + rng.uniform(0, 0.02) * noise(rng, n, size / 40)
    chroma = np.exp(rng.uniform(0, 0.06) * noise(rng, n, size / 4))
    light = body * mix * (shade * texture)[..., None]
    light[..., 2] *= chroma
    glow = np.exp(-np.clip(1 - rho, 0, 1) * size / (rng.uniform(4, 20))) * rng.uniform(0, 0.15)
    light = light + glow[..., None] * np.array([0.5, 0.12, 0.12])
    return light, nz


def _surroundings(rng, u, v, theta, n, size):
    gum = np.array([0.42, 0.13, 0.12]) * rng.uniform(0.5, 1.5) * np.array([1, rng.uniform(0.7, 1.6), rng.uniform(0.7, 1.6)])
    gum_field = gum * (1 + 0.15 * noise(rng, n, size / 10))[..., None].clip(0.2)
    dark = np.array([0.03, 0.012, 0.010]) * rng.uniform(0.2, 3)
    tooth = np.array([0.55, 0.47, 0.30]) * rng.uniform(0.4, 1.1)
    below = tooth if rng.random() < 0.5 else dark
    gap = rng.uniform(0.02, 0.12)
    side_tooth = tooth * (0.6 + 0.4 * np.clip((np.abs(u) - 1.05) * 4, 0, 1))[..., None]
    sides = np.where((np.abs(u) > 1 + gap)[..., None], side_tooth, dark)
    low = np.where((v > 1.0 + rng.uniform(0.02, 0.12))[..., None], np.broadcast_to(below, (n, n, 3)), dark)
    papilla = v < -0.35 - 0.5 * np.clip(1 - (np.abs(u) - 0.7) ** 2 * 4, -1, 1) * rng.uniform(0.2, 1)
    around = np.where((v > 0.9)[..., None], low, sides)
    around = np.where((papilla | (v < -0.8))[..., None], gum_field, around)
    return gaussian_filter(np.asarray(around, float), (size * 0.008, size * 0.008, 0)).clip(0.001)


def _region(rng, shape, layout, u, v, rho, edge, size, band_px):
    n = u.shape[0]
    wave = noise(rng, n, size / rng.uniform(2, 8)) * size * rng.uniform(0.0, 0.012)
    band = band_px or size * np.exp(rng.uniform(np.log(0.02), np.log(0.3)))
    end = np.clip((edge + 0.5), 0, 1)
    occlusal = _from_edge(shape, u, v, size)
    if layout == "bevel":
        flare = band * (1 + rng.uniform(-0.35, 0.35) * u + rng.uniform(-0.2, 0.5) * u**2) + wave * min(1.0, band / (size * 0.05))
        part = np.clip(flare - occlusal + 0.5, 0, 1)
        if rng.random() < 0.25 and band_px is None:
            at = rng.uniform(-0.5, 0.5)
            part = part * np.clip((u - at) * rng.choice([-1, 1]) * size * 0.3, 0, 1)
    elif layout == "distal_half":
        at, sign = rng.uniform(-0.2, 0.5), rng.choice([-1, 1])
        part = np.clip((sign * u - at - 0.15 * v * rng.uniform(-1, 1)) * size / 2 + wave + 0.5, 0, 1)
        if rng.random() < 0.8:
            thin = size * rng.uniform(0.02, 0.08)
            part = np.maximum(part, np.clip(thin + wave * 0.3 - occlusal + 0.5, 0, 1))
        part = part * np.clip((v + rng.uniform(0.4, 0.95)) * size * 0.3, 0, 1)
    elif layout == "collar":
        part = np.clip((band * 0.7) * (1 + 0.5 * rng.uniform(-1, 1) * u) + wave - edge + 0.5, 0, 1) * np.clip(
            (-v + rng.uniform(-0.3, 0.2)) * size * 0.1, 0, 1
        )
    elif layout == "frame":
        part = np.clip(band * 0.7 * (1 + 0.3 * np.sin(np.arctan2(v, u) * 2 + rng.uniform(0, 6))) + wave - edge + 0.5, 0, 1)
    elif layout == "side":
        part = np.clip(band * 0.8 + wave - edge + 0.5, 0, 1) * np.clip(u * rng.choice([-1, 1]) * size * 0.2, 0, 1)
    elif layout == "most":
        a, b, r = rng.uniform(-0.3, 0.3), rng.uniform(-0.3, 0.3), rng.uniform(0.45, 0.75)
        part = np.clip((np.hypot(u - a, v - b) - r) * size / 2 + wave + 0.5, 0, 1)
    else:
        t = noise(rng, n, size / 5)
        a, b = rng.uniform(-0.8, 0.8), rng.uniform(-0.8, 0.95)
        w, h = rng.uniform(0.15, 0.5, 2)
        part = np.clip((1 - ((u - a) / w) ** 2 - ((v - b) / h) ** 2 + 0.25 * t) * size * 0.1, 0, 1)
    return part * end


def _from_edge(shape, u, v, size):
    """Distance in px from the occlusal border, measured along the image vertical."""
    fine = np.linspace(0, np.pi, 721)
    r = shape(fine)
    order = np.argsort(r * np.cos(fine))
    border = np.interp(u, (r * np.cos(fine))[order], (r * np.sin(fine))[order], left=np.nan, right=np.nan)
    return np.nan_to_num((border - v) * 0.5 * size, nan=1e9)


def _highlights(rng, u, v, rho, size, facing):
    n = u.shape[0]
    out = np.zeros((n, n))
    ripple = noise(rng, n, size / 30)
    for _ in range(rng.integers(0, 5)):
        a, b = rng.uniform(-0.75, 0.75), rng.uniform(-0.85, 0.9)
        w, h = rng.uniform(0.02, 0.12), rng.uniform(0.02, 0.35)
        if rng.random() < 0.3:
            w, h = h, w
        out += np.clip((1 - ((u - a) / w) ** 2 - ((v - b) / h) ** 2 + 0.6 * ripple * rng.random()) * 2, 0, 1) * rng.uniform(0.2, 4)
    if rng.random() < 0.4:
        out += np.clip(noise(rng, n, size / rng.uniform(15, 50)) - rng.uniform(2.0, 2.8), 0, 1) * rng.uniform(0.5, 4)
    if rng.random() < 0.25:
        a, b = rng.uniform(-0.4, 0.4, 2)
        r = np.hypot((u - a) / rng.uniform(0.5, 1), (v - b) / rng.uniform(0.5, 1.2)) + 0.08 * noise(rng, n, size / 8)
        out += np.exp(-(((r - rng.uniform(0.2, 0.5)) / rng.uniform(0.01, 0.05)) ** 2)) * rng.uniform(0.2, 3)
    sheen = rng.uniform(0, 0.12) * np.clip(1 - np.hypot(u - rng.normal(0, 0.3), v - rng.normal(0, 0.3)) ** 2, 0, 1)
    return gaussian_filter(out, size * rng.uniform(0.002, 0.012)) + sheen


def _camera(rng, light, sketch, size):
    exposure = (rng.uniform(0.5, 1.3) if sketch.light is None else sketch.light) * rng.uniform(0.9, 1.15)
    gains = np.exp(rng.uniform(-sketch.balance, sketch.balance, 3) * np.array([1, 0, 1]))
    blur = (np.exp(rng.uniform(np.log(0.5), np.log(2.2))) * max(1.0, size / 400)) if sketch.blur_px is None else sketch.blur_px
    light = gaussian_filter(np.asarray(light, np.float32), (blur, blur, 0))
    flare = rng.uniform(0.0, 0.01)
    light = (light + flare * light.mean(axis=(0, 1))) * exposure * gains
    if rng.random() < 0.3:
        light = light + np.array([1.0, 1.0, 1.0]) * rng.uniform(0.0, 0.01)
    sigma = rng.uniform(0.0005, 0.004)
    light = light + rng.normal(0, 1, light.shape) * np.sqrt(sigma**2 + (2.5 * sigma) ** 2 * light.clip(0))
    if rng.random() < 0.5:  # a phone's curve: shoulder, more colour
        grey = light @ np.array([0.2126, 0.7152, 0.0722])
        light = grey[..., None] + (light - grey[..., None]) * rng.uniform(0.9, 1.35)
        knee = rng.uniform(0.6, 0.95)
        over = light > knee
        light = np.where(over, knee + (1 - knee) * np.tanh((light - knee) / (1 - knee) * 0.8), light)
    light = light.clip(0, 1)
    encoded = np.where(light <= 0.0031308, light * 12.92, 1.055 * np.maximum(light, 0.0031308) ** (1 / 2.4) - 0.055)
    if rng.random() < 0.4:
        encoded = encoded + rng.uniform(0.0, 0.25) * encoded * (1 - encoded) * (2 * encoded - 1) * 2
    out = (encoded.clip(0, 1) * 255 + 0.5).astype(np.uint8)
    if rng.random() < 0.5:  # sharpening in the camera
        soft = cv2.GaussianBlur(out, (0, 0), 1.2)
        out = cv2.addWeighted(out, 1.4, soft, -0.4, 0)
    _, data = cv2.imencode(".jpg", out[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(70, 97))])
    return cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1].copy(), blur


def draw_occlusal(seed: int, alloy: str, hole_px: float) -> tuple[np.ndarray, np.ndarray]:
    """A metal surface that mirrors the mouth, with a round hole of this diameter in it: pixels and outline."""
    rng = np.random.default_rng(seed)
    n, size = 330, 220.0
    y, x = np.mgrid[0:n, 0:n].astype(float)
    u, v = (x - n / 2) / (0.5 * size), (y - n / 2) / (0.5 * size)
    edge = (1 - np.hypot(u, v)) * 0.5 * size
    seen = mirrored(rng, alloy, u, v, np.abs(edge), np.ones((n, n)), size)
    light = seen.clip(0.02) * 0.7 + 0.15 * (GOLD if alloy == "gold" else WHITE)
    cover = np.clip(hole_px / 2 - np.hypot(x - n / 2 - 20.3, y - n / 2 + 15.7) + 0.5, 0, 1)[..., None]
    light = light * (1 - cover) + np.array([0.62, 0.55, 0.42]) * cover
    inside = np.clip(edge + 0.5, 0, 1)[..., None]
    light = light * inside + np.array([0.3, 0.1, 0.09]) * (1 - inside)
    pixels, _ = _camera(np.random.default_rng(seed), light, Sketch(seed, light=0.8, blur_px=1.0), size)
    angle = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    return pixels, np.stack([n / 2 + 110 * np.cos(angle), n / 2 + 110 * np.sin(angle)], 1)
