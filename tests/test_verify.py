"""Claimed uncertainty equals actual error on drawn scenes: a seeded part of ``restoration-audit verify --full``."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from audit.verify import STRATA, compare, posed_anew

SCENES = 10


@pytest.mark.parametrize("name", STRATA)
def test_claimed_uncertainty_equals_actual_error(name: str) -> None:
    """Bounds are those that an honest budget (rms 0.8 to 1.25 of claim) leaves in 1 run of 10 000 with this few scenes."""
    found = [one for seed in range(1000, 1000 + SCENES) for one in compare(name, seed)]
    for measurand in STRATA[name].measurands:
        z = np.array([one.z for one in found if one.measurand == measurand and one.z is not None])
        covered = [one.covered for one in found if one.measurand == measurand]
        assert covered, f"{measurand} was never read"
        assert stats.binom.cdf(sum(covered), len(covered), 0.92) > 1e-4, f"{measurand}: {sum(covered)} of {len(covered)} truths covered"
        if z.size:
            assert np.sum((z / 1.25) ** 2) < stats.chi2.ppf(1 - 1e-4, z.size), f"{measurand}: errors {z.round(2)} in claimed u"


def test_teeth_posed_anew_and_unchanged_are_reported_unchanged() -> None:
    """At least 95 % of unchanged teeth; the bound leaves an honest 5 % in 999 runs of 1000."""
    changed = [posed_anew(seed) for seed in range(2000, 2012)]
    assert stats.binom.sf(sum(changed) - 1, len(changed), 0.05) > 1e-3
