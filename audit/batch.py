"""Many photos: worker processes measure, this process alone writes the ledger, one transaction a photo.

A run that is cancelled or killed has stored what it finished; the same command again does only what is left.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from dataclasses import dataclass
from itertools import islice
from multiprocessing import get_context, parent_process
from multiprocessing.connection import wait as wait_for
from pathlib import Path
from threading import Thread
from typing import Any

from audit import api
from audit.core.clinical import CaseFolder, KnownLength, PhotoEntry
from audit.core.records import Document
from audit.errors import AnnotationError, AuditError

__all__ = ["AuditSummary", "audit_folder"]

Progress = Callable[[int, int, str], None]


@dataclass(frozen=True)
class AuditSummary:
    """What a run did: photos listed, measured now, known already, refused as files, and lines for the reader."""

    listed: int
    measured: int
    known: int
    refused_files: tuple[str, ...]
    refused_rows: tuple[str, ...]
    unlisted: tuple[str, ...]
    unmarked: tuple[str, ...]
    repeated: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Job:
    entry: PhotoEntry
    path: Path
    annotations: dict[str, Any] | None
    known_lengths: tuple[KnownLength, ...]
    key: api.AuditKey


def audit_folder(folder: str | Path, ledger_url: str, *, workers: int | None = None, progress: Progress | None = None) -> AuditSummary:
    """Measure every listed photo of a practice folder that the ledger does not hold yet.

    Parameters
    ----------
    folder : str or Path
        A practice folder with its CSV tables.
    ledger_url : str
        Where the results are kept.
    workers : int, optional
        Worker processes; the number of cores by default.
    progress : callable, optional
        Called with (done, total, file) after each photo.

    Raises
    ------
    RecordError
        The folder has no table of restorations.
    LedgerError
        The ledger cannot be opened or written.
    """
    root = Path(folder)
    cases = api.read_case_folder(root)
    with api.open_ledger(ledger_url) as ledger:
        ledger.store_folder(cases)
        jobs, refused = _jobs(root, cases, ledger)
        total, done = len(cases.photos), len(cases.photos) - len(jobs) - len(refused)
        known = done
        for entry, error in refused:
            ledger.store_refused_file(entry, error)
        for job, outcome in _measure_all(jobs, workers or os.cpu_count() or 1):
            if isinstance(outcome, AuditError):
                ledger.store_refused_file(job.entry, outcome)
                refused.append((job.entry, outcome))
            else:
                ledger.store_document(job.entry, outcome, job.annotations, job.key.annotation_hash)
            done += 1
            if progress is not None:
                progress(done, total, job.entry.file)
    lines = tuple(f"{entry.file}: {error}" for entry, error in refused)
    unmarked = tuple(entry.file for entry in cases.photos if not (root / entry.file).with_suffix(".geojson").is_file())
    unlisted = api.unlisted_images(root, cases)
    return AuditSummary(total, total - known - len(refused), known, lines, cases.refused_rows, unlisted, unmarked, _repeated(root, cases))


def _repeated(root: Path, cases: CaseFolder) -> tuple[str, ...]:
    """Listed files that are byte for byte another listed one, each with the name of that."""
    sizes = Counter(size for entry in cases.photos if (size := _size(root / entry.file)))
    first: dict[bytes, str] = {}
    found = []
    for entry in cases.photos:
        if sizes.get(_size(root / entry.file), 0) > 1:
            other = first.setdefault(hashlib.sha256((root / entry.file).read_bytes()).digest(), entry.file)
            if other != entry.file:
                found.append(f"{entry.file} is the same file as {other}")
    return tuple(found)


def _size(path: Path) -> int:
    return path.stat().st_size if path.is_file() else 0


def _jobs(root: Path, cases: CaseFolder, ledger: api.Ledger) -> tuple[list[_Job], list[tuple[PhotoEntry, AuditError]]]:
    restorations = {restoration.code: restoration for restoration in cases.restorations}
    jobs, refused = [], []
    for entry in cases.photos:
        path = root / entry.file
        try:
            restoration = restorations[entry.restoration]
            marks = _read_marks(path.with_suffix(".geojson"))
            api.check_marks_belong(marks, restoration)
            key = api.audit_key(path, marks, restoration.known_lengths)
        except AuditError as error:
            refused.append((entry, error))
            continue
        if not ledger.has_audit(entry, key.sha256, key.annotation_hash):
            jobs.append(_Job(entry, path, marks, restoration.known_lengths, key))
    return jobs, refused


def _read_marks(path: Path) -> dict[str, Any] | None:
    if not path.exists():
        return None
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError) as error:
        raise AnnotationError(f"annotation file must be JSON; got {error} in {path.name}.", "Save the annotations again.") from error
    if not isinstance(data, dict):
        raise AnnotationError(
            f"annotations must be a GeoJSON FeatureCollection; got something else in {path.name}.", "Export the marks again."
        )
    return data


def _end_with_parent() -> None:
    """A worker whose parent is gone ends too, also when the parent was killed and could say nothing."""
    parent = parent_process()
    if parent is not None:
        Thread(target=lambda: (wait_for([parent.sentinel]), os._exit(1)), daemon=True).start()


def _measure(job: _Job) -> Document | AuditError:
    try:
        return api.measure_photo(job.path, job.annotations, known_lengths=job.known_lengths)
    except AuditError as error:
        return error
    except Exception as error:  # a fault of ours on one photo must not end the folder
        return AuditError(f"{job.entry.file} must be measured without a fault of the program; got {type(error).__name__}: {error}.",
                          "Report this line with the photo's annotations; the other photos are not affected.")  # fmt: skip


def _measure_all(jobs: list[_Job], workers: int) -> Iterator[tuple[_Job, Document | AuditError]]:
    """Outcomes as they come; at most a few photos per worker are under way, so memory stays flat."""
    if not jobs:
        return
    pool = ProcessPoolExecutor(min(workers, len(jobs)), mp_context=get_context("spawn"), initializer=_end_with_parent)
    waiting = iter(jobs)
    running: dict[Future[Document | AuditError], _Job] = {}
    try:
        while True:
            for job in islice(waiting, max(0, 2 * workers - len(running))):
                running[pool.submit(_measure, job)] = job
            if not running:
                return
            for future in wait(running, return_when=FIRST_COMPLETED).done:
                yield running.pop(future), future.result()
    finally:
        pool.shutdown(wait=True, cancel_futures=True)
