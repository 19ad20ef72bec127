"""A run that is killed loses nothing that it reported as stored, and the same run again completes it."""

from __future__ import annotations

import random
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

from invented import CODE, document

from audit.ledger.store import open_ledger

PHOTOS = 50
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


def run(path: Path) -> subprocess.Popen[str]:
    here = str(Path(__file__).parent)
    return subprocess.Popen([sys.executable, "-c", SCRIPT, str(path), here, str(PHOTOS)], stdout=subprocess.PIPE, text=True)


def reported(process: subprocess.Popen[str]) -> set[int]:
    out, _ = process.communicate(timeout=60)
    return {int(line) for line in out.splitlines() if line.endswith(tuple("0123456789"))}


def whole_photos(path: Path) -> set[int]:
    with open_ledger(str(path)) as ledger:
        photos = [photo for record in ledger.history(CODE) for photo in record.photos]
        for photo in photos:
            expected = document(int(photo.sha256, 16))
            assert (photo.readings, photo.segments, photo.refusals) == (expected.readings, expected.segments, expected.refusals)
        counts = ledger.counts()
        assert counts["readings"] == 3 * counts["audits"] == 3 * len(photos), "no half photo, none doubled"
    return {int(photo.sha256, 16) for photo in photos}


def test_a_killed_run_keeps_what_it_reported_and_is_completed_by_the_next(tmp_path: Path) -> None:
    path, chance, told, cut_short = tmp_path / "l.sqlite", random.Random(7), set(), 0
    for _ in range(5):
        process = run(path)
        assert process.stdout is not None
        told.add(int(process.stdout.readline()))
        time.sleep(chance.uniform(0.0, 0.05))
        process.kill()
        told |= reported(process)
        stored = whole_photos(path)
        assert told <= stored, "reported as stored and lost"
        cut_short += len(stored) < PHOTOS
        told |= stored
    assert cut_short >= 2, "runs must be killed before they are done, or nothing is tested"
    assert reported(run(path)) == set(range(PHOTOS)) == whole_photos(path)
    with sqlite3.connect(path) as raw:
        assert raw.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_two_runs_at_once_store_each_photo_once(tmp_path: Path) -> None:
    path = tmp_path / "l.sqlite"
    first, second = run(path), run(path)
    assert reported(first) == reported(second) == set(range(PHOTOS)) == whole_photos(path)
