"""The published points are those of their source, and say that they are no more than points of reference."""

from __future__ import annotations

from audit.api.outcomes import published_survival


def test_the_points_are_those_of_their_source() -> None:
    """Studer et al., J Oral Rehabil 2000;27:461: 96.1 +- 1.1 % at 10 years, 87.0 +- 2.2 at 20, 73.5 +- 5.4 at 30."""
    points = published_survival()
    assert list(zip(points["years"], points["survival"], points["se"])) == [(10, 0.961, 0.011), (20, 0.87, 0.022), (30, 0.735, 0.054)]
    assert points["source"].str.startswith("Studer 2000").all() and points["note"].str.startswith("reference only").all()
    assert points["survival"].is_monotonic_decreasing, "a curve of survival never rises"
