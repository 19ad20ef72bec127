"""Every page opens, says what to do where there is nothing, and shows what the record says."""

from __future__ import annotations

import json
from pathlib import Path
from types import ModuleType

import conftest
import fakes
import pytest
from streamlit.testing.v1 import AppTest

MAIN = Path(__file__).resolve().parents[2] / "ui" / "main.py"


def opened(page: str | None = None, **query: str) -> AppTest:
    app = AppTest.from_file(str(MAIN), default_timeout=60)
    for name, value in query.items():
        app.query_params[name] = value
    if page is not None:
        app.run()
        app.switch_page(f"views/{page}.py")
    app.run()
    assert not app.exception
    return app


def shown(app: AppTest) -> str:
    kinds = ("title", "subheader", "markdown", "caption", "info", "warning", "error", "html")
    texts = [str(getattr(element, "value", "") or getattr(element.proto, "body", "")) for kind in kinds for element in app.get(kind)]
    return "\n".join(texts)


def test_the_list_shows_every_restoration_with_a_link(api: ModuleType) -> None:
    text = shown(opened())
    for code in ("M01-004", "M02-001", "M03-002"):
        assert f'href="tooth_record?code={code}"' in text
    assert "The facial margin has opened" in text
    assert "3 of 3 restorations" in text


def test_the_list_narrows(api: ModuleType) -> None:
    app = opened()
    app.selectbox[0].set_value("M02").run()
    text = shown(app)
    assert "1 of 3 restorations" in text and "M01-004" not in text


def test_the_record_shows_status_findings_changes_and_refusals(api: ModuleType) -> None:
    app = opened("tooth_record", code="M01-004")
    text = shown(app)
    record = fakes.rich_record()
    for sentence in (record.status.sentence, record.next_recall.sentence, *record.attention, *record.not_assessed):
        assert sentence in text
    for change in record.changes:
        assert change.sentence in text
    assert "tooth 16 (Universal 3)" in text
    assert len(app.get("vega_lite_chart")) == len(api.charts(api.report_data("", "M01-004", "")))
    assert len(app.dataframe[0].value) == 25
    assert "Lay the rule beside the tooth." in text


def test_another_restoration_can_be_chosen(api: ModuleType) -> None:
    app = opened("tooth_record")
    app.selectbox[0].set_value("M02-001").run()
    assert not app.exception
    assert app.query_params["code"] in ("M02-001", ["M02-001"])
    assert "Tooth extracted on 2022-08-30" in shown(app)


def test_an_address_of_nothing_is_a_clear_message(api: ModuleType) -> None:
    app = opened("tooth_record", code="<script>")
    assert "names a restoration that is not in this ledger" in shown(app)


def test_cautions_stand_on_every_page(api: ModuleType) -> None:
    for page in (None, "tooth_record", "measure_photo"):
        text = shown(opened(page))
        for caution in api.CAUTIONS:
            assert caution in text


def test_empty_pages_say_what_to_do_next(monkeypatch: pytest.MonkeyPatch) -> None:
    import fake_api

    conftest.use(monkeypatch, fake_api.make(empty=True))
    assert "Take in a practice folder first" in shown(opened())
    assert "Take in a practice folder first" in shown(opened("tooth_record"))
    assert "Choose a photo." in shown(opened("measure_photo"))


def test_without_a_ledger_the_list_says_how_to_start(api: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("RESTORATION_AUDIT_LEDGER")
    assert "No ledger is open." in shown(opened())


def upload(app: AppTest, photo: bytes, marks: bytes | None) -> AppTest:
    app.file_uploader[0].set_value(("any name.jpg", photo, "image/jpeg"))
    if marks is not None:
        app.file_uploader[1].set_value(("marks.geojson", marks, "application/json"))
    app.run()
    assert not app.exception
    return app


def test_a_photo_with_its_marks_is_measured(api: ModuleType) -> None:
    app = upload(opened("measure_photo"), b"picture", json.dumps({"type": "FeatureCollection", "features": []}).encode())
    text = shown(app)
    assert "0.43 mm (0.35 to 0.51 mm)" in text and "Outline the occlusal surface." in text
    assert "Scale from a rule" in text
    assert [button.label for button in app.get("download_button")] == ["Document as JSON"]


def test_a_file_that_cannot_be_read_is_one_line_with_a_hint(api: ModuleType) -> None:
    app = upload(opened("measure_photo"), b"abc", None)
    assert app.error[0].value == "image must be readable; got 3 bytes."
    assert "Copy the file again." in shown(app)


def test_marks_that_are_not_json_are_refused(api: ModuleType) -> None:
    app = upload(opened("measure_photo"), b"abc", b"\xff\xfe not json")
    assert app.error[0].value.startswith("The annotation file must be JSON")
