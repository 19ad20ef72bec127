"""``make bench``: the ledger at growing sizes. How many readings: ``READINGS="10000 100000 1000000"`` in the environment."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from audit.core.clinical import CaseFolder, PhotoEntry, Restoration, Visit
from audit.core.quantity import Quantity
from audit.core.records import Document, Optics, Photo, Reading
from audit.core.tooth import Tooth
from audit.ledger.store import open_ledger

VISITS, READINGS_A_PHOTO, MEMBERS = 5, 20, 8
A_FOLDER = 200  # restorations stored at once

# a process of its own; the high-water mark of the process image
_COMPARE = """
import re, sys, time
from datetime import date
from audit import api
start = time.perf_counter()
api.outcome_tables(sys.argv[1], "success", today=date(2026, 1, 1))
taken = time.perf_counter() - start
print(taken, int(re.search(r"VmHWM:\\s+(\\d+)", open("/proc/self/status").read())[1]) / 1024)
"""


def code_of(number: int) -> str:
    return f"M{number % MEMBERS + 1:02d}-{number:05d}"


def days(number: int) -> list[str]:
    return [f"{2005 + number % 12 + visit}-0{1 + number % 9}-15" for visit in range(VISITS)]


def document(number: int) -> Document:
    """A photo with twenty readings, each with its parts of uncertainty."""
    photo = Photo(f"{number:064x}", 600, 400, None, "unknown", "photo", Optics(None, None, None, ""), (), f"{number}.jpg")
    parts = {"pose/a": 0.02, "graduation/R7": 0.01, "boundary/b": 0.01}
    value = Quantity(0.5 + number % 100 / 100.0, "mm", parts)
    readings = tuple(
        Reading.measured("visible_metal_height", value, "visible_metal@1", flags=(f"site:s{n}",)) for n in range(READINGS_A_PHOTO)
    )
    return Document(photo, None, readings, (), ())


def folders(restorations: int) -> Iterator[CaseFolder]:
    for start in range(0, restorations, A_FOLDER):
        numbers = range(start, min(start + A_FOLDER, restorations))
        made = tuple(
            Restoration(code_of(n), Tooth.parse("16", "iso3950"), "iso3950", "onlay", "gold", days(n)[0], code_of(n)[:3]) for n in numbers
        )
        visits = tuple(Visit(code_of(n), on, "recall" if i else "placement") for n in numbers for i, on in enumerate(days(n)))
        photos = tuple(PhotoEntry(f"{n}/{i}.jpg", code_of(n), on, "facial") for n in numbers for i, on in enumerate(days(n)))
        yield CaseFolder(made, visits, photos=photos)


def fill(url: str, readings: int) -> float:
    """Seconds to insert, one transaction a photo as the audit does it."""
    start, serial = time.perf_counter(), 0
    with open_ledger(url) as ledger:
        for folder in folders(max(1, readings // (VISITS * READINGS_A_PHOTO))):
            ledger.store_folder(folder)
            for entry in folder.photos:
                serial += 1
                ledger.store_document(entry, document(serial), None, "marks")
    return time.perf_counter() - start


def one_size(folder: Path, readings: int) -> None:
    url = str(folder / f"{readings}.sqlite")
    filling = fill(url, readings)
    with open_ledger(url) as ledger:
        stored, codes = ledger.counts()["readings"], ledger.codes()
        taken = []
        for code in codes[:: max(1, len(codes) // 20)]:
            start = time.perf_counter()
            ledger.history(code)
            taken.append(time.perf_counter() - start)
    done = subprocess.run([sys.executable, "-c", _COMPARE, url], capture_output=True, text=True, check=True)
    club, peak = map(float, done.stdout.split())
    print(f"ledger of {stored:,} readings: inserted {stored / filling:,.0f} a second (target 5,000); one tooth's history "
          f"{sorted(taken)[len(taken) // 2] * 1e3:.1f} ms, longest {max(taken) * 1e3:.1f} (target 50);")  # fmt: skip
    print(f"             the whole club compared in {club:.1f} s (target 10) at {peak:.0f} MB (target 1,000); "
          f"{Path(url).stat().st_size / 1e6:.0f} MB on disk", flush=True)  # fmt: skip


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        for readings in os.environ.get("READINGS", "10000").split():
            one_size(Path(name), int(readings))


if __name__ == "__main__":
    main()
