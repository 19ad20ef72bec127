"""Draws the demonstration club: photographs and bitewings of nine invented restorations, with their tables.

One seed, the same bytes on every run: ``draw_club(folder)`` writes images with annotations and truth
beside each, the CSV tables of a practice folder, and a note of what it is.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass, replace
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np

from audit.synthetic.bitewing import Bitewing, Exposure, expose
from audit.synthetic.club_cases import CASES, PLACEMENT, PREPARATION, Case
from audit.synthetic.club_days import at_month, seed_of, visit_day
from audit.synthetic.club_marks import confirmed_metal
from audit.synthetic.club_tables import write_tables
from audit.synthetic.mouth import Mouth, Shot, photograph
from audit.synthetic.scene import Scene, write_scene

__all__ = ["draw_club"]

PROCESSES = 2
LEFT_TO_THE_TOOL = "M01-004"  # whose metal no reader outlined: the tool proposes it
DICOM_MEMBER = "M03"  # whose practice exports bitewings as DICOM; the others as PNG

# how each member photographs: fields of the shot
_CAMERAS: dict[str, dict[str, Any]] = {
    "M01": {"focal_length_mm": 100.0, "f_number": 22.0, "pixel_pitch_um": 14.0, "reference": "rule", "white_balance": 1.0},
    "M02": {
        "focal_length_mm": 60.0,
        "f_number": 20.0,
        "pixel_pitch_um": 13.0,
        "reference": "rule",
        "rule_white": True,
        "white_balance": 1.04,
    },
    "M03": {"focal_length_mm": 85.0, "f_number": 25.0, "pixel_pitch_um": 13.5, "reference": "rod", "white_balance": 0.97},
}
# how each view is framed
_VIEWS: dict[str, dict[str, Any]] = {
    "facial": {"px_per_mm": 36.0},
    "stage": {"px_per_mm": 36.0},
    "occlusal": {"px_per_mm": 36.0, "mirror": True},
    "lingual": {"px_per_mm": 36.0, "mirror": True},
    "smile_front": {"px_per_mm": 14.0, "reference": None},
}


@dataclass(frozen=True)
class _Order:
    """One image to draw: where it goes, what it shows."""

    file: str
    code: str
    tooth: str
    member: str
    on: str
    view: str
    what: tuple[Mouth, Shot] | tuple[Bitewing, Exposure]


def draw_club(folder: str | Path, progress: Callable[[int, int], None] | None = None, cases: Sequence[Case] = CASES) -> int:
    """Draw the club into a folder and return the number of images.

    Parameters
    ----------
    folder : str or Path
        Made if missing; files of the same names are written anew.
    progress : callable, optional
        Called with (images done, images in all).
    cases : sequence of Case
        The restorations to draw.
    """
    folder = Path(folder)
    orders = [order for case in cases for order in _orders(case)]
    for code in {order.code for order in orders}:
        (folder / "photos" / code).mkdir(parents=True, exist_ok=True)
    write_tables(folder, cases, [(o.file, o.code, o.on, o.view) for o in orders])
    (folder / "README.md").write_text(_README, encoding="utf-8")
    with ProcessPoolExecutor(PROCESSES, mp_context=get_context("spawn")) as pool:
        for done, drawn in enumerate(as_completed([pool.submit(_draw, folder, order) for order in orders]), 1):
            drawn.result()
            if progress is not None:
                progress(done, len(orders))
    return len(orders)


def _orders(case: Case) -> Iterator[_Order]:
    for month in case.months:
        on = visit_day(case, month)
        for view in _views(case, month):
            suffix = ".jpg" if view != "bitewing" else ".dcm" if case.member == DICOM_MEMBER else ".png"
            what = _radiograph(case, month) if view == "bitewing" else (_mouth(case, month, view), _shot(case, month, view, on))
            yield _Order(f"photos/{case.code}/{on}_{view}{suffix}", case.code, case.tooth, case.member, on, view, what)


def _views(case: Case, month: int) -> Iterator[str]:
    if month == PREPARATION or _is_off(case, month):
        yield "stage"
        return
    if month != PLACEMENT or PLACEMENT in case.stages:
        yield "facial"
    for view, months in ((case.margin_view, case.margin_months), ("bitewing", case.bitewing_months), ("smile_front", case.smile_months)):
        if month in months:
            yield view


def _is_off(case: Case, month: int) -> bool:
    return at_month(case.findings, month).get(("retention", "")) == "came_off"


def _mouth(case: Case, month: int, view: str) -> Mouth:
    return replace(case.mouth, prepared=view == "stage", **at_month(case.changes, month))


def _shot(case: Case, month: int, view: str, on: str) -> Shot:
    """A shot as a hand holds the camera: pose, light, moisture and reference a little different every time."""
    seed = seed_of(case.code, month, view)
    draw = np.random.default_rng(seed)
    framing = {**_CAMERAS[case.member], **case.camera, **_VIEWS[view]}
    shot = Shot(
        view=view, width_px=1100, height_px=850, jpeg_quality=88, hand_px=0.8, captured_on=on, seed=seed % 2**31,
        yaw_deg=float(draw.normal(0.0, 2.0)), pitch_deg=float(draw.normal(0.0, 2.0)), roll_deg=float(draw.normal(0.0, 1.2)),
        aim_mm=(float(draw.normal(0.0, 0.6)), float(draw.normal(0.0, 0.4))), light_level=float(np.exp(draw.normal(0.0, 0.05))),
        saliva=float(draw.uniform(0.2, 0.7)), reference_offset_mm=float(draw.normal(1.0, 0.5)), stated_offset_mm=1.0,
        u_offset_mm=0.5, reference_tilt_deg=float(draw.normal(0.0, 2.5)), reference_turn_deg=float(draw.normal(0.0, 1.5)),
    )  # fmt: skip
    framing["px_per_mm"] = framing["px_per_mm"] * float(np.exp(draw.normal(0.0, 0.02)))
    return replace(shot, **{**framing, **case.shots.get((month, view), {})})


def _radiograph(case: Case, month: int) -> tuple[Bitewing, Exposure]:
    seed = seed_of(case.code, month, "bitewing") % 2**31
    draw = np.random.default_rng(seed)
    bitewing = Bitewing(seed=case.mouth.seed, design=case.mouth.design, upper=case.mouth.upper, mesial_left=not case.mouth.right_side)
    exposure = Exposure(
        seed=seed, pixel_um=30.0, width_px=640, height_px=500, magnification=float(draw.normal(1.045, 0.01)),
        tilt_deg=float(draw.normal(0.0, 2.0)), turn_deg=float(draw.normal(0.0, 1.0)),
    )  # fmt: skip
    return replace(bitewing, **at_month(case.bitewing, month)), replace(exposure, **case.shots.get((month, "bitewing"), {}))


def _draw(folder: Path, order: _Order) -> None:
    """Draw one image and write it with its annotations and truth."""
    first, second = order.what
    if isinstance(first, Mouth) and isinstance(second, Shot):
        scene = photograph(first, second)
    elif isinstance(first, Bitewing) and isinstance(second, Exposure):
        scene = expose(first, second)
        if order.file.endswith(".png"):
            scene = replace(scene, pixels=(scene.pixels >> 8).astype(np.uint8))
        scene = replace(scene, exif={**scene.exif, "StudyDate": order.on.replace("-", "")})
    else:
        raise TypeError(f"an order must hold a mouth with a shot or a bitewing with an exposure; got {order.what!r}")
    write_scene(_labelled(scene, order), folder / order.file)


def _labelled(scene: Scene, order: _Order) -> Scene:
    said = {"tooth": order.tooth, "tooth_notation": "iso3950", "restoration": order.code, "reader": f"{order.member}-R"}
    features = [_confirmed(f, scene, order) for f in scene.annotations["features"]]
    return replace(scene, annotations={**scene.annotations, **said, "features": features})


def _confirmed(feature: dict[str, Any], scene: Scene, order: _Order) -> dict[str, Any]:
    """The feature, or where it is metal yet to be found, the reader's outline of it."""
    properties = feature["properties"]
    if properties["role"] != "metal" or order.code == LEFT_TO_THE_TOOL or order.view not in ("facial", "smile_front"):
        return feature
    draw = np.random.default_rng(seed_of(order.file, "metal"))
    return confirmed_metal(scene.masks["metal"], 0.8, draw, properties["seen_in"]) or feature


_README = """# Demonstration club

An invented study club: three members by code, nine restorations, their recalls over the years. **No patient stands
behind any of it.** Every image is drawn by `audit.synthetic` from a seed, with a known answer beside it
(`.truth.json`) and the marks of an invented reader (`.geojson`, pixel coordinates). The tables are plain CSV in the form
that `restoration-audit report` reads; dates, findings and grades are invented with the stories. `restoration-audit demo`
audits this folder.

| code | tooth (ISO 3950) | what happens |
|---|---|---|
| M01-004 | 16, seven-eighths | stable for seven years |
| M01-011 | 26, seven-eighths | the gingiva recedes from the finish line |
| M01-019 | 46, onlay | a margin opens slowly at the distofacial |
| M02-002 | 17, seven-eighths | enamel chips at the mesiofacial bevel at 36 months, smoothed |
| M02-008 | 36, complete cast crown | the occlusal surface wears through |
| M02-013 | 15, three-quarter | comes off at 24 months, recemented |
| M03-001 | 37, three-quarter | unchanged; at 36 months the camera stood 10 degrees higher and the metal only seems to grow |
| M03-006 | 47, onlay in a white alloy | tooth extracted after 36 months, root fracture |
| M03-010 | 27, seven-eighths | one blurred, one without a reference, one by mirror with the reference outside, one from farther away |

Made by one command, which draws the same files again: `python -m audit.synthetic.club demo_photos`.
"""


if __name__ == "__main__":
    draw_club(sys.argv[1], lambda done, of: print(f"\r{done} of {of} images", end="", flush=True))
