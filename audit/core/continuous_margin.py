"""The continuous share of a margin at another threshold, from what a stored reading says of its stations.

Notes
-----
The share counts stretches open by more than a threshold, the smallest opening that the photo could have shown nearly everywhere. Two
visits are held against each other at the coarser of their thresholds. The noise of the share is taken as if the openings of all
stations erred together, which is the most that their own uncertainties allow, and never less than at the first threshold.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from statistics import NormalDist
from typing import Any

import numpy as np

from audit.core.quantity import Quantity
from audit.core.records import Reading

__all__ = ["at_threshold", "continuous_fraction_at", "counted_from"]

_TOGETHER = np.array([NormalDist().inv_cdf((rank + 0.5) / 200) for rank in range(200)])
_TOGETHER.setflags(write=False)


def continuous_fraction_at(details: Mapping[str, Any], threshold: float) -> float:
    """Share of the assessed margin that is continuous at another threshold.

    Parameters
    ----------
    details : mapping
        Of a ``continuous_margin_fraction`` reading.
    threshold : float
        In the unit of the reading's threshold.
    """
    length, is_open, opening, _ = _stations(details)
    return float(1.0 - length[is_open & (opening > threshold)].sum() / length.sum())


def counted_from(threshold_um: float) -> str:
    """The flag of a share: narrower openings than this count as continuous."""
    return f"openings_counted_from_{threshold_um:g}_um"


def at_threshold(reading: Reading, threshold: float) -> Reading:
    """The same reading counted at a coarser threshold; unchanged at its own.

    Parameters
    ----------
    reading : Reading
        A ``continuous_margin_fraction``.
    threshold : float
        In the unit of the reading's threshold, not below it.

    Raises
    ------
    ValueError
        A finer threshold: the photo could not have shown those openings.
    """
    own = reading.details["threshold"]
    if threshold < own or reading.signed is None:
        raise ValueError(f"threshold must be at least the reading's own {own}, of a reading with an estimate; got {threshold}")
    if threshold == own:
        return reading
    length, is_open, opening, u = _stations(reading.details)
    open_length = ((opening + _TOGETHER[:, None] * u > threshold) & is_open) @ length
    noise = float(open_length.std() / length.sum())
    parts = {name: max(part, noise) if name.startswith("noise/") else part for name, part in reading.signed.parts.items()}
    share = Quantity(continuous_fraction_at(reading.details, threshold), "1", parts, reading.signed.dof)
    low, high = share.interval()
    hidden = max(0.0, reading.signed.interval()[0] - reading.interval95[0])
    interval = max(0.0, low - hidden), min(1.0, high)
    flags = tuple(counted_from(threshold) if flag == counted_from(own) else flag for flag in reading.flags)
    details = {**reading.details, "threshold": threshold}
    return replace(reading, value=share, signed=share, interval95=interval, flags=flags, details=details)


def _stations(details: Mapping[str, Any]) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Length, whether open, opening and its uncertainty of every assessed station."""
    rows = [row for row in details["stations"] if row["state"] != "unassessable"]
    length, opening, u = (np.array([row[name] for row in rows], dtype=float) for name in ("length", "opening", "u"))
    return length, np.array([row["state"] == "open" for row in rows], dtype=bool), opening, u
