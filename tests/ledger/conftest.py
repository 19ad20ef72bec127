"""The same tests over both databases."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import count
from pathlib import Path

import pytest
from server import Server, running_server

from audit.ledger.store import Ledger, open_ledger


@pytest.fixture(scope="session")
def server() -> Iterator[Server]:
    with running_server() as running:
        yield running


@pytest.fixture(params=["sqlite", "postgresql"])
def new_place(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Callable[[], str]:
    """Makes the URL of a place where no ledger is yet."""
    if request.param == "postgresql":
        running: Server = request.getfixturevalue("server")
        return running.new
    folder, numbers = tmp_path_factory.mktemp("ledgers"), count()
    return lambda: f"sqlite:///{folder / f'{next(numbers)}.sqlite'}"


@pytest.fixture
def url(new_place: Callable[[], str]) -> str:
    return new_place()


@pytest.fixture
def ledger(url: str) -> Iterator[Ledger]:
    with open_ledger(url) as opened:
        yield opened


@pytest.fixture
def sqlite_path(tmp_path: Path) -> Path:
    return tmp_path / "l.sqlite"
