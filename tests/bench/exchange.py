"""Speed of what is handed over: a club's merge and report, a recall report on paper, a portfolio."""

from __future__ import annotations

import random
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

from audit import api
from audit.core.clinical import Finding, Grade, Restoration, Visit
from audit.core.outcome import NextRecall, PhotoRecord, Status, ToothRecord, VisitRecord
from audit.core.quantity import Quantity
from audit.core.records import Reading, Refusal
from audit.core.tooth import Tooth
from audit.core.vocabulary import DESIGNS
from audit.exchange.club_bundle import bundle_files, write_bundle
from audit.exchange.club_store import accept_sender
from audit.exchange.club_tables import club_rows
from audit.exchange.keys import club_keys, fingerprint

__all__ = ["bench_club", "bench_paper"]

BUNDLES, RESTORATIONS, VISITS = 50, 200, 5


def _seconds(action: Callable[[], object]) -> float:
    start = time.perf_counter()
    action()
    return time.perf_counter() - start


def bench_club(folder: Path) -> None:
    """Fifty bundles of two hundred restorations taken in at once, and again one more, and the club's report."""
    paths = []
    for member in range(BUNDLES):
        keys = club_keys(folder / f"keys{member}", "north")
        rng = random.Random(member)
        rows = club_rows([_record(f"M{member:02d}-{number:03d}", rng) for number in range(RESTORATIONS)], keys)
        paths.append(folder / f"{member:02d}.zip")
        paths[-1].write_bytes(write_bundle(bundle_files(rows, (), keys, 1, notes=False)))
        accept_sender(folder / "club", fingerprint(keys.public))
    merged = _seconds(lambda: api.merge_bundles(folder / "club", paths))
    report = _seconds(lambda: api.write_club_report(folder / "club", folder / "report"))
    print(f"club:        {BUNDLES} bundles of {RESTORATIONS} restorations with {VISITS} visits merged in {merged:.1f} s (target 60); "
          f"the club's report in {report:.1f} s")  # fmt: skip


def bench_paper(ledger_url: str, practice: Path, out: Path) -> None:
    """One recall report of six visits or more as PDF from the photographs on, and a portfolio of three cases."""
    codes = [record.restoration.code for record in api.tooth_records(ledger_url) if len(record.visits) >= 6]
    api.tooth_pdf(ledger_url, codes[0], practice)  # fonts and charts are loaded once
    seconds = [_seconds(lambda code=code: api.tooth_pdf(ledger_url, code, practice)) for code in codes]  # type: ignore[misc]
    print(f"paper:       a recall report of six visits or more as PDF in {max(seconds):.1f} s at most of {len(codes)} (target 3)")
    chosen = codes[:3]
    (out / "consent.csv").write_text("restoration,purpose,given\n" + "".join(f"{code},teaching,yes\n" for code in chosen), encoding="utf-8")
    (out / "photos").symlink_to(practice / "photos")
    portfolio = _seconds(lambda: api.write_portfolio(ledger_url, chosen, out, out / "portfolio-out"))
    print(f"             a portfolio of {len(chosen)} cases with its plates in {portfolio:.1f} s")


def _record(code: str, rng: random.Random) -> ToothRecord:
    placed = date(2012, 1, 1) + timedelta(days=rng.randrange(3000))
    tooth = Tooth.parse(rng.choice(("16", "26", "36", "46", "15", "25")), "iso3950")
    restoration = Restoration(code, tooth, "iso3950", rng.choice(tuple(DESIGNS)), "gold", placed.isoformat(), code[:3])
    visits = []
    for number in range(VISITS):
        on = (placed + timedelta(days=30 + 365 * number)).isoformat()
        findings = tuple(Finding(code, on, "probing_depth_mm", str(rng.randrange(1, 5)), surface, "E1") for surface in ("mesial", "distal"))
        grades = (Grade(code, on, "ryge", "marginal_adaptation", rng.choice(("alfa", "alfa", "bravo")), "E1"),)
        visits.append(VisitRecord(Visit(code, on, "recall" if number else "baseline", "E1"), 12.0 * number + 1, findings, grades,
                                  (_photo(on, rng),), ()))  # fmt: skip
    return ToothRecord(restoration, tuple(visits), (), Status("in_place", ""), visits[0].visit.on, (), (), (), (), NextRecall(None, ""))


def _photo(on: str, rng: random.Random) -> PhotoRecord:
    height = Reading.measured("visible_metal_height", Quantity(rng.uniform(0.2, 0.6), "mm", {"tilt/x": 0.04}), "visible_metal@2")
    opening = Reading("widest_marginal_opening", "um", "below_detection", None, (0.0, 62.0), "margin_slot@2")
    refusal = Refusal("margin_to_gingiva", "no_gingival_margin", "", "")
    return PhotoRecord("a" * 64, "a.jpg", "facial", on, "exact", "photo", None, (height, opening, replace(height)), (), (refusal,), None)
