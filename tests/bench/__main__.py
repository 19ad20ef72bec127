"""``make bench``: speed as ratios within one run, memory as the peak of a process of its own."""

from __future__ import annotations

import json
import os
import platform
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np
from shapely.geometry import Polygon

from audit import api, batch
from audit.calibration.calibrate import calibrate
from audit.core.annotations import Feature
from audit.core.records import Photo
from audit.imaging.codec import read_image
from audit.imaging.encode import encode_jpeg
from audit.imaging.segment import propose_metal
from audit.imaging.strokes import Stroke, correct_metal
from audit.imaging.tooth_outline import propose_outline
from audit.synthetic.mouth import Mouth, Shot, photograph
from audit.synthetic.spec import Opening
from tests.bench import ledger
from tests.bench.exchange import bench_club, bench_paper

ROOT = Path(__file__).resolve().parents[2]
ENLARGE = 4


def draw_24_megapixels(folder: Path) -> tuple[Path, Path]:
    """A 6000 x 4000 photograph at about 1:1 with rule, metal and an open margin: a scene enlarged four times, noise added after."""
    mouth = Mouth(design="three_quarter", band_mm=1.0, openings=(Opening(2.0, 4.0, 250.0),))
    scene = photograph(mouth, Shot(width_px=1500, height_px=1000, px_per_mm=36.0))
    large = cv2.resize(np.ascontiguousarray(scene.pixels), None, fx=ENLARGE, fy=ENLARGE, interpolation=cv2.INTER_CUBIC)
    noise = np.random.default_rng(1).integers(-3, 4, large.shape, dtype=np.int16)
    photo = folder / "photo.jpg"
    photo.write_bytes(encode_jpeg(np.clip(large + noise, 0, 255).astype(np.uint8), 92, scene.exif)[0])
    marks = scene.annotations
    for feature in marks["features"]:
        if feature["geometry"] is not None:
            feature["geometry"]["coordinates"] = _enlarged(feature["geometry"]["coordinates"])
    annotations = folder / "photo.geojson"
    annotations.write_text(json.dumps(marks))
    return photo, annotations


def _enlarged(coordinates: object) -> object:
    if isinstance(coordinates, list):
        return [_enlarged(item) for item in coordinates]
    return float(coordinates) * ENLARGE + (ENLARGE - 1) / 2  # type: ignore[arg-type]


def median_seconds(action: object, times: int) -> float:
    taken = []
    for _ in range(times):
        start = time.perf_counter()
        action()  # type: ignore[operator]
        taken.append(time.perf_counter() - start)
    return float(np.median(taken))


def one_photo(photo: Path, annotations: Path) -> None:
    data = np.frombuffer(photo.read_bytes(), np.uint8)
    decode = median_seconds(lambda: cv2.imdecode(data, cv2.IMREAD_COLOR), 7)
    whole = median_seconds(lambda: api.measure_photo(photo, annotations), 5)
    unaided = json.loads(annotations.read_text())
    for feature in unaided["features"]:
        if feature["properties"]["role"] == "reference":
            feature["geometry"] = None
    searched = median_seconds(lambda: api.measure_photo(photo, unaided), 3)
    file = read_image(photo)
    record = Photo("b" * 64, file.pixels.shape[1], file.pixels.shape[0], None, "unknown", "photo")
    rule = Feature("reference", None, {"kind": "rule"})
    search = median_seconds(lambda: calibrate(file.pixels, record, rule, tooth_seen_in="direct"), 5)
    document = api.measure_photo(photo, annotations)
    print(f"24 MP photo: decode {decode * 1e3:.0f} ms, measured whole {whole * 1e3:.0f} ms = {whole / decode:.2f} x decode (target 3)")
    print(f"             rule found unaided, measured whole {searched * 1e3:.0f} ms = {searched / decode:.2f} x decode")
    print(f"             the search for it alone {search * 1e3:.0f} ms = {search / decode:.2f} x decode (target 1)")
    print(f"             readings {len(document.readings)}, segments {len(document.segments)}, refusals {len(document.refusals)}")
    peak = subprocess.run([sys.executable, "-c", _PEAK, str(photo), str(annotations)], capture_output=True, text=True, check=True)
    print(f"             peak memory {float(peak.stdout):.0f} MB (target 700)")


def one_tooth() -> None:
    """A tooth that fills 3 megapixels: metal proposed, corrected by two strokes, and the tooth outlined by one click."""
    side, middle = 1732, 866.0
    scene = photograph(Mouth(design="three_quarter", band_mm=1.0), Shot(width_px=433, height_px=433, px_per_mm=34.0, reference=None))
    pixels = cv2.resize(np.ascontiguousarray(scene.pixels), (side, side), interpolation=cv2.INTER_CUBIC)
    ring = next(f for f in scene.annotations["features"] if f["properties"]["role"] == "facial_surface")["geometry"]["coordinates"][0]
    outline = Polygon(_enlarged([list(xy) for xy in ring]))
    proposal = propose_metal(pixels, outline, "three_quarter", "gold", True)
    strokes = [Stroke(np.array([[middle - 300, 1300.0], [middle + 300, 1300.0]]), True), Stroke(np.array([[middle, 700.0]]), False)]
    for name, target, action in (
        ("metal proposed", 700, lambda: propose_metal(pixels, outline, "three_quarter", "gold", True)),
        ("corrected by two strokes", 300, lambda: correct_metal(pixels, outline, proposal, strokes)),
        ("outlined by a click", 700, lambda: propose_outline(pixels, (middle, middle))),
    ):
        print(f"3 MP tooth:  {name} in {median_seconds(action, 5) * 1e3:.0f} ms (target {target})")


# a process of its own; the high-water mark of the process image, which a fork does not inherit
_PEAK = """
import re, resource, sys
from audit import api
api.measure_photo(sys.argv[1], sys.argv[2])
try:
    print(int(re.search(r"VmHWM:\\s+(\\d+)", open("/proc/self/status").read())[1]) / 1024)
except OSError:
    print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6)
"""


def demo(folder: Path) -> None:
    seconds = {}
    for workers in (1, 2):
        start = time.perf_counter()
        summary = batch.audit_folder(ROOT / "demo_photos", str(folder / f"{workers}.sqlite"), workers=workers)
        seconds[workers] = time.perf_counter() - start
    start = time.perf_counter()
    api.write_reports(str(folder / "2.sqlite"), ROOT / "demo_photos", folder / "reports")
    writing = time.perf_counter() - start
    print(f"demo audit:  {summary.listed} photos, {seconds[1]:.1f} s on one worker, {seconds[2]:.1f} s on two "
          f"= {seconds[1] / seconds[2]:.2f} x; reports {writing:.1f} s; in all {seconds[2] + writing:.1f} s (target 60)")  # fmt: skip


def main() -> None:
    print(f"{platform.system()} {platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, OpenCV {cv2.__version__}")
    with tempfile.TemporaryDirectory() as name:
        one_photo(*draw_24_megapixels(Path(name)))
        one_tooth()
        demo(Path(name))
        bench_paper(str(Path(name) / "2.sqlite"), ROOT / "demo_photos", Path(name))
        bench_club(Path(name))
    ledger.main()
    print(f"this process peaked at {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main()
