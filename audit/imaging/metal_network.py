"""Two small networks that weigh the features of a pixel; weights are plain numbers in `metal_network.csv`.

The first looks at a pixel and its surroundings, the second also at what the first said of them. They were fitted to
drawn scenes only, see `tests/measure/fit_metal_network.py`.
"""

from __future__ import annotations

import csv
from functools import cache
from importlib.resources import files

import numpy as np

from audit.imaging.metal_features import CONTEXT, FEATURES, context_features

__all__ = ["metal_log_odds"]

_BLOCK = 4096
"""Rows at once: what fits the processor's cache."""
Layers = tuple[tuple[np.ndarray, np.ndarray], ...]


def metal_log_odds(features: np.ndarray, inside: np.ndarray) -> np.ndarray:
    """Log odds of metal of the pixels inside an outline.

    Parameters
    ----------
    features : ndarray of float32, shape (n, len(FEATURES))
        Of the pixels of `inside`, in raster order.
    inside : ndarray of bool, shape (h, w)

    Returns
    -------
    ndarray of float32, shape (n,)
    """
    first, second = _networks()
    opinion = _run(first, features)
    return _run(second, np.concatenate([features.T, context_features(opinion, inside).T]).T)


def first_log_odds(features: np.ndarray) -> np.ndarray:
    """The first network's opinion alone, shape (n,); for fitting the second."""
    return _run(_networks()[0], features)


def _run(layers: Layers, value: np.ndarray) -> np.ndarray:
    *hidden, (weight, bias) = layers
    out = np.empty(len(value), dtype=np.float32)
    for start in range(0, len(value), _BLOCK):
        block = value[start : start + _BLOCK]
        for inner, offset in hidden:
            block = block @ inner.T
            block += offset
            np.maximum(block, 0.0, out=block)
        out[start : start + _BLOCK] = block @ weight[0] + bias[0]
    return out


@cache
def _networks() -> tuple[Layers, ...]:
    """Both networks: per layer the weights (outputs, inputs) and the biases; the first layer takes raw features."""
    text = files("audit.imaging").joinpath("metal_network.csv").read_text(encoding="utf-8")
    table: dict[tuple[int, int], dict[tuple[int, int], float]] = {}
    for row in csv.DictReader(text.splitlines()):
        cells = table.setdefault((int(row["network"]), int(row["layer"])), {})
        cells[int(row["output"]), int(row["input"])] = float(row["weight"])
    networks = tuple(tuple(_layer(cells) for (n, _), cells in sorted(table.items()) if n == number) for number in (1, 2))
    wanted = (len(FEATURES), len(FEATURES) + len(CONTEXT))
    found = tuple(layers[0][0].shape[1] if layers else 0 for layers in networks)
    if found not in (wanted, (wanted[0], 0)):
        raise ValueError(f"metal_network.csv must take {wanted} features; got {found}")
    return networks


def _layer(cells: dict[tuple[int, int], float]) -> tuple[np.ndarray, np.ndarray]:
    full = np.zeros((1 + max(o for o, _ in cells), 1 + max(i for _, i in cells)), dtype=np.float32)
    for at, value in cells.items():
        full[at] = value
    return full[:, 1:], full[:, 0]
