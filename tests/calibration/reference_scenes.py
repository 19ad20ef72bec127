"""Pictures of rules whose scale, inclination, depth, blur and noise are known exactly.

A pinhole camera looks at a flat rule; each pixel's ray is cut with it, marks are covered by area, and
blur, noise, tone curve, sharpening and JPEG follow in the order in which a camera applies them. Every source of the
budget is drawn from the distribution that the budget states.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from rule_materials import face_light, grid_lines, inch_ticks
from shapely.geometry import LineString

from audit.core.annotations import Feature
from audit.core.records import Optics, Photo

PIXEL_PITCH_UM = 6.0
FOCAL_MM = 100.0
MARK_U_MM = 0.1 / np.sqrt(3.0)
TILT_SD_DEG = 7.0
DISTORTION_SD = 0.002
DISTANCE_SD = 0.15
HALF_MM = ((0.5, 1.2), (1.0, 2.6), (5.0, 3.4), (10.0, 4.4))
WHOLE_MM = ((1.0, 2.2), (5.0, 3.2), (10.0, 4.2))


@dataclass(frozen=True)
class RuleScene:
    """What is photographed and how; lengths in mm, angles in degrees."""

    seed: int = 0
    width: int = 1000
    height: int = 560
    px_per_mm: float = 30.0
    middle_px: tuple[float, float] = (480.0, 290.0)
    turn: float = 5.0
    tilt: float = 0.0
    tilt_across: float = 0.0
    distance_error: float = 0.0
    offset: float = 0.0
    offset_stated: float = 0.0
    u_offset: float = 1.0
    distortion: float = 0.0
    gradient: float = 0.0
    stretch: float = 0.0
    ticks: tuple[tuple[float, float], ...] = WHOLE_MM
    tick_width: float = 0.16
    dark: bool = True
    digits: str = "cm"
    line_mm: tuple[float, float] = (-10.0, 10.0)
    line_at: float = 0.6
    line_skew: float = 0.0
    length: float = 60.0
    material: str = "print"
    inch_edge: bool = False
    hidden_mm: tuple[float, float] | None = None
    blur: float = 1.2
    noise: float = 0.006
    jpeg: int = 92
    sharpen: float = 0.3
    gamma: float = 1.0


@dataclass(frozen=True)
class Drawn:
    """A picture with its truth."""

    pixels: np.ndarray
    photo: Photo
    line_px: np.ndarray
    scene: RuleScene
    camera: Camera = field(repr=False, default=None)  # type: ignore[assignment]

    def feature(self, unaided: bool = False, **more: object) -> Feature:
        properties = {"kind": "rule", "offset_mm": self.scene.offset_stated, "u_offset_mm": self.scene.u_offset, **more}
        return Feature("reference", None if unaided else LineString(self.line_px), properties)

    def as_laid(self, at_px: np.ndarray) -> float:
        """Nominal mm of the printed marks per pixel along the rule at an image point, foreshortened as it lies."""
        camera, h = self.camera, 1e-3
        a, b, _ = camera.on_plane(at_px)
        ends = camera.image(np.array([[a - h, b], [a + h, b]]))
        return 2 * h / float(np.hypot(*(ends[1] - ends[0])))

    def at_tooth(self, at_px: np.ndarray) -> float:
        """True mm per pixel in the plane through the tooth parallel to the sensor."""
        depth = self.camera.depth(at_px) + self.scene.offset
        return depth / self.camera.focal_px * (1 + self.scene.stretch) * (1 + self.scene.distortion)


@dataclass(frozen=True)
class Camera:
    """A pinhole and a plane, the rule: origin, two unit vectors, both in camera coordinates, mm."""

    focal_px: float
    centre: np.ndarray
    origin: np.ndarray
    axis: np.ndarray
    beside: np.ndarray
    gradient: float
    """Lens distortion: relative change of scale per pixel along the rule's direction in the image."""

    def _bent(self, flat: np.ndarray, sign: float) -> np.ndarray:
        if self.gradient == 0.0:
            return flat
        way = self.axis[:2] / np.hypot(*self.axis[:2])
        u = flat @ way
        for _ in range(3 if sign < 0 else 0):
            u = flat @ way - 0.5 * self.gradient * u**2
        return flat + sign * 0.5 * self.gradient * (u**2)[..., None] * way

    def on_plane(self, xy: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Position along and beside the rule, and depth, mm, of what image points show."""
        flat = self._bent(np.asarray(xy, dtype=float) - self.centre, 1.0) / self.focal_px
        normal = np.cross(self.axis, self.beside)
        depth = (self.origin @ normal) / (flat @ normal[:2] + normal[2])

        def coordinate(way: np.ndarray) -> np.ndarray:
            return depth * (flat @ way[:2] + way[2]) - self.origin @ way

        return coordinate(self.axis), coordinate(self.beside), depth

    def depth(self, xy: np.ndarray) -> float:
        return float(self.on_plane(xy)[2])

    def image(self, ab: np.ndarray) -> np.ndarray:
        point = self.origin + ab[..., :1] * self.axis + ab[..., 1:] * self.beside
        return self._bent(point[..., :2] / point[..., 2:] * self.focal_px, -1.0) + self.centre


def object_distance_mm(px_per_mm: float) -> float:
    """Thin lens: f (1 + 1 / m)."""
    return FOCAL_MM * (1 + 1 / (PIXEL_PITCH_UM / 1000 * px_per_mm))


def camera_of(scene: RuleScene) -> Camera:
    distance = object_distance_mm(scene.px_per_mm) * (1 + scene.distance_error)
    focal = distance * scene.px_per_mm
    centre = np.array([(scene.width - 1) / 2, (scene.height - 1) / 2])
    turn, tilt, roll = np.radians([scene.turn, scene.tilt, scene.tilt_across])
    axis = np.array([np.cos(turn) * np.cos(tilt), np.sin(turn) * np.cos(tilt), np.sin(tilt)])
    flat = np.array([-np.sin(turn), np.cos(turn), 0.0])
    beside = np.cos(roll) * flat + np.sin(roll) * np.cross(axis, flat)
    origin = np.append((np.array(scene.middle_px) - centre) / focal, 1.0) * distance
    return Camera(focal, centre, origin, axis, beside, scene.gradient)


def photo_of(seed: int, width: int, height: int) -> Photo:
    return Photo(f"{seed:064x}"[::-1], width, height, None, "unknown", "photo", Optics(FOCAL_MM, 22.0, PIXEL_PITCH_UM, "scene"))


def draw_rule(scene: RuleScene) -> Drawn:
    """The picture of a rule; ticks rise from its edge at b = 0 towards b > 0."""
    rng = np.random.default_rng(scene.seed)
    camera = camera_of(scene)
    y, x = np.mgrid[0 : scene.height, 0 : scene.width].astype(float)
    xy = np.stack([x, y], axis=-1)
    a, b, px = camera.on_plane(xy)
    px = px / camera.focal_px
    start = float(rng.uniform(0, 10))
    ink = _ink(a + start, b, px, scene)
    lit = 1 + 0.25 * (x / scene.width - 0.5) * rng.uniform(-1, 1) + 0.25 * (y / scene.height - 0.5) * rng.uniform(-1, 1)
    half = scene.length / 2
    inside = _cover(np.minimum(a + half, half - a), px) * _cover(np.minimum(b + 0.35, 8.0 - b), px)
    back = _background(rng, scene)
    face = face_light(scene.material, ink, back, a, b, scene.dark, scene.seed) * lit[..., None]
    light = back + inside[..., None] * (face - back)
    if scene.hidden_mm is not None:
        low, high = scene.hidden_mm
        cover = _cover(np.minimum(a - low, high - a), px)[..., None] * np.array([0.45, 0.2, 0.18]) * lit[..., None]
        light = np.where((a > low)[..., None] & (a < high)[..., None], cover, light)
    pixels = develop(light, rng, scene)
    return Drawn(pixels, photo_of(scene.seed, scene.width, scene.height), _line(camera, scene), scene, camera)


def _ink(a: np.ndarray, b: np.ndarray, px: np.ndarray, scene: RuleScene) -> np.ndarray:
    if scene.material == "paper":
        return grid_lines(a, b, px)
    ink = _ticks(a, b, px, scene)
    if scene.inch_edge:
        return np.maximum(ink, inch_ticks(a + 3.1, b, px, 8.0))
    return ink if scene.digits == "none" else np.maximum(ink, _digits(a, b, scene))


def _line(camera: Camera, scene: RuleScene) -> np.ndarray:
    low, high = scene.line_mm
    rise = np.tan(np.radians(scene.line_skew)) * (high - low) / 2
    return camera.image(np.array([[low, scene.line_at - rise], [high, scene.line_at + rise]]))


def _cover(distance: np.ndarray, px: np.ndarray) -> np.ndarray:
    return np.clip(distance / px + 0.5, 0, 1)


def _bar(away: np.ndarray, half: float, px: np.ndarray) -> np.ndarray:
    return np.clip((half - away) / px + 0.5, 0, 1) - np.clip((-half - away) / px + 0.5, 0, 1)


def _ticks(a: np.ndarray, b: np.ndarray, px: np.ndarray, scene: RuleScene) -> np.ndarray:
    ink = np.zeros_like(a)
    for period, reach in scene.ticks:
        away = a - period * np.round(a / period)
        ink = np.maximum(ink, _bar(away, scene.tick_width / 2, px) * _cover(np.minimum(b, reach - b), px))
    return ink


def _digits(a: np.ndarray, b: np.ndarray, scene: RuleScene) -> np.ndarray:
    """Strokes like digits under the marks: at every centimetre, or at every millimetre as some rules have."""
    ink = np.zeros_like(a, dtype=bool)
    period, size, top = (10.0, 1.6, 5.0) if scene.digits == "cm" else (1.0, 0.75, 3.3)
    if scene.digits == "mm" and scene.ticks[-1][1] > top:
        top = scene.ticks[-2][1] + 0.15
    number = np.round(a / period)
    u, v = (a - period * number) / size, (b - top) / size
    inside = (np.abs(u) < 0.45) & (v > 0) & (v < 1.4)
    kind = np.abs(number).astype(int) % 5
    strokes = [
        np.abs(u) < 0.1, (np.abs(v - 0.1) < 0.1) | (np.abs(v - 0.7) < 0.1) | (np.abs(v - 1.3) < 0.1), np.abs(u + 0.5 - v / 1.4) < 0.12,
        (np.abs(u - 0.35) < 0.1) | (np.abs(v - 0.7) < 0.1), (np.abs(np.abs(u) - 0.35) < 0.1) | (np.abs(v - 0.1) < 0.1),
    ]  # fmt: skip
    for index, stroke in enumerate(strokes):
        ink |= inside & (kind == index) & stroke
    return ink.astype(float)


def _background(rng: np.random.Generator, scene: RuleScene) -> np.ndarray:
    """Pink tissue with pale rounded teeth in a row and wet highlights."""
    small = rng.standard_normal((scene.height // 40 + 2, scene.width // 40 + 2, 1))
    cloud = cv2.resize(small, (scene.width, scene.height), interpolation=cv2.INTER_CUBIC).reshape(scene.height, scene.width, 1)
    light = np.array([0.35, 0.13, 0.12]) * (1 + 0.15 * cloud)
    y, x = np.mgrid[0 : scene.height, 0 : scene.width]
    pitch = scene.width / 6.3
    away = np.abs((x - 0.3 * pitch) / pitch - np.round((x - 0.3 * pitch) / pitch)) * 2
    tooth = np.clip((0.92 - away) * 12, 0, 1) * np.clip((scene.height * 0.32 - y - 30 * away**2) / 6, 0, 1)
    light = light + tooth[..., None] * (np.array([0.6, 0.52, 0.38]) * (1 - 0.3 * away[..., None] ** 2) - light)
    for _ in range(12):
        cx, cy, r = rng.uniform(0, scene.width), rng.uniform(0, scene.height), rng.uniform(2, 7)
        cv2.circle(light, (int(cx), int(cy)), int(r), (0.95, 0.95, 0.95), -1)
    return light


def develop(light: np.ndarray, rng: np.random.Generator, scene: RuleScene) -> np.ndarray:
    """Blur, noise, tone curve, sharpening and JPEG of linear light."""
    light = cv2.GaussianBlur(light.astype(np.float32), (0, 0), scene.blur)
    noise = scene.noise * np.sqrt(0.1 + np.clip(light, 0, 1))
    light = np.clip(light + noise * rng.standard_normal(light.shape, dtype=np.float32), 0, 1)
    if scene.gamma != 1.0:
        light = light**scene.gamma
    encoded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055) * 255
    if scene.sharpen:
        encoded = encoded + scene.sharpen * (encoded - cv2.GaussianBlur(encoded, (0, 0), 1.5))
    pixels = np.clip(np.round(encoded), 0, 255).astype(np.uint8)
    ok, data = cv2.imencode(".jpg", pixels[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, scene.jpeg])
    assert ok
    return cv2.cvtColor(cv2.imdecode(data, cv2.IMREAD_COLOR), cv2.COLOR_BGR2RGB)


def random_rule(seed: int, **fixed: object) -> RuleScene:
    """A rule as a practice might photograph it, every source of the budget drawn from what the budget states."""
    rng = np.random.default_rng(seed + 7_000_000)
    half = bool(rng.random() < 0.5)
    px_per_mm = float(rng.uniform(14, 40) if half else rng.uniform(9, 40))
    reach = min(0.42 * 1000 / px_per_mm, 14.0)
    low, high = -reach * rng.uniform(0.75, 1.0), reach * rng.uniform(0.75, 1.0)
    u_offset = float(rng.uniform(0.3, 1.0))
    stated = float(rng.uniform(-1, 4))
    hidden = None
    if rng.random() < 0.3:
        at = rng.uniform(low, high)
        hidden = (float(at), float(at + rng.uniform(1, 0.25 * (high - low))))
    scene = RuleScene(
        seed=seed, px_per_mm=px_per_mm, middle_px=(float(rng.uniform(470, 530)), float(rng.uniform(260, 330))),
        turn=float(rng.uniform(-20, 20)), tilt=_tilt(rng), tilt_across=_tilt(rng),
        distance_error=float(np.clip(DISTANCE_SD * rng.standard_normal(), -0.4, 0.6)),
        offset=stated + u_offset * float(rng.standard_normal()), offset_stated=stated, u_offset=u_offset,
        distortion=DISTORTION_SD * float(rng.standard_normal()), gradient=DISTORTION_SD / 500 * float(rng.standard_normal()),
        stretch=float(np.sqrt(2) * MARK_U_MM / (high - low) * rng.standard_normal()), ticks=HALF_MM if half else WHOLE_MM,
        tick_width=float(rng.uniform(0.1, 0.2)), dark=bool(rng.random() < 0.7), digits=str(rng.choice(["cm", "mm", "none"])),
        line_mm=(low, high), line_at=float(rng.uniform(0.3, 2.0)), line_skew=float(rng.normal(0, 0.7)), hidden_mm=hidden,
        blur=float(rng.uniform(0.8, 2.5)), noise=float(rng.uniform(0.002, 0.012)), jpeg=int(rng.integers(80, 96)),
        sharpen=float(rng.uniform(0, 0.8)), gamma=float(rng.uniform(0.9, 1.15)),
    )  # fmt: skip
    return replace(scene, **fixed)  # type: ignore[arg-type]


def _tilt(rng: np.random.Generator) -> float:
    """Inclination as the budget's prior states it, within the 20 degrees that are asked for."""
    while True:
        tilt = TILT_SD_DEG * float(rng.standard_normal())
        if abs(tilt) <= 20:
            return tilt
