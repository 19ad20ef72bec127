"""Draws scenes of known truth, measures them, and compares the claimed uncertainty with the actual error.

Every source of a budget is drawn in every scene from the distribution that the budget states. A stratum is judged on its own,
counted by scene: rms of error / claimed u, share of truths within 2 u (or within the 95 % interval where no value is claimed), and
the mean of error / claimed u.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np

from audit import api
from audit.analysis.change import changes
from audit.core.clinical import Visit
from audit.core.outcome import PhotoRecord, VisitRecord
from audit.core.records import Document, Reading
from audit.synthetic.bitewing import Bitewing, Exposure, expose
from audit.synthetic.mouth import Mouth, Shot, photograph
from audit.synthetic.scene import Scene, write_scene
from audit.synthetic.spec import Opening

__all__ = ["STRATA", "Comparison", "Row", "Stratum", "compare", "posed_anew", "summarise", "verify_all"]

FULL_SCENES, QUICK_SCENES = 400, 12


@dataclass(frozen=True)
class Comparison:
    """One reading against its truth: error in claimed u (``None`` where no value is claimed), and whether the interval holds the truth."""

    measurand: str
    status: str
    z: float | None
    covered: bool


@dataclass(frozen=True)
class Stratum:
    """One kind of scene: how it is drawn from a seed, the file it becomes, and which readings are judged."""

    name: str
    draw: Callable[[int], Scene]
    suffix: str
    measurands: tuple[str, ...]


@dataclass(frozen=True)
class Row:
    """The verdict on one measurand in one stratum."""

    measurand: str
    stratum: str
    scenes: int
    measured: int
    rms: float
    coverage: float
    bias: float

    @property
    def is_honest(self) -> bool:
        """Whether claim and error agree as the contributor's guide asks."""
        return 0.8 <= self.rms <= 1.25 and self.coverage >= 0.92 and abs(self.bias) < 0.2

    def cells(self) -> tuple[str, ...]:
        """For a table on the screen."""
        verdict = "agrees" if self.is_honest else "look at it"
        numbers = (f"{self.rms:.2f}", f"{100 * self.coverage:.0f} %", f"{self.bias:+.2f}")
        return self.measurand, self.stratum, str(self.scenes), str(self.measured), *numbers, verdict


def verify_all(*, full: bool = False, workers: int | None = None) -> Iterator[Row]:
    """Rows of every stratum, as they are finished."""
    scenes = FULL_SCENES if full else QUICK_SCENES
    with ProcessPoolExecutor(workers or os.cpu_count() or 1, mp_context=get_context("spawn")) as pool:
        for name in STRATA:
            found = [one for scene in pool.map(partial(compare, name), range(scenes)) for one in scene]
            yield from summarise(name, scenes, found)


def summarise(name: str, scenes: int, found: list[Comparison]) -> Iterator[Row]:
    """One row per measurand of a stratum."""
    for measurand in STRATA[name].measurands:
        of_it = [one for one in found if one.measurand == measurand]
        z = np.array([one.z for one in of_it if one.z is not None])
        rms, bias = (float(np.sqrt(np.mean(z**2))), float(np.mean(z))) if z.size else (float("nan"), float("nan"))
        coverage = float(np.mean([one.covered for one in of_it])) if of_it else float("nan")
        yield Row(measurand, name, scenes, int(z.size), rms, coverage, bias)


def compare(name: str, seed: int) -> list[Comparison]:
    """Draw scene `seed` of a stratum, measure its file, and compare every judged reading with the truth."""
    stratum = STRATA[name]
    scene = stratum.draw(seed)
    return list(_compared(stratum, scene.truth, _measured(scene, stratum.suffix)))


def posed_anew(seed: int) -> bool:
    """Whether an unchanged tooth, photographed twice from scratch, is called changed in anything."""
    rng = np.random.default_rng([15, seed])
    design = ("three_quarter", "seven_eighths")[seed % 2]
    mouth = Mouth(seed=seed, upper=seed % 3 > 0, design=design, band_mm=float(rng.uniform(0.3, 1.5)), finish_line_mm=1.2)
    visits = [_visited(photograph(mouth, _shot(rng, 2 * seed + turn)), on) for turn, on in enumerate(("2023-01-10", "2024-01-10"))]
    return any(change.verdict == "changed" for change in changes(visits))


def _visited(scene: Scene, on: str) -> VisitRecord:
    document = _measured(scene, ".jpg")
    photo = PhotoRecord(document.photo.sha256, "", "facial", on, "exact", "photo", document.calibration, document.readings,
                        document.segments, document.refusals, None)  # fmt: skip
    return VisitRecord(Visit("M00-000", on, "recall"), 0.0, (), (), (photo,), ())


def _measured(scene: Scene, suffix: str) -> Document:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"scene{suffix}"
        write_scene(scene, path)
        return api.measure_photo(path, path.with_suffix(".geojson"))


def _compared(stratum: Stratum, truth: Mapping[str, Any], document: Document) -> Iterator[Comparison]:
    if "mm_per_px" in stratum.measurands and (scale := document.calibration) is not None:
        z = (scale.mm_per_px.value - truth["mm_per_px_along_reference"]) / scale.mm_per_px.u
        yield Comparison("mm_per_px", "measured", z, abs(z) <= 2.0)
    openings = _openings_where_assessed(document, truth)
    for reading in document.readings:
        value = openings.get(reading.measurand, _truth_of(reading, truth))
        if reading.measurand not in stratum.measurands or value is None:
            continue
        low, high = reading.interval95
        if reading.value is None:
            yield Comparison(reading.measurand, reading.status, None, low <= value <= high)
        else:
            z = (reading.value.value - value) / reading.value.u
            yield Comparison(reading.measurand, reading.status, z, abs(z) <= 2.0)


def _openings_where_assessed(document: Document, truth: Mapping[str, Any]) -> dict[str, float]:
    """Widest and mean opening over the part of the margin that could be assessed: a reading speaks of no other."""
    shown = [(s.start_mm, s.end_mm) for s in document.segments if s.state != "unassessable"]
    length = sum(end - start for start, end in shown)
    if not truth.get("openings") or length == 0:
        return {}
    overlaps = [
        (min(end, opening["end_mm"]) - max(start, opening["start_mm"]), opening["width_um"])
        for start, end in shown for opening in truth["openings"]
    ]  # fmt: skip
    widest = max((width for overlap, width in overlaps if overlap >= 0.25), default=0.0)
    mean = sum(max(overlap, 0.0) * width for overlap, width in overlaps) / length
    return {"widest_marginal_opening": widest, "mean_marginal_opening": mean}


def _truth_of(reading: Reading, truth: Mapping[str, Any]) -> float | None:
    """What the reading should have found: seen from straight in front, since the direction of view is in its budget."""
    if any(flag.startswith("site:") for flag in reading.flags):
        return None
    value = truth["normal_view"].get(reading.measurand)
    return value.get(reading.details.get("surface")) if isinstance(value, Mapping) else value


def _shot(rng: np.random.Generator, seed: int) -> Shot:
    """A shot as a careful hand takes it: every nuisance from the distribution that the budgets state."""
    return Shot(
        yaw_deg=float(rng.normal(0, 5)), pitch_deg=float(rng.normal(0, 5)), roll_deg=float(rng.normal(0, 3)),
        width_px=1000, height_px=800, px_per_mm=float(rng.uniform(36, 44)),
        reference_offset_mm=float(rng.normal(1.0, 0.5)), stated_offset_mm=1.0, u_offset_mm=0.5,
        reference_tilt_deg=float(rng.normal(0, 5)), focus_offset_mm=float(rng.normal(0, 0.5)),
        light_level=float(rng.uniform(0.5, 1.3)), white_balance=float(rng.uniform(0.88, 1.12)), saliva=float(rng.uniform(0.2, 1)),
        tone=float(rng.uniform(0, 0.4)), sharpening=float(rng.uniform(0, 0.6)), jpeg_quality=int(rng.integers(82, 96)),
        rule_white=bool(rng.random() < 0.5), hand_px=1.5, seed=seed,
    )  # fmt: skip


def _facial(design: str, seed: int) -> Scene:
    rng = np.random.default_rng([11, seed])
    alloy = "gold" if rng.random() < 0.75 else "white"
    mouth = Mouth(seed=seed, upper=bool(rng.random() < 0.6), design=design, alloy=alloy, band_mm=float(rng.uniform(0.2, 3.0)))
    return photograph(mouth, _shot(rng, seed))


def _occlusal(rng: np.random.Generator, seed: int, **mouth: Any) -> Scene:
    """An onlay by mirror, where most of its facial margin can be seen."""
    return photograph(
        Mouth(seed=seed, upper=False, design="onlay", band_mm=1.0, **mouth), replace(_shot(rng, seed), view="occlusal", mirror=True)
    )


def _opened(seed: int) -> Scene:
    rng = np.random.default_rng([12, seed])
    start = float(rng.uniform(1.0, 4.0))
    return _occlusal(rng, seed, openings=(Opening(start, start + float(rng.uniform(1.0, 3.0)), float(rng.uniform(40, 400))),))


def _closed(seed: int) -> Scene:
    rng = np.random.default_rng([13, seed])
    return _occlusal(rng, seed, stain=float(rng.uniform(0, 0.6)))


def _bitewing(tilted: bool, seed: int) -> Scene:
    rng = np.random.default_rng([14, seed])
    gap, step = rng.choice([0.0, 60.0, 100.0, 150.0, 250.0], 2), rng.normal(0, 120, 2)
    what = Bitewing(seed=seed, gap_um=(float(gap[0]), float(gap[1])), step_um=(float(step[0]), float(step[1])),
                    crest_mm=(float(rng.uniform(1.5, 4)), float(rng.uniform(1.5, 4))))  # fmt: skip
    tilt = float(rng.normal(0, 2.5)) if tilted else 0.0
    return expose(what, Exposure(pixel_um=20.0, blur_px=float(rng.uniform(1.2, 2.4)), tilt_deg=tilt, seed=seed))


_METAL = ("visible_metal_area", "visible_metal_fraction", "visible_metal_height", "visible_metal_extent", "facial_surface_area")
_MARGIN = ("widest_marginal_opening", "mean_marginal_opening")
_FILM = ("radiographic_gap_width", "radiographic_step", "margin_to_crest")

STRATA: Mapping[str, Stratum] = MappingProxyType(
    {
        stratum.name: stratum
        for stratum in (
            Stratum("three-quarter, facial", partial(_facial, "three_quarter"), ".jpg", ("mm_per_px", *_METAL)),
            Stratum("seven-eighths, facial", partial(_facial, "seven_eighths"), ".jpg", (*_METAL, "margin_to_gingiva")),
            Stratum("open margin", _opened, ".jpg", _MARGIN),
            Stratum("closed margin", _closed, ".jpg", _MARGIN),
            Stratum("bitewing, beam along", partial(_bitewing, False), ".png", _FILM),
            Stratum("bitewing, beam tilted", partial(_bitewing, True), ".png", ("radiographic_step", "margin_to_crest")),
        )
    }
)
"""Kinds of scenes, by name."""
