"""A PostgreSQL server of the test run's own: made in a temporary folder, without a network, gone afterwards."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import count
from pathlib import Path

import psycopg

_NUMBERS = count()


class Server:
    """A running server; every `new` is an empty place on it: a schema of its own, which is far cheaper than a database."""

    def __init__(self, folder: Path, user: str) -> None:
        self._folder, self._user = folder, user

    def new(self) -> str:
        """URL of a place without a table."""
        name = f"place_{next(_NUMBERS)}"
        with psycopg.connect(f"host={self._folder} user={self._user} dbname=postgres", autocommit=True) as connection:
            connection.execute(f"CREATE SCHEMA {name}")
        return f"postgresql://{self._user}@/postgres?host={self._folder}&options=-csearch_path%3D{name}"


@contextmanager
def running_server() -> Iterator[Server]:
    """Start a server as a user that may run one (never root), stop it at the end."""
    binaries = _binaries()
    user = "postgres" if os.geteuid() == 0 else None
    folder = Path(tempfile.mkdtemp(prefix="ledger-pg-"))
    try:
        if user:
            shutil.chown(folder, user)

        def run(program: str, *arguments: str) -> None:
            call = [str(binaries / program), *arguments]
            done = subprocess.run(call, user=user, cwd=folder, capture_output=True, text=True, check=False)
            if done.returncode:
                raise RuntimeError(f"{program} must run; got: {done.stderr or done.stdout}")

        data = str(folder / "data")
        run("initdb", "-D", data, "-U", "postgres", "--auth=trust", "--no-sync", "--encoding=UTF8", "--locale=C")
        options = f"-F -c listen_addresses= -c unix_socket_directories={folder} -c shared_buffers=16MB"
        run("pg_ctl", "start", "-w", "-D", data, "-l", str(folder / "log"), "-o", options)
        try:
            yield Server(folder, "postgres")
        finally:
            run("pg_ctl", "stop", "-w", "-D", data, "-m", "immediate")
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _binaries() -> Path:
    """Where initdb is: on the path, or where Debian keeps it."""
    found = shutil.which("initdb")
    places = [Path(found).parent] if found else sorted(Path("/usr/lib/postgresql").glob("*/bin"))
    places = [place for place in places if (place / "initdb").is_file()]
    if not places:
        raise RuntimeError("PostgreSQL must be installed for the tests of the ledger. Hint: .ci/packages test, or brew install postgresql.")
    return places[-1]
