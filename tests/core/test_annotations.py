"""Annotations: what is accepted, and one clear line with a hint for what is not."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.core.annotations import check_inside, parse_annotations, read_annotations
from audit.errors import AnnotationError


def collection(*features: dict[str, Any], **members: Any) -> dict[str, Any]:
    return {"type": "FeatureCollection", "features": list(features), **members}


def feature(role: str, shape: str | None, coordinates: Any = None, **properties: Any) -> dict[str, Any]:
    geometry = None if shape is None else {"type": shape, "coordinates": coordinates}
    return {"type": "Feature", "geometry": geometry, "properties": {"role": role, **properties}}


SQUARE = [[[10, 10], [40, 10], [40, 40], [10, 40], [10, 10]]]
BOW_TIE = [[[10, 10], [40, 40], [40, 10], [10, 40], [10, 10]]]


def test_a_full_collection_is_read() -> None:
    marks = parse_annotations(
        collection(
            feature("reference", None, kind="rule", tick_mm=1),
            feature("facial_surface", "Polygon", SQUARE, seen_in="mirror"),
            tooth="16",
            tooth_notation="iso3950",
            design="seven_eighths",
            alloy="gold",
            view="facial",
        )
    )
    assert marks.tooth is not None and marks.tooth.universal == "3"
    outline = marks.first("facial_surface")
    assert outline is not None and outline.seen_in == "mirror" and outline.xy.shape == (5, 2)
    reference = marks.first("reference")
    assert reference is not None and reference.geometry is None and reference.number("tick_mm") == 1.0


@pytest.mark.parametrize(
    ("data", "says"),
    [
        ([], "must be a GeoJSON FeatureCollection"),
        (collection(feature("crown", None)), "role of feature 1 must be one of"),
        (collection(feature("facial_surface", "Polygon", BOW_TIE)), "must not cross itself"),
        (collection(feature("margin", "Point", [1, 2])), "must be LineString, null"),
        (collection(feature("margin", "LineString", [["a", 2], [3, 4]])), "must have finite numbers"),
        (collection(feature("margin", "LineString", [[1, 2], [1, 2]])), "must have a length"),
        (collection(feature("margin", "LineString", [[1, float("nan")], [3, 4]])), "must have finite numbers"),
        (collection(feature("metal", None, seen_in="window")), "must be direct or mirror"),
        (collection(tooth="11"), "tooth_notation must be one of"),
        (collection(tooth="36", tooth_notation="universal"), "must be a designation of universal"),
        (collection(design="veneer"), "design must be one of"),
    ],
)
def test_what_breaks_the_contract_is_refused_in_words(data: Any, says: str) -> None:
    with pytest.raises(AnnotationError, match=says) as caught:
        parse_annotations(data)
    assert caught.value.hint.endswith(".") and "\n" not in str(caught.value)


def test_marks_outside_or_of_another_image_are_refused() -> None:
    marks = parse_annotations(collection(feature("facial_surface", "Polygon", SQUARE), sha256="ab" * 32))
    check_inside(marks, 50, 50, "ab" * 32)
    with pytest.raises(AnnotationError, match="must lie inside the image of 30 x 50"):
        check_inside(marks, 30, 50, "ab" * 32)
    with pytest.raises(AnnotationError, match="must belong to this image"):
        check_inside(marks, 50, 50, "cd" * 32)


def test_a_file_that_is_missing_or_no_json_is_refused(tmp_path: Path) -> None:
    with pytest.raises(AnnotationError, match="must be readable"):
        read_annotations(tmp_path / "nothing.geojson")
    (tmp_path / "half.geojson").write_text('{"type": "FeatureColl')
    with pytest.raises(AnnotationError, match="must be JSON"):
        read_annotations(tmp_path / "half.geojson")


json_values = st.recursive(
    st.none() | st.booleans() | st.floats(allow_nan=False) | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=12,
)


@given(st.sampled_from(["reference", "margin", "metal", "fit_site"]), json_values)
def test_any_geometry_is_read_or_refused_never_a_crash(role: str, geometry: Any) -> None:
    item = {"type": "Feature", "geometry": geometry, "properties": {"role": role}}
    try:
        parse_annotations(json.loads(json.dumps(collection(item))))
    except AnnotationError as error:
        assert error.hint


@given(json_values)
def test_any_json_is_read_or_refused_never_a_crash(data: Any) -> None:
    try:
        parse_annotations(data)
    except AnnotationError as error:
        assert error.hint
