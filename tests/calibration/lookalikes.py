"""Pictures of things that repeat like a rule and are none: each must be refused when a rule is looked for.

Each is drawn three times finer than its pixels and averaged, then developed as the rules are, at a turn and size drawn from
the seed. All of them are drawn with the traps that make a rule of them: even spacing, and longer members at every fifth or tenth.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from reference_scenes import RuleScene, develop

WIDTH, HEIGHT, FINER = 900, 640, 2
Axis = np.ndarray


def draw_lookalike(name: str, seed: int) -> np.ndarray:
    """An sRGB picture of one of `LOOKALIKES`."""
    rng = np.random.default_rng([seed, sorted(LOOKALIKES).index(name)])
    y, x = np.mgrid[0 : HEIGHT * FINER, 0 : WIDTH * FINER].astype(np.float32) / FINER
    turn = float(rng.uniform(0, 2 * np.pi))
    dx, dy = x - WIDTH / 2, y - HEIGHT / 2
    along, beside = dx * np.cos(turn) + dy * np.sin(turn), dy * np.cos(turn) - dx * np.sin(turn)
    lean = float(rng.uniform(-2e-4, 2e-4))
    along = along / (1 + lean * along)
    light = LOOKALIKES[name](along, beside, rng)
    light = cv2.resize(light, (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA)
    light = light * (1 + 0.25 * rng.uniform(-1, 1) * (x[::FINER, ::FINER] / WIDTH - 0.5))
    scene = RuleScene(width=WIDTH, height=HEIGHT, blur=float(rng.uniform(0.7, 2.0)), noise=0.005, jpeg=int(rng.integers(75, 96)))
    return develop(light[..., None] * np.array([1.0, 0.97, 0.92]), rng, scene)


def _cell(a: Axis, pitch: float) -> tuple[Axis, Axis]:
    """Number of the repeated thing, and place within it from -0.5 to 0.5."""
    number = np.round(a / pitch)
    return number, a / pitch - number


def _zip(a: Axis, b: Axis, rng: np.random.Generator) -> Axis:
    pitch = float(rng.uniform(9, 22))
    _, inside = _cell(a + pitch / 2 * (b > 0), pitch)
    half = pitch * rng.uniform(1.2, 1.8)
    tooth = (np.abs(inside) < 0.28) & (np.abs(b) < half)
    tape = 0.06 + 0.03 * (np.cos(a * 2 * np.pi / 3.1) > 0)
    return np.where(tooth, 0.55 + 0.3 * np.abs(inside), tape).astype(np.float32)


def _teeth(a: Axis, b: Axis, rng: np.random.Generator) -> Axis:
    pitch = float(rng.uniform(30, 90))
    number, inside = _cell(a + 3 * np.sin(a / 150), pitch)
    edge = 60 + 25 * (1 - 4 * inside**2) + 12 * np.cos(number * 2.1)
    tooth = (np.abs(b) < edge) & (np.abs(inside) < 0.47)
    return np.where(tooth, 0.75 - 0.9 * inside**2, 0.12).astype(np.float32)


def _bricks(a: Axis, b: Axis, rng: np.random.Generator) -> Axis:
    tall = float(rng.uniform(10, 26))
    row, across = _cell(b, tall)
    _, inside = _cell(a + tall * 1.5 * (row % 2), 3 * tall)
    return np.where((np.abs(across) > 0.44) | (np.abs(inside) > 0.48), 0.65, 0.2 + 0.03 * np.cos(row * 3)).astype(np.float32)


def _grid(a: Axis, b: Axis, rng: np.random.Generator) -> Axis:
    pitch = float(rng.uniform(8, 25))
    return np.where((np.abs(_cell(a, pitch)[1]) > 0.44) | (np.abs(_cell(b, pitch)[1]) > 0.44), 0.1, 0.7).astype(np.float32)


def _comb(a: Axis, b: Axis, rng: np.random.Generator) -> Axis:
    pitch = float(rng.uniform(8, 20))
    _, inside = _cell(a, pitch)
    return np.where((b < -80) & (b > -130) | (np.abs(inside) < 0.25) & (b >= -80) & (b < 120), 0.05, 0.6).astype(np.float32)


def _text(a: Axis, b: Axis, rng: np.random.Generator) -> Axis:
    """Lines of letters of one width, as a typewriter sets them; every line has its own letters."""
    pitch = float(rng.uniform(9, 18))
    row, v = _cell(b, 2.1 * pitch)
    letter, u = _cell(a, pitch)
    kind = np.abs(np.sin(letter * 12.9898 + row * 78.233) * 43758.5453) % 1
    stem = (np.abs(u + 0.25) < 0.08) | (np.abs(u - 0.2) < 0.08) & (kind > 0.4)
    bar = (np.abs(v - (kind - 0.5) * 0.4) < 0.06) & (np.abs(u) < 0.32)
    tall = np.where(kind > 0.75, 0.34, 0.2)
    return np.where((stem | bar) & (np.abs(v) < tall) & (kind > 0.12), 0.05, 0.75).astype(np.float32)


def _keyboard(a: Axis, b: Axis, rng: np.random.Generator) -> Axis:
    pitch = float(rng.uniform(20, 50))
    row, v = _cell(b, pitch)
    _, u = _cell(a + 0.35 * pitch * row, pitch)
    key = np.maximum(np.abs(u), np.abs(v)) < 0.42
    print_ = key & (np.abs(u + 0.15) < 0.05) & (np.abs(v) < 0.15)
    return np.where(print_, 0.8, np.where(key, 0.12, 0.03)).astype(np.float32)


def _bar_code(a: Axis, b: Axis, rng: np.random.Generator) -> Axis:
    """Bars of one to four modules, the guard bars longer."""
    module = float(rng.uniform(3, 9))
    bars = rng.random(400) < 0.5
    bars[::2] &= rng.random(200) < 0.8
    index = np.clip(np.floor(a / module).astype(int) + 200, 0, 399)
    guard = (index % 45) < 3
    return np.where(bars[index] & (np.abs(b) < 90) | (guard & (index % 2 == 0) & (b > -90) & (b < 115)), 0.04, 0.75).astype(np.float32)


def _corduroy(a: Axis, b: Axis, rng: np.random.Generator) -> Axis:
    pitch = float(rng.uniform(8, 24))
    return (0.25 + 0.15 * np.cos(2 * np.pi * (a + 2 * np.sin(b / 90)) / pitch) + 0.03 * np.cos(2 * np.pi * b / 3)).astype(np.float32)


def _thread(a: Axis, b: Axis, rng: np.random.Generator) -> Axis:
    """A screw: bright flanks across a cylinder, its outline a saw."""
    pitch, radius = float(rng.uniform(9, 22)), float(rng.uniform(40, 90))
    _, inside = _cell(a + 0.08 * b, pitch)
    edge = radius + 0.35 * pitch * (1 - 2 * np.abs(inside))
    shade = np.sqrt(np.clip(1 - (b / edge) ** 2, 0, 1))
    return np.where(np.abs(b) < edge, 0.1 + 0.6 * shade * (inside > -0.05), 0.3).astype(np.float32)


def _blinds(a: Axis, b: Axis, rng: np.random.Generator) -> Axis:
    """Slats, the cord through every fifth and tenth hole longer."""
    pitch = float(rng.uniform(10, 30))
    number, inside = _cell(a, pitch)
    reach = np.where(number % 10 == 0, 260, np.where(number % 5 == 0, 230, 200))
    return np.where((np.abs(inside) < 0.4) & (np.abs(b) < reach), 0.7, 0.1).astype(np.float32)


def _retractor(a: Axis, b: Axis, rng: np.random.Generator) -> Axis:
    """A ribbed handle: a few broad ribs, rounded, on a bright bar."""
    pitch = float(rng.uniform(12, 30))
    _, inside = _cell(a, pitch)
    rib = (np.abs(b) < 40) & (np.abs(a) < 9 * pitch)
    return np.where(rib, 0.35 + 0.3 * np.cos(2 * np.pi * inside), np.where(np.abs(b) < 60, 0.6, 0.15)).astype(np.float32)


def _moire(a: Axis, b: Axis, rng: np.random.Generator) -> Axis:
    one, two = float(rng.uniform(3, 5)), float(rng.uniform(3, 5))
    turned = a * np.cos(0.12) + b * np.sin(0.12)
    return (0.4 + 0.2 * np.sign(np.cos(2 * np.pi * a / one)) * np.sign(np.cos(2 * np.pi * turned / two))).astype(np.float32)


def _fence(a: Axis, b: Axis, rng: np.random.Generator) -> Axis:
    """Pickets with a taller post at every fifth: two lengths, as on a scale of two lengths."""
    pitch = float(rng.uniform(12, 26))
    number, inside = _cell(a, pitch)
    top = np.where(number % 5 == 0, 4.0, 3.0) * pitch
    return np.where((np.abs(inside) < 0.2) & (b > -pitch) & (b < top) | (np.abs(b) < 0.15 * pitch), 0.75, 0.2).astype(np.float32)


def _piano(a: Axis, b: Axis, rng: np.random.Generator) -> Axis:
    pitch = float(rng.uniform(14, 34))
    number, inside = _cell(a, pitch)
    black = np.isin(number % 7, (0, 1, 3, 4, 5)) & (np.abs(_cell(a - pitch / 2, pitch)[1]) < 0.28) & (b < 20)
    return np.where(np.abs(b) > 130, 0.1, np.where(black | (np.abs(inside) > 0.47), 0.03, 0.8)).astype(np.float32)


def _stairs(a: Axis, b: Axis, rng: np.random.Generator) -> Axis:
    pitch = float(rng.uniform(14, 40))
    return (0.2 + 0.5 * (_cell(a + 0.3 * b, pitch)[1] + 0.5) * (np.abs(b) < 180)).astype(np.float32)


LOOKALIKES: dict[str, Callable[[Axis, Axis, np.random.Generator], Axis]] = {
    "zip": _zip, "teeth": _teeth, "bricks": _bricks, "grid": _grid, "comb": _comb, "text": _text, "keyboard": _keyboard,
    "bar code": _bar_code, "corduroy": _corduroy, "screw thread": _thread, "blinds": _blinds, "retractor": _retractor,
    "moire": _moire, "fence": _fence, "piano": _piano, "stairs": _stairs,
}  # fmt: skip
