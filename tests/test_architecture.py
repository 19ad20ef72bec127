"""The floor plan holds: which room may import which, what stays light, and how large a file may grow."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
AUDIT = ROOT / "audit"

# room -> rooms of the project and outside packages that it may import (besides the standard library and audit.errors)
MAY_USE: dict[str, set[str]] = {
    "errors": set(),
    "core": {"numpy", "shapely", "core"},
    "imaging": {"numpy", "scipy", "shapely", "cv2", "skimage", "PIL", "pillow_heif", "simplejpeg", "pydicom", "core", "imaging"},
    "intake": {"numpy", "imaging", "core"},
    "folder": {"core"},
    "calibration": {"numpy", "scipy", "imaging", "core", "calibration"},
    "measure": {"numpy", "scipy", "shapely", "imaging", "core", "measure"},
    "ledger": {"sqlalchemy", "core", "ledger"},
    "analysis": {"numpy", "pandas", "scipy", "statsmodels", "core", "analysis"},
    "report": {"pandas", "vl_convert", "jinja2", "typst", "markdown_it", "core", "report"},
    "exchange": {"numpy", "cryptography", "pydicom", "highdicom", "core", "exchange"},
    "synthetic": {"numpy", "scipy", "imaging", "core", "synthetic"},
    "batch": {"api", "core"},
    "api": {"pandas", "api", "core", "imaging", "intake", "folder", "calibration", "measure", "ledger", "analysis", "report", "exchange"},
    "verify": {"numpy", "api", "analysis", "core", "synthetic"},
    "cli": {
        "typer",
        "rich",
        "cli_exchange",
        "cli_ledger",
        "cli_reference",
        "api",
        "batch",
        "verify",
        "core",
        "report",
        "ui",
        "folder",
        "intake",
    },
    "cli_exchange": {"typer", "rich", "api"},
    "cli_ledger": {"typer", "rich", "api", "ledger"},
    "cli_reference": {"typer", "rich", "api"},
    "__init__": set(),
}
LIGHT = {"cv2", "sqlalchemy", "streamlit", "pandas", "scipy", "numpy", "skimage"}


def room_of(path: Path) -> str:
    return path.relative_to(AUDIT).parts[0].removesuffix(".py")


def sources() -> list[Path]:
    return sorted(AUDIT.rglob("*.py"))


def imported(path: Path) -> Iterator[str]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield from (f"{node.module}.{alias.name}" for alias in node.names) if node.module == "audit" else [node.module]


@pytest.mark.parametrize("path", sources(), ids=lambda p: str(p.relative_to(AUDIT)))
def test_a_room_uses_only_what_the_floor_plan_allows(path: Path) -> None:
    allowed = MAY_USE[room_of(path)]
    for name in imported(path):
        head, *rest = name.split(".")
        if head in sys.stdlib_module_names or name == "audit.errors" or name == "audit.__version__":
            continue
        used = rest[0] if head == "audit" and rest else head
        assert used in allowed, f"{path.relative_to(ROOT)} imports {name}; {room_of(path)} may use {sorted(allowed)}"


def test_the_pages_know_only_the_api() -> None:
    for path in (ROOT / "ui").rglob("*.py"):
        for name in imported(path):
            assert not name.startswith("audit") or name == "audit.api", f"{path.name} imports {name}; pages call audit.api"


def test_import_audit_stays_light() -> None:
    code = "import sys, audit; print(sorted(set(m.split('.')[0] for m in sys.modules)))"
    loaded = set(ast.literal_eval(subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout))
    assert not loaded & LIGHT


@pytest.mark.parametrize("path", sources(), ids=lambda p: str(p.relative_to(AUDIT)))
def test_files_functions_and_classes_stay_small(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert text.count("\n") <= 350, "a file holds at most 350 lines; move the walls"
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.FunctionDef):
            body = node.body[1:] if ast.get_docstring(node) is not None else node.body
            lines = body[-1].end_lineno - body[0].lineno + 1 if body else 0
            assert lines <= 40, f"{node.name} has {lines} lines; a body holds at most 40"
        if isinstance(node, ast.ClassDef):
            public = [n for n in node.body if isinstance(n, ast.FunctionDef) and not n.name.startswith("_")]
            assert len(public) <= 10, f"{node.name} has {len(public)} public methods; at most 10"
        assert not isinstance(node, ast.Assert), "the library raises errors; assert may be switched off"


def test_no_file_is_named_after_nothing() -> None:
    names = {path.stem for path in sources()} | {path.parent.name for path in sources()}
    assert not names & {"utils", "util", "common", "helpers", "misc"}


def test_the_changelog_begins_with_the_version() -> None:
    import audit

    first = next(line for line in (ROOT / "CHANGELOG.md").read_text(encoding="utf-8").splitlines() if line.startswith("## "))
    assert first.split()[1] == audit.__version__
    assert f'version = "{audit.__version__}"' in (ROOT / "pyproject.toml").read_text(encoding="utf-8")
