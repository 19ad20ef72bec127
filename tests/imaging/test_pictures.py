"""Pictures for showing: equal scale in mm, bars of true length, marks where they belong, originals untouched."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.core.annotations import parse_annotations
from audit.core.picture import PENS
from audit.core.quantity import Quantity
from audit.core.records import Calibration, Reading, Segment
from audit.imaging.draw import Layer, grey_to_display
from audit.imaging.overlay import Marks, length_along_mm, overlay_png
from audit.imaging.tiles import TILE_PX_PER_MM, common_window_mm, tile
from audit.imaging.unroll import margin_length_mm, unrolled_margin

TOOTH_MM = (9.0, 7.0)
MARGIN_MM = [(-4.0, 1.0), (0.0, -2.0), (4.0, 1.0)]


def calibration(along: float, across: float | None = None, direction_deg: float = 0.0) -> Calibration:
    scales = [Quantity(value, "mm/px", {"comb/t": 0.01 * value}) for value in (along, across or along)]
    return Calibration("rule", scales[0], scales[1], direction_deg, None, None, "direct", "rule_comb@1")


def photo(mm_per_px: float, scaled: bool = True, width: int = 1000, height: int = 800) -> tuple[np.ndarray, Marks]:
    """A light box of TOOTH_MM in the middle of grey, its outline and a bent margin marked, a black post across the margin at its apex."""
    pixels = np.full((height, width, 3), 90, np.uint8)
    centre = np.array([(width - 1) / 2, (height - 1) / 2])
    half = np.array(TOOTH_MM) / 2 / mm_per_px
    (x0, y0), (x1, y1) = np.round(centre - half).astype(int), np.round(centre + half).astype(int)
    pixels[y0 : y1 + 1, x0 : x1 + 1] = 170
    apex = centre + np.array(MARGIN_MM[1]) / mm_per_px
    reach = 0.08 / mm_per_px
    pixels[round(apex[1] - 1 / mm_per_px) : round(apex[1] + 1 / mm_per_px), round(apex[0] - reach) : round(apex[0] + reach) + 1] = 0
    corners = [(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)]
    features = [
        ("facial_surface", "Polygon", [[[float(x), float(y)] for x, y in corners]]),
        ("margin", "LineString", [[float(c) for c in centre + np.array(p) / mm_per_px] for p in MARGIN_MM]),
    ]
    data = {
        "type": "FeatureCollection",
        "features": [
            {"type": "Feature", "geometry": {"type": kind, "coordinates": xy}, "properties": {"role": role}} for role, kind, xy in features
        ],
    }
    return pixels, Marks(parse_annotations(data), calibration(mm_per_px) if scaled else None)


def decoded(picture: bytes) -> np.ndarray:
    return np.asarray(cv2.imdecode(np.frombuffer(picture, np.uint8), cv2.IMREAD_UNCHANGED))


def bar_px(jpeg: bytes) -> float:
    """Length of the white bar in the lower left corner, by the area under its profile."""
    row = decoded(jpeg)[-16, :, 0].astype(float)
    white = np.flatnonzero(row > 200)
    run = white[: np.argmax(np.append(np.diff(white), 99) > 1) + 1]
    return float(run[-1] - run[0] + 1)


@pytest.mark.parametrize("mm_per_px", [0.0125, 0.02, 0.0277, 0.04])
def test_tiles_of_any_magnification_have_one_scale(mm_per_px: float) -> None:
    pixels, marks = photo(mm_per_px)
    picture = tile(pixels, marks, (12.0, 10.0), view="facial", on="2024-03-04", caption="c")
    assert (picture.width_px, picture.height_px) == (math.ceil(12 * TILE_PX_PER_MM), math.ceil(10 * TILE_PX_PER_MM))
    assert bar_px(picture.jpeg) == pytest.approx(5 * TILE_PX_PER_MM, abs=2)
    row = decoded(picture.jpeg)[picture.height_px // 2, :, 0].astype(float)
    tooth_px = (row - 90).clip(0).sum() / 80
    assert tooth_px == pytest.approx(TOOTH_MM[0] * TILE_PX_PER_MM, abs=1.5 * mm_per_px * TILE_PX_PER_MM + 1)


@given(mm_per_px=st.floats(0.011, 0.045))
def test_a_1_mm_bar_has_the_same_length_whatever_the_photo(mm_per_px: float) -> None:
    pixels, marks = photo(mm_per_px, width=240, height=200)
    picture = tile(pixels, marks, (6.0, 6.0), view="facial", on="2024-03-04", caption="c")
    assert bar_px(picture.jpeg) == pytest.approx(TILE_PX_PER_MM, abs=2)


def test_a_photo_without_scale_says_so_and_has_no_bar() -> None:
    pixels, marks = photo(0.02, scaled=False)
    picture = tile(pixels, marks, (12.0, 10.0), view="facial", on="2024-03-04", caption="c")
    assert picture.px_per_mm is None
    assert picture.alt.endswith("no scale")
    assert bar_px(picture.jpeg) < 0.5 * TILE_PX_PER_MM


def test_the_window_holds_the_largest_tooth_and_ignores_photos_without_scale() -> None:
    small, large, unscaled = photo(0.02), photo(0.025), photo(0.1, scaled=False)
    window = common_window_mm([(marks, 1000, 800) for _, marks in (small, large, unscaled)])
    assert window == pytest.approx((TOOTH_MM[0] + 2.4, TOOTH_MM[1] + 2.4), abs=0.06)


def test_drawing_leaves_the_original_alone() -> None:
    pixels, marks = photo(0.02)
    before = pixels.copy()
    tile(pixels, marks, (12.0, 10.0), view="facial", on="2024-03-04", caption="c")
    unrolled_margin(pixels, marks, 10.0, view="facial", on="2024-03-04", caption="c")
    overlay_png(pixels, marks)
    assert np.array_equal(pixels, before)


def test_the_outline_lies_on_the_edge_it_outlines() -> None:
    pixels, marks = photo(0.02)
    picture = tile(pixels, Marks(parse_annotations({"type": "FeatureCollection", "features": []}), marks.calibration), (12.0, 10.0),
                   view="facial", on="2024-03-04", caption="c")  # fmt: skip
    assert picture.overlay_png is None
    marked = tile(pixels, marks, (12.0, 10.0), view="facial", on="2024-03-04", caption="c")
    assert marked.overlay_png is not None
    opacity = decoded(marked.overlay_png)[marked.height_px // 2 + 80, :, 3].astype(float)
    shown = decoded(marked.jpeg)[marked.height_px // 2 + 80, :, 0].astype(float)
    left_edge = float(np.argmax(shown > 130))
    first = opacity[: marked.width_px // 3]
    assert float((first * np.arange(len(first))).sum() / first.sum()) == pytest.approx(left_edge, abs=1.5)


def test_length_along_a_line_uses_the_scale_of_each_direction() -> None:
    across = calibration(0.02, 0.025, direction_deg=30.0)
    turn = math.radians(30.0)
    along = np.array([[0.0, 0.0], [100 * math.cos(turn), 100 * math.sin(turn)]])
    corner = np.vstack([along, along[1] + [-40 * math.sin(turn), 40 * math.cos(turn)]])
    assert length_along_mm(corner, across) == pytest.approx([0.0, 2.0, 3.0])


def test_the_unrolled_margin_puts_a_mark_where_it_is_along_the_trace() -> None:
    pixels, marks = photo(0.015)
    length = margin_length_mm(marks)
    assert length == pytest.approx(10.0, rel=1e-6)  # two sides of 3 and 4 mm: 5 mm each
    picture = unrolled_margin(pixels, marks, length, view="facial", on="2024-03-04", caption="c")
    assert picture is not None and picture.px_per_mm is not None
    band = decoded(picture.jpeg)[2 : round(1.6 * picture.px_per_mm) - 2, :, 0].astype(float)
    dark = np.flatnonzero(band[len(band) // 2] < 60)
    at_mm = (dark.mean() - 14) / picture.px_per_mm
    assert at_mm == pytest.approx(5.0, abs=0.05)


def test_segments_run_on_through_several_traces() -> None:
    pixels, marks = photo(0.02)
    lines = [[[100.0, 100.0], [300.0, 100.0]], [[400.0, 300.0], [400.0, 500.0]]]
    found = Reading("assessed_margin_length", "mm", "measured", None, (0.0, 8.0), "margin_profile@1", details={"line": lines})
    segments = (Segment(0.0, 5.0, "continuous"), Segment(5.0, 8.0, "open"))
    both = Marks(marks.annotations, marks.calibration, (found,), segments)
    assert margin_length_mm(both) == pytest.approx(8.0)
    shown = decoded(overlay_png(pixels, both))[..., ::-1].astype(int)
    open_rgb, closed_rgb = np.array(PENS["open"].colour), np.array(PENS["continuous"].colour)

    def near(x: int, y: int, colour: np.ndarray) -> bool:
        return bool((np.abs(shown[y - 6 : y + 7, x - 6 : x + 7] - colour).sum(axis=2) < 60).any())

    assert near(200, 100, closed_rgb) and near(400, 320, closed_rgb)
    assert near(400, 450, open_rgb) and not near(400, 450, closed_rgb)


def test_no_band_without_scale_or_trace() -> None:
    pixels, marks = photo(0.02, scaled=False)
    assert unrolled_margin(pixels, marks, 10.0, view="facial", on="2024-03-04", caption="c") is None


def test_pens_differ_by_dash_or_doubling_among_margin_states() -> None:
    styles = {(PENS[name].dash, PENS[name].double) for name in ("continuous", "open", "step", "stained", "unassessable")}
    assert len(styles) == 5


def test_a_dashed_line_covers_its_share() -> None:
    line = np.array([[10.0, 20.0], [790.0, 20.0]])

    def cover(name: str) -> float:
        layer = Layer(800, 40)
        layer.line(line, PENS[name])
        return float((decoded(layer.png())[20, 10:790, 3] > 200).mean())

    assert cover("continuous") > 0.98
    assert 0.4 < cover("stained") < 0.9
    assert cover("unassessable") < cover("stained")


def test_a_layer_over_nothing_changes_nothing() -> None:
    pixels, _ = photo(0.02)
    assert np.array_equal(Layer(pixels.shape[1], pixels.shape[0]).over(pixels), pixels)


def test_radiographs_become_grey_pictures() -> None:
    ramp = np.tile(np.linspace(500, 3500, 300).astype(np.uint16), (200, 1))
    shown = grey_to_display(ramp)
    assert shown.shape == (200, 300, 3) and shown.dtype == np.uint8
    assert shown[0, 0, 0] == 0 and shown[0, -1, 0] == 255
    assert (np.diff(shown[0, :, 0].astype(int)) >= 0).all()
    picture = tile(ramp, Marks(parse_annotations({"type": "FeatureCollection", "features": []})), (12.0, 10.0), view="bitewing",
                   on="2024-03-04", caption="c")  # fmt: skip
    assert decoded(picture.jpeg).shape == (picture.height_px, picture.width_px, 3)
