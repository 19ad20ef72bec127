"""Bands of a margin with slots of known width, drawn for the tests: enamel, mirroring metal, optics, camera.

Everything happens in the order light takes: levels and textures in linear light, slots by area
coverage, blur (varying along the trace, optionally a defocus disc), photon and read noise, tone curve,
sharpening on encoded values, JPEG. A hand trace wanders beside the interface.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np

from audit.imaging.colour import encode_srgb


@dataclass(frozen=True)
class MarginScene:
    pixels: np.ndarray
    trace: np.ndarray
    interface: np.ndarray
    mm_per_px: float
    openings: tuple[tuple[float, float, float], ...]
    """start_mm, end_mm along the interface, width_um"""
    blur_px: float
    position_px: np.ndarray = field(repr=False)
    width_px: np.ndarray = field(repr=False)
    """true width at `position_px`"""


def nuisances(rng):
    """What a camera and a mouth do to a margin, drawn at random: 50-80 px/mm, blur 1-2.5 px, JPEG 85."""
    return {
        "px_per_mm": rng.uniform(50, 80), "length_mm": rng.uniform(4, 7), "blur_px": rng.uniform(1, 2.5),
        "blur_varies": rng.uniform(0, 0.25), "jpeg": 85, "sharpen": rng.uniform(0, 0.8), "tone": rng.uniform(-0.5, 0.5),
        "noise": rng.uniform(0.003, 0.012), "disc": rng.choice([0, 0, 0.7]), "slot_level": rng.uniform(0.02, 0.2),
    }  # fmt: skip


def draw_margin(
    seed: int, *, px_per_mm: float = 65.0, length_mm: float = 6.0, openings=(), blur_px: float = 1.6, blur_varies: float = 0.0,
    contrast: float | None = None, stain: float = 0.0, shadow: float = 0.0, glint: float = 0.0, cement: float = 0.0,
    slot_level: float | None = None,
    jpeg: int = 90, sharpen: float = 0.0, tone: float = 0.0, noise: float = 0.006, disc: float = 0.0, trace_sd_px: float = 2.5,
    metal_structure: float = 0.12,
) -> MarginScene:  # fmt: skip
    """A photograph of `length_mm` of margin. Openings are (start_mm, end_mm, width_um) with soft ends."""
    rng = np.random.default_rng(seed)
    over = 3
    length = int(length_mm * px_per_mm)
    w, h = length + 60, 170
    xs = (np.arange(w * over) + 0.5) / over - 0.5
    ys = (np.arange(h * over) + 0.5) / over - 0.5
    amplitude, phase = rng.uniform(4, 14), rng.uniform(0, 6.28)
    period = length * rng.uniform(0.8, 2.0)
    tilt = rng.uniform(-0.06, 0.06)

    def line(x):
        return h / 2 + amplitude * np.sin(2 * np.pi * x / period + phase) * 0.8 + tilt * (x - w / 2)

    def slope(x):
        return amplitude * 0.8 * 2 * np.pi / period * np.cos(2 * np.pi * x / period + phase) + tilt

    fine = np.linspace(0, w - 1, 8 * w)
    arc = np.concatenate([[0], np.cumsum(np.hypot(np.diff(fine), np.diff(line(fine))))])
    start_arc = np.interp(30.0, fine, arc)
    s = np.interp(xs, fine, arc) - start_arc
    width = np.zeros_like(xs)
    for a, b, um in openings:
        edge = 0.03 * px_per_mm
        a_px, b_px, w_px = a * px_per_mm, b * px_per_mm, um / 1000 * px_per_mm
        window = 1 / (1 + np.exp(-(s - a_px) / edge * 2)) * 1 / (1 + np.exp((s - b_px) / edge * 2))
        width = np.maximum(width, w_px * window)
    d = (ys[:, None] - line(xs)[None, :]) / np.hypot(1, slope(xs))[None, :]
    image = _sides(rng, d, xs, contrast, metal_structure, h)
    tooth = np.median(image[d < -5], axis=0)
    if stain:
        brown = np.array([rng.uniform(0.3, 0.6), rng.uniform(0.65, 0.85), 1.0])
        image *= _line(d, rng.uniform(0.8, 2.0), stain * _bumps(rng, s, px_per_mm)[None, :], brown)
    if shadow:
        reach = rng.uniform(4, 10)
        side = rng.choice([-1, 1])
        depth = shadow * np.exp(-np.maximum(side * d, 0) / reach) * (side * d > 0)
        image *= (1 - depth)[..., None]
    if glint:
        image += _gain(d, rng.uniform(0.5, 1.5), glint * _bumps(rng, s, px_per_mm)[None, :])
    if cement:
        image = image * (1 - _mask(d, 0.06 * px_per_mm)[..., None]) + _mask(d, 0.06 * px_per_mm)[..., None] * tooth * (1 + cement)
    level = rng.uniform(0.02, 0.2) if slot_level is None else slot_level
    dark = tooth * level * np.array([1.1, 1.0, 0.9])
    coverage = np.clip((width[None, :] / 2 - np.abs(d)) * over + 0.5, 0, 1)
    image = image * (1 - coverage[..., None]) + coverage[..., None] * dark
    small = image.reshape(h, over, w, over, 3).mean(axis=(1, 3)).astype(np.float32)
    small = _optics(small, blur_px, blur_varies, disc)
    pixels = _camera(rng, small, noise, tone, sharpen, jpeg)
    xi = np.linspace(30, 30 + length, 400)
    interface = np.stack([xi, line(xi)], axis=1)
    trace = _hand(rng, xi, line, slope, trace_sd_px)
    grid = np.arange(0, np.interp(30 + length, fine, arc) - start_arc, 1.0)
    return MarginScene(pixels, trace, interface, 1 / px_per_mm, tuple(openings), blur_px, grid, np.interp(grid, s, width))


def _sides(rng, d, xs, contrast, structure, h):
    tooth = np.array([0.62, 0.54, 0.41]) * rng.uniform(0.75, 1.1)
    ratio = rng.uniform(0.45, 1.3) if contrast is None else contrast
    gold = np.array([0.95, 0.70, 0.36]) * tooth.mean() / 0.67 * ratio
    n = d.shape
    enamel = 1 + 0.02 * _smooth(rng, n, 40) + 0.006 * _smooth(rng, n, 6) + rng.uniform(-0.003, 0.003) * np.clip(d, -60, 60)
    metal = (
        1
        + structure * _smooth(rng, n, 90, stretch=3)
        + 0.4 * structure * _smooth(rng, n, 15, stretch=4)
        + rng.uniform(-0.004, 0.004) * np.clip(d, -60, 60)
    )
    side = (d > 0)[..., None]
    return np.clip(np.where(side, gold * np.maximum(metal, 0.2)[..., None], tooth * enamel[..., None]), 0.01, None)


def _smooth(rng, shape, scale, stretch=1):
    small = rng.normal(size=(max(3, shape[0] // scale + 3), max(3, shape[1] // (scale * stretch) + 3))).astype(np.float32)
    return cv2.resize(small, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)


def _bumps(rng, s, px_per_mm):
    """A strength that comes and goes along the margin, 0.2 to 1."""
    knots = np.arange(s.min() - 1, s.max() + px_per_mm, 0.5 * px_per_mm)
    return np.interp(s, knots, rng.uniform(0.2, 1.0, len(knots)))


def _line(d, sigma, depth, colour):
    return 1 - (depth * np.exp(-0.5 * (d / sigma) ** 2))[..., None] * colour


def _gain(d, sigma, height):
    return (height * np.exp(-0.5 * ((d - 1.0) / sigma) ** 2))[..., None] * np.ones(3)


def _mask(d, width):
    return np.clip((width / 2 - np.abs(d)) * 3 + 0.5, 0, 1)


def _optics(image, blur, varies, disc):
    core = max(np.sqrt(max(blur**2 - 1 / 12, 0.05)), 0.3)
    if disc:
        radius = 2 * core * disc
        yy, xx = np.mgrid[-8:9, -8:9]
        kernel = np.clip(radius - np.hypot(yy, xx) + 0.5, 0, 1).astype(np.float32)
        rest = np.sqrt(max(core**2 * (1 - disc**2), 0.2))
        return cv2.GaussianBlur(cv2.filter2D(image, -1, kernel / kernel.sum()), (0, 0), rest)
    if not varies:
        return cv2.GaussianBlur(image, (0, 0), core)
    sharp = cv2.GaussianBlur(image, (0, 0), core * (1 - varies))
    soft = cv2.GaussianBlur(image, (0, 0), core * (1 + varies))
    mix = np.linspace(0, 1, image.shape[1])[None, :, None]
    return sharp * (1 - mix) + soft * mix


def _camera(rng, image, noise, tone, sharpen, jpeg):
    photons = noise * np.sqrt(np.maximum(image, 0) + 0.02)
    noisy = image + cv2.GaussianBlur(rng.normal(size=image.shape).astype(np.float32), (0, 0), 0.5) * 1.7 * photons
    encoded = encode_srgb(np.clip(noisy, 0, None)).astype(np.float32)
    if tone:
        encoded = encoded + tone * encoded * (1 - encoded) * (encoded - 0.5) * 2
    if sharpen:
        encoded = encoded + sharpen * (encoded - cv2.GaussianBlur(encoded, (0, 0), 1.5))
    eight = np.clip(np.round(encoded * 255), 0, 255).astype(np.uint8)
    _ok, data = cv2.imencode(".jpg", eight[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, jpeg])
    return cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1].copy()


def _hand(rng, xi, line, slope, sd):
    knots = np.linspace(xi[0], xi[-1], max(5, int((xi[-1] - xi[0]) / 25)))
    off = rng.normal(0, sd, len(knots))
    off = np.clip(off, -2.5 * sd, 2.5 * sd)
    n = np.hypot(1, slope(knots))
    return np.stack([knots - off * slope(knots) / n, line(knots) + off / n], axis=1)
