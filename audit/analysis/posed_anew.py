"""How far two photographs of an unchanged tooth, posed anew at one visit, disagree.

Notes
-----
With differences :math:`d_i` of n independent pairs, of mean zero because nothing changed, :math:`s_d = \\sqrt{\\sum d_i^2/n}` with n
degrees of freedom and the smallest detectable change is :math:`t_{0.975,n}\\, s_d`. Restorations stand for patients: a case code tells
no more. Pairs of different restorations are pooled, as if the spread did not depend on the size of what is measured.

References
----------
de Vet et al., J Clin Epidemiol 2006;59:1033-1039. https://doi.org/10.1016/j.jclinepi.2005.10.015
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import pandas as pd
from scipy.stats import t

from audit.analysis.occasions import all_occasions
from audit.core.outcome import VisitRecord

__all__ = ["LEAST_PAIRS", "LEAST_RESTORATIONS", "PosedAnew", "Repeatability", "posed_anew"]

LEAST_PAIRS = 10
LEAST_RESTORATIONS = 3


@dataclass(frozen=True)
class PosedAnew:
    """Spread of differences between photographs posed anew.

    Parameters
    ----------
    measurand, view : str
    pairs, restorations : int
    s_difference : float
        Standard deviation of a difference, in the measurand's unit.
    smallest_detectable : float
        95 %, in the measurand's unit.
    """

    measurand: str
    view: str
    pairs: int
    restorations: int
    s_difference: float
    smallest_detectable: float

    @property
    def is_enough(self) -> bool:
        """Whether there are pairs and restorations enough to judge changes by."""
        return self.pairs >= LEAST_PAIRS and self.restorations >= LEAST_RESTORATIONS

    def to_frame(self) -> pd.DataFrame:
        """One row."""
        return pd.DataFrame([vars(self)])


Repeatability = Mapping[tuple[str, str], PosedAnew]


def posed_anew(histories: Iterable[Sequence[VisitRecord]]) -> dict[tuple[str, str], PosedAnew]:
    """Spread of each measurand and view over all restorations.

    Parameters
    ----------
    histories : iterable of sequences of VisitRecord
        One a restoration. Photos of one view at one visit are taken as posed anew, in pairs that share none.
    """
    differences: dict[tuple[str, str], list[float]] = {}
    codes: dict[tuple[str, str], set[int]] = {}
    for code, history in enumerate(histories):
        for site, by_day in all_occasions(history).items():
            for found in by_day.values():
                signed = [o.reading.signed.value for o in found if o.reading.signed is not None]
                pairs = list(zip(signed[::2], signed[1::2], strict=False))
                key = (site.measurand, site.view)
                differences.setdefault(key, []).extend(b - a for a, b in pairs)
                codes.setdefault(key, set()).update([code] if pairs else [])
    return {key: _spread(key, d, len(codes[key])) for key, d in differences.items() if d}


def _spread(key: tuple[str, str], differences: list[float], restorations: int) -> PosedAnew:
    n = len(differences)
    s = math.sqrt(math.fsum(d * d for d in differences) / n)
    return PosedAnew(*key, n, restorations, s, float(t.ppf(0.975, n)) * s)
