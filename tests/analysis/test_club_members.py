"""Members beside the club: exact limits, a funnel only where it says something, no ranking."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from scipy.stats import poisson

from audit.analysis.club import compare_members, funnel_limits, power_for_double
from audit.errors import RecordError, Refused


def table(**members: tuple[int, int, str]) -> pd.DataFrame:
    """Ends and restorations of each member, all followed for 10 years."""
    rows = [
        (f"{name}-{n}", 0.0, 10.0, 10.0 if n < ends else math.nan, "lost" if n < ends else "", name, design)
        for name, (ends, count, design) in members.items()
        for n in range(count)
    ]
    return pd.DataFrame(rows, columns=["patient", "entry", "free", "found", "end", "member", "design"])


def test_observed_over_expected_of_a_club_counted_by_hand() -> None:
    club = compare_members(table(M02=(4, 50, "onlay"), M01=(26, 150, "onlay")))
    first, second = club.members
    assert (first.member, second.member) == ("M01", "M02"), "by code, never by result"
    assert (first.expected, second.expected) == pytest.approx((22.5, 7.5)) and second.ratio == pytest.approx(4 / 7.5)
    # exact limits of 4 events: 1.0899 and 10.2416 (Garwood 1936)
    assert (second.low, second.high) == pytest.approx((1.0899 / 7.5, 10.2416 / 7.5), abs=1e-4)
    assert second.funnel is None and first.funnel == funnel_limits(22.5) and len(club.to_frame()) == 2
    assert sum(m.observed for m in club.members) == pytest.approx(sum(m.expected for m in club.members))


def test_a_member_who_places_what_fails_more_is_held_against_its_like() -> None:
    mixed = pd.concat([table(M01=(10, 100, "onlay"), M02=(10, 100, "onlay")), table(M03=(1, 100, "crown"), M04=(1, 100, "crown"))])
    crude, fair = ({m.member: m.ratio for m in compare_members(mixed, by).members} for by in ((), ("design",)))
    assert crude["M01"] > 1.7 and all(ratio == pytest.approx(1.0) for ratio in fair.values())


def test_the_funnel_holds_ninety_five_of_a_hundred_members_and_only_from_twelve_on() -> None:
    for expected in (12.0, 20.0, 57.3):
        low, high = (round(limit * expected) for limit in funnel_limits(expected))
        assert poisson.cdf(high, expected) - poisson.cdf(low - 1, expected) >= 0.95
        assert poisson.cdf(low - 1, expected) <= 0.025 and poisson.sf(high, expected) <= 0.025
    with pytest.raises(Refused, match=r"needs 12 expected ends; got 11\.9"):
        funnel_limits(11.9)


def test_the_power_for_a_doubled_rate_is_what_simulation_gives() -> None:
    rng = np.random.default_rng(3)
    for expected in (3.0, 12.0, 25.0):
        high = poisson.ppf(0.975, expected)
        assert power_for_double(expected) == pytest.approx(np.mean(rng.poisson(2 * expected, 20000) > high), abs=0.015)
    assert power_for_double(3.0) < 0.4 < 0.75 < power_for_double(12.0)


def test_one_member_no_ends_and_no_column_are_refused() -> None:
    with pytest.raises(Refused, match="from two on; got one"):
        compare_members(table(M01=(2, 10, "onlay")))
    with pytest.raises(Refused, match="none was found"):
        compare_members(table(M01=(0, 10, "onlay"), M02=(0, 10, "onlay")))
    with pytest.raises(RecordError, match="column member"):
        compare_members(table(M01=(2, 10, "onlay"), M02=(1, 3, "onlay")).drop(columns="member"))
    with pytest.raises(RecordError, match="got 'luting_agent'"):
        compare_members(table(M01=(2, 10, "onlay"), M02=(1, 3, "onlay")), ["luting_agent"])
