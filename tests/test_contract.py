"""The printed document keeps its contract, the commands their exit statuses, and nobody ever sees a traceback."""

from __future__ import annotations

import json
import math
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from audit.core.vocabulary import MEASURANDS

DEMO = Path(__file__).resolve().parent.parent / "demo_photos"
NUMBER = (int, float)


def command(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-m", "audit.cli", *map(str, arguments)], capture_output=True, text=True)


def one_of_each_view() -> list[Path]:
    photos = sorted(p for p in DEMO.rglob("*.geojson") if p.parent != DEMO)
    chosen: dict[str, Path] = {}
    for marks in photos:
        image = next(p for p in marks.parent.glob(f"{marks.stem}.*") if p.suffix in (".jpg", ".png", ".dcm"))
        chosen.setdefault(f"{marks.stem.partition('_')[2]}{image.suffix}", image)
    return list(chosen.values())


def assert_value_u(found: Any) -> None:
    assert set(found) == {"value", "u"} and all(isinstance(v, NUMBER) and math.isfinite(v) for v in found.values()) and found["u"] >= 0


def assert_reading(reading: dict[str, Any]) -> None:
    assert list(reading) == ["measurand", "value", "u", "unit", "interval95", "status", "signed", "flags", "method"]
    assert reading["unit"] == MEASURANDS[reading["measurand"]].unit
    low, high = reading["interval95"]
    assert math.isfinite(low) and math.isfinite(high) and low <= high
    assert reading["status"] in ("measured", "detected", "below_detection") and "@" in reading["method"]
    assert (reading["value"] is None) == (reading["status"] != "measured") == (reading["u"] is None)
    if reading["status"] == "measured":
        assert reading["u"] > 0 and low <= reading["value"] <= high
    if reading["status"] == "below_detection":
        assert low == 0 < high
    if reading["signed"] is not None:
        assert_value_u(reading["signed"])


def assert_document(document: dict[str, Any]) -> None:
    assert list(document) == ["schema", "photo", "calibration", "readings", "segments", "refusals"] and document["schema"] == 1
    assert list(document["photo"]) == ["sha256", "width_px", "height_px", "captured_on", "modality"]
    scale = document["calibration"]
    if scale is not None:
        assert list(scale) == [
            "reference",
            "mm_per_px",
            "mm_per_px_across",
            "direction_deg",
            "tilt_deg",
            "blur_sigma_px",
            "parts",
            "parts_across",
        ]
        assert_value_u(scale["mm_per_px"])
        assert_value_u(scale["mm_per_px_across"])
        relative = scale["mm_per_px"]["u"] / scale["mm_per_px"]["value"]
        assert math.sqrt(sum(p * p for p in scale["parts"].values())) == pytest.approx(relative)
        assert 0 <= scale["direction_deg"] < 180 and all("/" in name for name in scale["parts"])
    for reading in document["readings"]:
        assert_reading(reading)
    for segment in document["segments"]:
        assert list(segment) == ["start_mm", "end_mm", "state", "gap_um"] and segment["start_mm"] < segment["end_mm"]
    for refusal in document["refusals"]:
        assert list(refusal) == ["measurand", "code", "reason", "hint"] and all(refusal.values())


@pytest.mark.parametrize("image", one_of_each_view(), ids=lambda p: f"{p.parent.name}-{p.name}")
def test_any_demo_image_prints_the_document(image: Path) -> None:
    done = command("measure", image, "--annotations", image.with_suffix(".geojson"), "--json")
    document = json.loads(done.stdout)
    assert_document(document)
    assert done.returncode == (3 if document["refusals"] else 0) and done.stderr == ""


def test_a_mistake_ends_with_one_line_a_hint_and_status_2(tmp_path: Path) -> None:
    for arguments in (("measure", tmp_path / "none.jpg"), ("measure", __file__), ("intake", tmp_path / "none"), ("report", tmp_path)):
        done = command(*arguments)
        assert done.returncode == 2 and done.stderr.count("\n") == 1 and "Hint: " in done.stderr, done


def test_refused_annotations_still_print_the_photo(tmp_path: Path) -> None:
    image = one_of_each_view()[0]
    bad = tmp_path / "bad.geojson"
    bad.write_text('{"type": "FeatureCollection", "features": [{"type": "Feature", "geometry": null, "properties": {"role": "crown"}}]}')
    done = command("measure", image, "--annotations", bad, "--json")
    document = json.loads(done.stdout)
    assert_document(document)
    assert done.returncode == 2 and document["refusals"][0]["code"] == "annotations_refused" and "Hint: " in done.stderr


def test_documented_commands_exist() -> None:
    readme = (DEMO.parent / "README.md").read_text(encoding="utf-8")
    for name in ("demo", "report", "measure", "intake", "app", "verify", "strip", "calibrate"):
        assert f"`restoration-audit {name}" in readme
        assert command(name, "--help").returncode == 0
