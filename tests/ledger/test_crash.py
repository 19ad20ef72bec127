"""A run that is killed loses nothing that it reported as stored, and the same run again completes it."""

from __future__ import annotations

import random
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

from invented import CODE, document
from server import Server

from audit.ledger.store import open_ledger
from audit.ledger.upkeep import verify_ledger

PHOTOS = 40
SCRIPT = """
import sys
sys.path.insert(0, sys.argv[2])
from invented import document, entry, folder, sha
from audit.ledger.store import open_ledger
with open_ledger(sys.argv[1]) as ledger:
    numbers = range(int(sys.argv[3]))
    ledger.store_folder(folder(photos=tuple(entry(n) for n in numbers)))
    for n in numbers:
        if not ledger.has_audit(entry(n), sha(n), "marks"):
            ledger.store_document(entry(n), document(n), None, "marks")
        print(n, flush=True)
"""


def run(url: str) -> subprocess.Popen[str]:
    here = str(Path(__file__).parent)
    return subprocess.Popen([sys.executable, "-c", SCRIPT, url, here, str(PHOTOS)], stdout=subprocess.PIPE, text=True)


def reported(process: subprocess.Popen[str]) -> set[int]:
    out, _ = process.communicate(timeout=300)
    return {int(line) for line in out.splitlines() if line.endswith(tuple("0123456789"))}


def whole_photos(url: str) -> set[int]:
    """Numbers of the photos that are stored; each whole, none twice, the chain over them unbroken."""
    verify_ledger(url)
    with open_ledger(url) as ledger:
        photos = [photo for record in ledger.history(CODE) for photo in record.photos]
        for photo in photos:
            expected = document(int(photo.sha256, 16))
            assert (photo.readings, photo.segments, photo.refusals) == (expected.readings, expected.segments, expected.refusals)
        counts = ledger.counts()
        assert counts["readings"] == 3 * counts["audits"] == 3 * len(photos), "no half photo, none doubled"
    return {int(photo.sha256, 16) for photo in photos}


def killed_and_completed(url: str, kills: int) -> None:
    chance, told, cut_short = random.Random(7), set[int](), 0
    for _ in range(kills):
        process = run(url)
        assert process.stdout is not None
        told.add(int(process.stdout.readline()))
        time.sleep(chance.uniform(0.0, 0.05))
        process.kill()
        told |= reported(process)
        stored = whole_photos(url)
        assert told <= stored, "reported as stored and lost"
        cut_short += len(stored) < PHOTOS
        told |= stored
    assert cut_short >= 2, "runs must be killed before they are done, or nothing is tested"
    assert reported(run(url)) == set(range(PHOTOS)) == whole_photos(url)


def test_a_killed_run_keeps_what_it_reported_and_is_completed_by_the_next(sqlite_path: Path) -> None:
    killed_and_completed(str(sqlite_path), 12)
    with sqlite3.connect(sqlite_path) as raw:
        assert raw.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_a_run_killed_on_postgresql_too(server: Server) -> None:
    killed_and_completed(server.new(), 3)


def test_two_runs_at_once_store_each_photo_once(url: str) -> None:
    first, second = run(url), run(url)
    assert reported(first) == reported(second) == set(range(PHOTOS)) == whole_photos(url)
