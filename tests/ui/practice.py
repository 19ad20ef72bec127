"""A small practice folder for the pages: one restoration of the demo club, and a photo of a drawn curve of known length."""

from __future__ import annotations

import csv
import math
import shutil
from pathlib import Path

import cv2
import numpy as np

DEMO = Path(__file__).resolve().parents[2] / "demo_photos"
CODE, ON = "M01-004", "2018-06-11"
FACIAL, BARE, CURVE = f"photos/{CODE}/{ON}_facial.jpg", f"photos/{CODE}/2019-05-13_facial.jpg", f"photos/{CODE}/curve.png"
CENTRE, RADIUS = (1100.25, 700.75), 540.5
HALF_CIRCLE_PX = math.pi * RADIUS


def make_practice(folder: Path) -> Path:
    """Tables and three photos; only those of one restoration, one of them without marks beside it."""
    (folder / "photos" / CODE).mkdir(parents=True)
    for table in ("restorations.csv", "visits.csv", "findings.csv", "grades.csv", "events.csv"):
        with (DEMO / table).open(encoding="utf-8") as source:
            head, *rows = csv.reader(source)
        with (folder / table).open("w", newline="", encoding="utf-8") as copy:
            csv.writer(copy).writerows([head, *(row for row in rows if row[0] == CODE)])
    for file in (FACIAL, BARE):
        shutil.copy(DEMO / file, folder / file)
    shutil.copy((DEMO / FACIAL).with_suffix(".geojson"), (folder / FACIAL).with_suffix(".geojson"))
    draw_curve(folder / CURVE)
    rows = [("file", "restoration", "on", "view"), (FACIAL, CODE, ON, "facial"), (CURVE, CODE, "2018-11-26", "occlusal"),
            (BARE, CODE, "2019-05-13", "facial")]  # fmt: skip
    with (folder / "photos.csv").open("w", newline="", encoding="utf-8") as table:
        csv.writer(table).writerows(rows)
    return folder


def draw_curve(path: Path) -> None:
    """A dark ring on a light ground with noise, its middle line a circle of known radius."""
    y, x = np.mgrid[0:1500, 0:2200]
    away = np.hypot(x - CENTRE[0], y - CENTRE[1]) - RADIUS
    noise = np.random.default_rng(5).normal(0, 3, away.shape)
    picture = np.clip(178 - 70 * np.exp(-((away / 4) ** 2) / 2) + noise, 0, 255).astype(np.uint8)
    cv2.imwrite(str(path), np.repeat(picture[..., None], 3, axis=2))


def on_curve(turn: float) -> tuple[float, float]:
    """The point of the circle after this share of a half turn."""
    angle = math.pi * turn
    return CENTRE[0] + RADIUS * math.cos(angle), CENTRE[1] + RADIUS * math.sin(angle)
