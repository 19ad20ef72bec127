"""Fits the weights in audit/imaging/metal_network.csv: python tests/measure/fit_metal_network.py [scenes]

The scenes are those of `metal_scenes`; no photograph takes part. scikit-learn fits, the project only
multiplies matrices.
"""

from __future__ import annotations

import csv
import sys
from pathlib import Path

import cv2
import numpy as np
from metal_scenes import Drawn, Sketch, draw
from shapely.geometry import Polygon
from sklearn.neural_network import MLPRegressor

from audit.imaging.colour import neutral_gains, to_linear
from audit.imaging.enamel import fit_enamel
from audit.imaging.metal_features import metal_features
from audit.imaging.segment import Grid, working_grid

TARGET = Path(__file__).parents[2] / "audit" / "imaging" / "metal_network.csv"
PER_SCENE = 900


def truth_on(grid: Grid, drawn: Drawn) -> np.ndarray:
    """Coverage of metal on the working grid."""
    y, x = np.indices(grid.inside.shape, dtype=np.float32)
    at = grid.to_photo(np.stack([x, y], -1)).astype(np.float32)
    soft = cv2.blur(drawn.metal.astype(np.float32), (max(1, round(grid.step_px[0])),) * 2)
    return cv2.remap(soft, at[..., 0], at[..., 1], cv2.INTER_LINEAR)


def rows_of(seed: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    drawn = draw(Sketch(seed=seed, size_px=float(np.exp(rng.uniform(np.log(110), np.log(420))))))
    grid = working_grid(drawn.pixels, Polygon(drawn.outline).buffer(0))
    linear = to_linear(grid.pixels)
    linear = linear * neutral_gains(linear)
    border = cv2.distanceTransform(grid.inside.astype(np.uint8), cv2.DIST_L2, 5)
    features = metal_features(linear, fit_enamel(linear, grid.inside, border), grid.inside, border)
    label = truth_on(grid, drawn)[grid.inside]
    some = label > 0.02
    weight = np.where(some, 1.0 + len(label) / (4.0 * max(some.sum(), 0.02 * len(label))), 1.0)
    pick = rng.choice(len(label), min(PER_SCENE, len(label)), replace=False, p=weight / weight.sum())
    return features[pick], label[pick]


def gather(first: int, count: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(first)
    parts = []
    for seed in range(first, first + count):
        try:
            parts.append(rows_of(seed, rng))
        except ValueError:
            continue
    return np.concatenate([p[0] for p in parts]), np.concatenate([p[1] for p in parts])


def fit(features: np.ndarray, label: np.ndarray, hidden: tuple[int, ...] = (24, 12)):
    from sklearn.neural_network import MLPClassifier

    keep = (label < 0.15) | (label > 0.85)
    mean, sd = features[keep].mean(0), features[keep].std(0)
    model = MLPClassifier(hidden, alpha=1e-3, max_iter=30, batch_size=1024, random_state=0)
    model.fit((features[keep] - mean) / sd, label[keep] > 0.5)
    return model, mean, sd


def write(model: MLPRegressor, mean: np.ndarray, sd: np.ndarray, target: Path = TARGET) -> None:
    layers = [(w.T, b) for w, b in zip(model.coefs_, model.intercepts_)]
    first = layers[0][0] / sd
    layers[0] = first, layers[0][1] - first @ mean
    with target.open("w", newline="", encoding="utf-8") as out:
        table = csv.writer(out, lineterminator="\n")
        table.writerow(["layer", "output", "input", "weight"])
        for number, (weight, bias) in enumerate(layers, 1):
            for o in range(weight.shape[0]):
                for i, value in enumerate([bias[o], *weight[o]]):
                    table.writerow([number, o, i, f"{value:.6g}"])


if __name__ == "__main__":
    data = gather(100_000, int(sys.argv[1]) if len(sys.argv) > 1 else 1500)
    write(*fit(*data))
