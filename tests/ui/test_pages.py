"""Every page opens, says what to do where there is nothing, and shows what the record says."""

from __future__ import annotations

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
    kinds = ("title", "header", "markdown", "caption", "info", "warning", "error", "html")
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
    assert "No photo is listed yet." in shown(opened("measure_photo"))


def test_without_a_ledger_the_list_says_how_to_start(api: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("RESTORATION_AUDIT_LEDGER")
    assert "No ledger is open." in shown(opened())
