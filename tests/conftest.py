"""Shared by all tests: a skipped test fails the run, for what is skipped is not checked."""

from __future__ import annotations

import os

import pytest
from hypothesis import HealthCheck, settings

settings.register_profile("project", deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow], print_blob=True)
settings.load_profile("project")


def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> None:
    """Fail where anything was skipped."""
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    if reporter is not None and "PYTEST_XDIST_WORKER" not in os.environ and reporter.stats.get("skipped"):
        session.exitstatus = 1
