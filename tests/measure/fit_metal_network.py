"""Fits the weights in audit/imaging/metal_network.csv: python tests/measure/fit_metal_network.py [sketches] [mouths]

The scenes are those of `metal_scenes` and of `mouth_scenes`; no photograph takes part, and none of `plain_teeth`, which judges.
scikit-learn fits, the project only multiplies matrices. Half of the scenes tell the alloy; a filling of another metal in a tooth
whose casting is known to be gold is labelled not metal.
"""

from __future__ import annotations

import csv
import sys
import warnings
from multiprocessing import Pool
from pathlib import Path

import cv2
import numpy as np
from metal_scenes import Drawn, Sketch, draw
from mouth_scenes import draw_mouth
from shapely.geometry import Polygon
from sklearn.exceptions import ConvergenceWarning
from sklearn.neural_network import MLPClassifier

from audit.errors import Refused
from audit.imaging.colour import neutral_gains, to_linear
from audit.imaging.enamel import fit_enamel
from audit.imaging.metal_features import context_features, metal_features
from audit.imaging.metal_network import _networks, first_log_odds
from audit.imaging.working_grid import Grid, working_grid

TARGET = Path(__file__).parents[2] / "audit" / "imaging" / "metal_network.csv"
PER_SCENE = {"sketch": 700, "mouth": 2500}
HIDDEN = (36, 18)
Table = list[tuple[int, int, int, int, float]]


def truth_on(grid: Grid, drawn: Drawn) -> np.ndarray:
    """Coverage of metal on the working grid."""
    y, x = np.indices(grid.inside.shape, dtype=np.float32)
    at = grid.to_photo(np.stack([x, y], -1)).astype(np.float32)
    soft = cv2.blur(drawn.metal.astype(np.float32), (max(1, round(grid.step_px[0])),) * 2)
    return cv2.remap(soft, at[..., 0], at[..., 1], cv2.INTER_LINEAR)


def prepared(kind: str, seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Features, inside and label of one scene."""
    rng = np.random.default_rng([seed, 1])
    size = float(np.exp(rng.uniform(np.log(100), np.log(250))))
    drawn = draw_mouth(seed) if kind == "mouth" else draw(Sketch(seed=seed, size_px=size))
    grid = working_grid(drawn.pixels, Polygon(drawn.outline).buffer(0))
    linear = to_linear(grid.pixels)
    linear = linear * neutral_gains(linear)
    border = cv2.distanceTransform(grid.inside.astype(np.uint8), cv2.DIST_L2, 5)
    alloy = None
    if rng.random() < 0.5:
        alloy = drawn.alloy if drawn.alloy != "amalgam" else str(rng.choice(["gold", "white"]))
    features = metal_features(linear, fit_enamel(linear, grid.inside, border), grid.inside, border, alloy)
    label = truth_on(grid, drawn)[grid.inside]
    if drawn.alloy == "amalgam" and alloy == "gold":
        label = label * 0.0
    return features, grid.inside, label


def rows_of(job: tuple[int, str, int]) -> tuple[np.ndarray, np.ndarray]:
    """A sample of pixels of one scene, with context for the second network."""
    network, kind, seed = job
    try:
        features, inside, label = prepared(kind, seed)
    except (ValueError, AttributeError, Refused):
        return np.zeros((0, 1)), np.zeros(0)
    if network == 2:
        features = np.hstack([features, context_features(first_log_odds(features), inside)])
    some = label > 0.02
    weight = np.where(some, 1.0 + len(label) / (4.0 * max(some.sum(), 0.02 * len(label))), 1.0)
    count = min(PER_SCENE[kind], len(label))
    pick = np.random.default_rng([seed, 2]).choice(len(label), count, replace=False, p=weight / weight.sum())
    keep = pick[(label[pick] < 0.15) | (label[pick] > 0.85)]
    return features[keep], label[keep]


def fit(features: np.ndarray, label: np.ndarray) -> list[tuple[np.ndarray, np.ndarray]]:
    """Layers that take raw features."""
    mean, sd = features.mean(0), np.maximum(features.std(0), 1e-6)
    model = MLPClassifier(HIDDEN, alpha=1e-3, max_iter=14, batch_size=1024, random_state=0)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)
        model.fit((features - mean) / sd, label > 0.5)
    layers = [(w.T, b) for w, b in zip(model.coefs_, model.intercepts_)]
    first = layers[0][0] / sd
    return [(first, layers[0][1] - first @ mean), *layers[1:]]


def table_of(network: int, layers: list[tuple[np.ndarray, np.ndarray]]) -> Table:
    return [
        (network, number, o, i, value)
        for number, (weight, bias) in enumerate(layers, 1)
        for o in range(weight.shape[0])
        for i, value in enumerate([bias[o], *weight[o]])
    ]


def write(rows: Table) -> None:
    with TARGET.open("w", newline="", encoding="utf-8") as out:
        table = csv.writer(out, lineterminator="\n")
        table.writerow(["network", "layer", "output", "input", "weight"])
        table.writerows([*at, f"{value:.6g}"] for *at, value in rows)
    _networks.cache_clear()


def main(sketches: int, mouths: int) -> None:
    rows: Table = []
    for network in (1, 2):
        jobs = [(network, "sketch", network * 100_000 + k) for k in range(sketches)]
        jobs += [(network, "mouth", 2 * k + network - 1) for k in range(mouths // 2)]
        with Pool(2) as pool:
            parts = [p for p in pool.map(rows_of, jobs, chunksize=20) if len(p[1])]
        rows += table_of(network, fit(np.concatenate([p[0] for p in parts]), np.concatenate([p[1] for p in parts])))
        write(rows)
        print(network, sum(len(p[1]) for p in parts), flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 900, int(sys.argv[2]) if len(sys.argv) > 2 else 240)
