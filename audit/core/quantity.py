"""A value with its standard uncertainty, kept as signed parts by named source.

Notes
-----
A part is the contribution :math:`c_i u(x_i)` of one source to the value, in the value's unit and
with the sign of its sensitivity. Two quantities that share a source are correlated through it:
parts of equal full name add before they are squared, so a common error cancels in a difference
(law of propagation with fully correlated inputs).

References
----------
JCGM 100:2008 (GUM), 5.1, 5.2, G.4. https://doi.org/10.59161/JCGM100-2008E
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

import numpy as np

__all__ = ["SOURCE_KINDS", "Quantity", "combine", "correlated", "source"]

SOURCE_KINDS = frozenset(
    {
        "graduation", "print", "known_length", "diameter", "spacing", "comb", "offset", "tilt", "pose", "blur",
        "tone", "noise", "boundary", "outline", "trace", "landmark", "reader", "distortion", "model",
    }
)  # fmt: skip


def source(kind: str, identity: str) -> str:
    """Name of a source of uncertainty, ``kind/identity``.

    Parts cancel only where the whole name is equal, so an instrument without an id of its own takes
    the photo's.

    Raises
    ------
    ValueError
        Unknown kind or empty identity: a programming mistake, never a user's.
    """
    if kind not in SOURCE_KINDS or not identity:
        raise ValueError(f"source must be one of {sorted(SOURCE_KINDS)} with an identity; got {kind!r}/{identity!r}")
    return f"{kind}/{identity}"


@dataclass(frozen=True)
class Quantity:
    """A measured value, its unit, and its uncertainty by source.

    Parameters
    ----------
    value : float
        In `unit`.
    unit : str
        UCUM code: ``mm``, ``mm2``, ``um``, ``1``, ``deg``; ``mm/px`` for a scale, ``px`` on the image.
    parts : mapping of str to float
        Signed standard-uncertainty contributions in `unit`, by source name.
    dof : mapping of str to float, optional
        Degrees of freedom of the sources whose number is finite.
    """

    value: float
    unit: str
    parts: Mapping[str, float] = field(default_factory=dict)
    dof: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        object.__setattr__(self, "value", float(self.value))
        object.__setattr__(self, "parts", MappingProxyType({k: float(v) for k, v in self.parts.items()}))
        object.__setattr__(self, "dof", MappingProxyType({k: float(v) for k, v in self.dof.items()}))

    def __reduce__(self) -> tuple[type, tuple[Any, ...]]:
        """Survive the trip between processes (read-only mappings do not pickle)."""
        return Quantity, (self.value, self.unit, dict(self.parts), dict(self.dof))

    @property
    def u(self) -> float:
        """Combined standard uncertainty (k = 1), in `unit`."""
        return math.sqrt(math.fsum(p * p for p in self.parts.values()))

    @property
    def relative_parts(self) -> dict[str, float]:
        """Parts divided by the value, unit 1."""
        return {name: part / self.value for name, part in self.parts.items()}

    @property
    def effective_dof(self) -> float:
        """Welch-Satterthwaite effective degrees of freedom (GUM G.4); ``inf`` where all are infinite."""
        denominator = math.fsum(self.parts[name] ** 4 / nu for name, nu in self.dof.items() if name in self.parts)
        return self.u**4 / denominator if denominator > 0 else math.inf

    def interval(self, factor: float = 1.959964) -> tuple[float, float]:
        """Value minus and plus `factor` standard uncertainties, in `unit`."""
        return self.value - factor * self.u, self.value + factor * self.u

    def scaled(self, factor: float, unit: str | None = None) -> Quantity:
        """This quantity times an exact number, optionally in another unit."""
        parts = {name: part * factor for name, part in self.parts.items()}
        return Quantity(self.value * factor, unit or self.unit, parts, self.dof)

    def with_part(self, name: str, u: float, dof: float | None = None) -> Quantity:
        """This quantity with one more source; a source that is there already is refused."""
        if name in self.parts:
            raise ValueError(f"source must be new to the quantity; got {name!r} again")
        more = {} if dof is None else {name: dof}
        return Quantity(self.value, self.unit, {**self.parts, name: u}, {**self.dof, **more})

    def reaching(self, low: float, high: float, name: str) -> Quantity:
        """As uncertain as an interval of 95 % that may lie unevenly about the value: what u misses of its farther end, as a part `name`."""
        reach = max(high - self.value, self.value - low) / 1.959964
        missing = math.sqrt(max(reach**2 - self.u**2, 0.0))
        return self if missing < 1e-3 * self.u or missing == 0.0 else self.with_part(name, missing)

    def __add__(self, other: Quantity) -> Quantity:
        return combine(lambda a, b: a + b, self, other, unit=_same_unit(self, other))

    def __sub__(self, other: Quantity) -> Quantity:
        return combine(lambda a, b: a - b, self, other, unit=_same_unit(self, other))

    def to_dict(self) -> dict[str, Any]:
        """Everything, as plain JSON types."""
        return {"value": self.value, "unit": self.unit, "parts": dict(self.parts), "dof": dict(self.dof)}

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Quantity:
        """Inverse of `to_dict`."""
        return cls(data["value"], data["unit"], data["parts"], data.get("dof", {}))


def combine(function: Callable[..., float], *inputs: Quantity, unit: str) -> Quantity:
    """Propagate quantities through a function, parts by source.

    Parameters
    ----------
    function : callable
        Takes the values of `inputs` as floats, returns a float.
    *inputs : Quantity
        Any number of quantities; sources that they share stay correlated.
    unit : str
        Unit of the result.

    Notes
    -----
    First order, sensitivities by central differences with a step of 1e-3 of each standard
    uncertainty (or of the value). Where the function is flat (tilt near zero) use a Monte Carlo of
    your own and `Quantity.with_part`.
    """
    values = [q.value for q in inputs]
    parts: dict[str, float] = {}
    dof: dict[str, float] = {}
    for index, quantity in enumerate(inputs):
        slope = _sensitivity(function, values, index, quantity.u)
        for name, part in quantity.parts.items():
            parts[name] = parts.get(name, 0.0) + slope * part
        dof.update(quantity.dof)
    return Quantity(float(function(*values)), unit, parts, dof)


def correlated(values: Sequence[float], covariance: np.ndarray, units: Sequence[str], names: Sequence[str]) -> tuple[Quantity, ...]:
    """Quantities with a given covariance, through independent sources `names`.

    Parameters
    ----------
    values : sequence of float, length n
    covariance : ndarray, shape (n, n)
        In products of the units of the values; positive semidefinite.
    units, names : sequence of str, length n
        Units of the values; names of the n independent sources that carry the covariance.
    """
    eigenvalues, vectors = np.linalg.eigh(np.asarray(covariance, dtype=float))
    root = vectors * np.sqrt(np.clip(eigenvalues, 0.0, None))
    return tuple(
        Quantity(value, unit, {name: float(root[i, j]) for j, name in enumerate(names)})
        for i, (value, unit) in enumerate(zip(values, units, strict=True))
    )


def _sensitivity(function: Callable[..., float], values: list[float], index: int, u: float) -> float:
    step = 1e-3 * (u or abs(values[index]) or 1.0)
    up, down = list(values), list(values)
    up[index] += step
    down[index] -= step
    return (function(*up) - function(*down)) / (2.0 * step)


def _same_unit(a: Quantity, b: Quantity) -> str:
    if a.unit != b.unit:
        raise ValueError(f"units must be equal; got {a.unit!r} and {b.unit!r}")
    return a.unit
