"""`calibrate` says in words and as a picture what was found, with the exit statuses of the other commands."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest
from strip_scenes import StripScene, shoot

from audit import api
from audit.calibration.budget import Found, calibrated
from audit.core.annotations import Feature
from audit.report.calibration_words import FLAG_WORDS, SOURCE_WORDS, calibration_lines

DEMO = Path(__file__).resolve().parents[2] / "demo_photos" / "photos"


@pytest.fixture(scope="module")
def photo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("photo") / "strip.png"
    cv2.imwrite(str(path), shoot(StripScene(tilt=8)).pixels[..., ::-1])
    return path


def command(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-m", "audit.cli", *map(str, arguments)], capture_output=True, text=True)


def test_the_strip_finds_itself_and_is_shown(photo: Path, tmp_path: Path) -> None:
    picture = tmp_path / "found.png"
    done = command("calibrate", photo, "--out", picture)
    first, *rest = done.stdout.splitlines()
    assert done.returncode == 0 and done.stderr == ""
    assert "mm at the tooth, by the printed strip" in first and "10 mm are known to ±" in first
    at = next(number for number, line in enumerate(rest) if "Standard uncertainty 2." in line)
    assert at <= 1 and "what the printer made of a millimetre" in rest[at + 1]
    assert "check_mm" in done.stdout and "Inclination along the reference" in done.stdout and "Blur at the reference" in done.stdout
    drawn = cv2.imread(str(picture))
    assert drawn.shape[1] == 1600 and drawn.std() > 10


def test_refused_and_mistaken_calls(photo: Path, tmp_path: Path) -> None:
    blank = tmp_path / "blank.png"
    cv2.imwrite(str(blank), np.full((200, 300, 3), 120, np.uint8))
    for path, more, status in ((blank, (), 3), (tmp_path / "none.jpg", (), 2), (photo, ("--out", tmp_path / "no" / "where.png"), 2)):
        done = command("calibrate", path, *more)
        assert done.returncode == status and done.stderr.count("\n") == 1 and "Hint: " in done.stderr


def test_marks_beside_the_photo_are_used(photo: Path) -> None:
    marks = {"type": "Feature", "geometry": None, "properties": {"role": "reference", "kind": "strip", "id": "S9", "check_mm": 98.0}}
    beside = photo.with_suffix(".geojson")
    beside.write_text(json.dumps({"type": "FeatureCollection", "features": [marks]}))
    done = command("calibrate", photo)
    beside.unlink()
    assert "what the printer made of a millimetre (S9)" in done.stdout and "check_across_mm" in done.stdout


@pytest.mark.parametrize("name", ["facial.jpg", "bitewing.dcm"])
def test_demo_photos_are_explained(name: str) -> None:
    path = sorted(DEMO.glob(f"M03-001/*_{name}"))[0]
    shown = api.calibrate_photo(path, path.with_suffix(".geojson"))
    assert "mm at the tooth" in shown.lines[0] and shown.picture_png.startswith(b"\x89PNG")
    assert not any("_" in line for line in shown.lines if "give " not in line)


def test_the_budget_names_every_source_in_percent_the_largest_first() -> None:
    shot = shoot(StripScene())
    found = Found("rod", "rod@1", 0.04, {"diameter/B1": 0.01, f"boundary/{shot.photo.identity}": 0.003}, (100.0, 100.0), 0.0, "no")
    lines = calibration_lines(
        calibrated(found, shot.photo, Feature("reference", None, {"kind": "rod", "offset_mm": 0, "u_offset_mm": 0.1}))
    )
    budget = [line for line in lines if line.startswith("  ")]
    assert [line.split("%")[0].strip() for line in budget[:2]] == ["1.00", "0.30"]
    assert SOURCE_WORDS["diameter"] + " (B1)" in budget[0]
    assert shot.photo.identity not in "".join(lines)
    assert all(words.endswith(".") for words in FLAG_WORDS.values())
