"""Pages under test: on a fake `audit.api` in this process, and in a served browser page."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent.parent
sys.path[:0] = [str(HERE), str(HERE.parent / "report")]

CHROMIUM_ARGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking", "--disable-component-update",
    "--disable-sync",
]  # fmt: skip


@pytest.fixture(scope="session")
def fake_module() -> ModuleType:
    """The fake, made once: its pictures take a second."""
    import fake_api

    return fake_api.make()


@pytest.fixture
def api(monkeypatch: pytest.MonkeyPatch, fake_module: ModuleType) -> ModuleType:
    """``from audit import api`` finds the fake for the length of one test."""
    use(monkeypatch, fake_module)
    return fake_module


def use(monkeypatch: pytest.MonkeyPatch, module: ModuleType) -> None:
    """Put a module in the place of `audit.api` and let the pages be imported anew."""
    import streamlit as st

    import audit
    import ui

    monkeypatch.setitem(sys.modules, "audit.api", module)
    monkeypatch.setattr(audit, "api", module, raising=False)
    for name in [name for name in sys.modules if name.startswith("ui.")]:
        monkeypatch.delitem(sys.modules, name)
        monkeypatch.delattr(ui, name.split(".")[1], raising=False)
    monkeypatch.setenv("RESTORATION_AUDIT_LEDGER", "sqlite:///nowhere.sqlite")
    monkeypatch.setenv("RESTORATION_AUDIT_FOLDER", "nowhere")
    st.cache_resource.clear()


@pytest.fixture(scope="session")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small practice folder, to be copied."""
    import practice

    return practice.make_practice(tmp_path_factory.mktemp("template") / "practice")


@pytest.fixture(scope="session")
def browser_type_launch_args() -> dict[str, Any]:
    """Debian's chromium, without any traffic of its own."""
    return {"executable_path": "/usr/bin/chromium", "args": CHROMIUM_ARGS}


@pytest.fixture(scope="session")
def browser_context_args() -> dict[str, Any]:
    return {"viewport": {"width": 1400, "height": 1000}, "locale": "en-GB", "timezone_id": "UTC", "reduced_motion": "reduce"}


@pytest.fixture(scope="session")
def practice_served(tmp_path_factory: pytest.TempPathFactory, template: Path) -> Iterator[tuple[str, Path]]:
    """Address and folder of a small practice, served by the program itself."""
    root = tmp_path_factory.mktemp("at_work")
    folder = shutil.copytree(template, root / "practice")
    code = f"from ui.server import main; main({str(root / 'ledger.sqlite')!r}, {str(folder)!r}, {{port}})"
    for address in serve(code, root):
        yield address, Path(folder)


@pytest.fixture(scope="session")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Address of the pages, served on the fake by the program's own `ui.server.main`."""
    code = "import fake_api; fake_api.install(); from ui.server import main; main('sqlite:///nowhere.sqlite', 'nowhere', {port})"
    yield from serve(code, tmp_path_factory.mktemp("served"))


def serve(code: str, scratch: Path) -> Iterator[str]:
    """Run Python `code` that serves on ``{port}`` until the test session ends; yields the address."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    path = os.pathsep.join([str(ROOT), str(HERE), str(HERE.parent / "report"), os.environ.get("PYTHONPATH", "")])
    with (scratch / "server.log").open("wb") as log:
        server = subprocess.Popen(
            [sys.executable, "-c", code.format(port=port)], cwd=scratch, env={**os.environ, "PYTHONPATH": path}, stdout=log, stderr=log
        )
        try:
            address = f"http://127.0.0.1:{port}"
            _await(address, server)
            yield address
        finally:
            server.terminate()
            server.wait(timeout=20)


def _await(address: str, server: subprocess.Popen[bytes]) -> None:
    for _ in range(300):
        if server.poll() is not None:
            raise RuntimeError(f"the server must stay up; it ended with {server.returncode}")
        try:
            with urllib.request.urlopen(f"{address}/_stcore/health", timeout=2) as answer:
                if answer.status == 200:
                    return
        except (urllib.error.URLError, OSError):
            time.sleep(0.2)
    raise RuntimeError("the server must answer within a minute; it did not")
