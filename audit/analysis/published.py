"""Published longevity of cast gold: points of reference beside a club's own curve, never a proof and never pooled with it.

Notes
-----
Other patients, operators, designs and meanings of failure; each point carries its source and what it is. Only Kaplan-Meier shares with a
standard error are listed as points of a curve: shares by cohort, which may rise with time, are none.

References
----------
Studer et al., J Oral Rehabil 2000;27:461-472 (303 gold inlays and onlays, 50 patients).
"""

from __future__ import annotations

import pandas as pd

__all__ = ["published_survival"]

_STUDER = "Studer 2000, 303 gold inlays and onlays of 50 patients, Kaplan-Meier"
_POINTS = ((10.0, 0.961, 0.011), (20.0, 0.870, 0.022), (30.0, 0.735, 0.054))  # years, share still in place, its standard error


def published_survival() -> pd.DataFrame:
    """One row a published point: ``source``, ``years``, ``survival``, ``se``, ``note``."""
    note = "reference only: other patients, operators and meanings of failure"
    return pd.DataFrame([(_STUDER, *point, note) for point in _POINTS], columns=["source", "years", "survival", "se", "note"])
