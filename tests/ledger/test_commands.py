"""The commands that keep a ledger: one line each, a user's mistake ends with status 2 and a hint."""

from __future__ import annotations

from pathlib import Path

import pytest
from invented import CODE, fill
from typer.testing import CliRunner

from audit.cli_ledger import ledger as commands
from audit.errors import LedgerError
from audit.ledger.store import open_ledger


def run(*arguments: str) -> str:
    result = CliRunner().invoke(commands, arguments, catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result.output


def test_verify_backup_restore_and_withdraw(tmp_path: Path) -> None:
    here, copy, back = (str(tmp_path / name) for name in ("l.sqlite", "copy.sqlite", "back.sqlite"))
    with open_ledger(here) as ledger:
        fill(ledger)
    head = run("verify", here).split()[-1]
    assert head in run("backup", here, copy) and head in run("restore", copy, back) and head in run("verify", back, "--head", head)
    assert "rows of M01-001 on 2020-03-01 no longer count" in run("withdraw", back, CODE, "2020-03-01", "--reason", "another patient")
    assert head not in run("verify", back) and head in run("verify", here)
    with pytest.raises(LedgerError, match="place where nothing is"):
        run("backup", here, copy)
    with pytest.raises(LedgerError, match="never reach 0123456789ab"):
        run("verify", here, "--head", "0123456789abcdef")
