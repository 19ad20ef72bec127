"""The Guide's own examples through `Quantity`: JCGM 100:2008 (GUM), annex H.1 and H.2. https://doi.org/10.59161/JCGM100-2008E"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import t

from audit.core.quantity import Quantity, combine, correlated

NM = 1e6  # nanometres in a millimetre


def end_gauge() -> Quantity:
    """H.1: length of an end gauge, nm, from a standard, a comparator and the temperatures (table H.1)."""
    standard = Quantity(50.000623 * NM, "nm", {"standard": 25.0}, {"standard": 18.0})
    comparator = Quantity(215.0, "nm", {"comparator": 9.7}, {"comparator": 25.6})
    expansion = Quantity(11.5e-6, "1/K", {"expansion": 2e-6 / 3**0.5})  # rectangular, H.1.3.3
    expansion_difference = Quantity(0.0, "1/K", {"expansion_difference": 1e-6 / 3**0.5}, {"expansion_difference": 50.0})
    deviation = Quantity(-0.1, "K", {"deviation": math.hypot(0.2, 0.35)})
    temperature_difference = Quantity(0.0, "K", {"temperature_difference": 0.05 / 3**0.5}, {"temperature_difference": 2.0})
    return combine(
        lambda ls, d, a, da, th, dth: ls + d - ls * (da * th + a * dth),
        standard, comparator, expansion, expansion_difference, deviation, temperature_difference, unit="nm",
    )  # fmt: skip


def test_h1_end_gauge() -> None:
    length = end_gauge()
    assert round(length.value / NM, 6) == 50.000838
    parts = {name: abs(part) for name, part in length.parts.items()}
    names = ("standard", "comparator", "expansion_difference", "temperature_difference")
    assert [round(parts[name], 1) for name in names] == [25.0, 9.7, 2.9, 16.6]
    assert parts["expansion"] == pytest.approx(0.0, abs=1e-6) and parts["deviation"] == pytest.approx(0.0, abs=1e-6)
    assert round(length.u) == 32 and length.u**2 == pytest.approx(1002, abs=1)
    # the Guide prints 16.7 from uc squared rounded to 1002; unrounded it is 16.76, and both are cut to 16
    assert length.effective_dof * (1002 / length.u**2) ** 2 == pytest.approx(16.7, abs=0.05)
    factor = float(t.ppf(0.995, math.floor(length.effective_dof)))
    assert round(factor, 2) == 2.92 and round(factor * round(length.u)) == 93


V = (5.007, 4.994, 5.005, 4.990, 4.999)
I_MA = (19.663, 19.639, 19.640, 19.685, 19.678)
PHI = (1.0456, 1.0438, 1.0468, 1.0428, 1.0433)


def correlation(a: Quantity, b: Quantity) -> float:
    return sum(a.parts[name] * b.parts[name] for name in a.parts) / (a.u * b.u)


def test_h2_resistance_and_reactance_from_correlated_readings() -> None:
    observed = np.array([V, I_MA, PHI])
    means, covariance = observed.mean(axis=1), np.cov(observed) / 5.0
    volt, current, phase = correlated(means.tolist(), covariance, ("V", "mA", "rad"), ("s1", "s2", "s3"))
    assert [round(q.value, d) for q, d in ((volt, 4), (current, 4), (phase, 5))] == [4.9990, 19.6610, 1.04446]
    assert [round(q.u, d) for q, d in ((volt, 4), (current, 4), (phase, 5))] == [0.0032, 0.0095, 0.00075]
    pairs = (correlation(volt, current), correlation(volt, phase), correlation(current, phase))
    assert [round(r, 2) for r in pairs] == [-0.36, 0.86, -0.65]

    r = combine(lambda v, i, p: 1e3 * v / i * math.cos(p), volt, current, phase, unit="ohm")
    x = combine(lambda v, i, p: 1e3 * v / i * math.sin(p), volt, current, phase, unit="ohm")
    z = combine(lambda v, i, p: 1e3 * v / i, volt, current, phase, unit="ohm")
    assert [round(q.value, 3) for q in (r, x, z)] == [127.732, 219.847, 254.260]
    assert [round(q.u, 3) for q in (r, z)] == [0.071, 0.236]
    assert x.u == pytest.approx(0.295, abs=0.001)  # first order gives 0.29558 from the unrounded data, the Guide prints 0.295
    assert [round(correlation(*pair), 3) for pair in ((r, x), (r, z), (x, z))] == [-0.588, -0.485, 0.993]
