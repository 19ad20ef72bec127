"""The page that measures, on a practice of its own and without a browser: carrying over, holding back, confirming."""

from __future__ import annotations

import shutil
from pathlib import Path

import conftest
import practice
import pytest
from streamlit.testing.v1 import AppTest

from audit import api


@pytest.fixture
def desk(tmp_path: Path, template: Path, monkeypatch: pytest.MonkeyPatch) -> api.Desk:
    folder = Path(shutil.copytree(template, tmp_path / "practice"))
    conftest.use(monkeypatch, api)
    monkeypatch.setenv("RESTORATION_AUDIT_LEDGER", str(tmp_path / "ledger.sqlite"))
    monkeypatch.setenv("RESTORATION_AUDIT_FOLDER", str(folder))
    return api.Desk(str(tmp_path / "ledger.sqlite"), folder)


def opened(on: str) -> AppTest:
    from test_pages import MAIN

    app = AppTest.from_file(str(MAIN), default_timeout=120)
    app.query_params["code"], app.query_params["visit"] = practice.CODE, on
    app.run()
    app.switch_page("views/measure_photo.py").run()
    assert not app.exception
    return app


def press(app: AppTest, label: str) -> AppTest:
    next(button for button in app.button if button.label == label).click().run()
    assert not app.exception
    return app


def said(app: AppTest) -> str:
    kinds = ("markdown", "caption", "info", "warning", "error", "success", "html")
    texts = [str(getattr(element, "value", "") or getattr(element.proto, "body", "")) for kind in kinds for element in app.get(kind)]
    return "\n".join(texts)


def test_a_recall_photo_is_carried_over_measured_and_confirmed_in_three_clicks(desk: api.Desk) -> None:
    app = opened("2019-05-13")
    assert f"The marks of {practice.ON} can be carried over" in said(app)
    press(app, "Carry the marks over")
    assert "No scale" not in said(app)  # the rule was found anew
    press(app, "Confirm")
    assert "Nobody has looked at these marks from near" in said(app)
    assert not (desk.folder / practice.BARE).with_suffix(".geojson").is_file()
    press(app, "Confirm")
    assert "are in the record" in said(app)
    assert (desk.folder / practice.BARE).with_suffix(".geojson").is_file()


def test_who_looked_from_near_is_not_asked(desk: api.Desk) -> None:
    api.mark_looked(desk, practice.BARE)
    app = press(press(opened("2019-05-13"), "Carry the marks over"), "Confirm")
    assert "are in the record" in said(app)


def test_confirming_leads_on_to_the_next_photo_that_waits(desk: api.Desk) -> None:
    for file in (practice.FACIAL, practice.BARE):
        api.mark_looked(desk, file)
    cases = api.read_case_folder(desk.folder)
    assert [one.file for one in api.waiting_marks(desk, cases)] == [practice.CURVE, practice.BARE]
    app = press(press(opened("2019-05-13"), "Carry the marks over"), "Confirm")
    assert app.query_params["photo"] in (practice.CURVE, [practice.CURVE]) and "1 of 1 that wait" in said(app)


def test_two_readers_cannot_both_confirm_what_they_measured(desk: api.Desk) -> None:
    first = api.measure_draft(desk, practice.FACIAL, "M01")
    second = api.measure_draft(desk, practice.FACIAL, "M02")
    api.confirm_marks(desk, practice.FACIAL, first)
    with pytest.raises(api.DraftConflict, match="M01 confirmed marks of it after"):
        api.confirm_marks(desk, practice.FACIAL, second)


def test_the_record_says_nothing_of_what_nobody_has_rated_until_asked(desk: api.Desk) -> None:
    api.confirm_marks(desk, practice.FACIAL, api.measure_draft(desk, practice.FACIAL))
    assert "Held back" not in said(record())  # this visit is rated
    for name in ("grades.csv", "findings.csv"):
        (desk.folder / name).unlink()
    with api.open_ledger(desk.ledger_url) as ledger:
        ledger.store_folder(api.read_case_folder(desk.folder))
    app = record()
    text = said(app)
    assert f"**{practice.ON}**: " in text and "widest marginal opening" in text.split("Held back")[1]
    table = app.dataframe[0].value
    assert not set(table["measurand"]) & set(api.HELD_UNTIL["marginal_adaptation"]) and "visible_metal_area" in set(table["measurand"])
    assert api.was_shown(desk, practice.CODE, practice.ON) == set()
    app = press(app, "Show without a rating")
    assert "Held back" not in said(app) and "widest_marginal_opening" in set(app.dataframe[0].value["measurand"])
    assert api.was_shown(desk, practice.CODE, practice.ON) == {"marginal_adaptation"}


def record(page: str = "tooth_record") -> AppTest:
    from test_pages import MAIN

    app = AppTest.from_file(str(MAIN), default_timeout=120)
    app.query_params["code"] = practice.CODE
    app.run()
    app.switch_page(f"views/{page}.py").run()
    assert not app.exception
    return app


@pytest.mark.parametrize("page", ["tooth_record", "recall_list"])
def test_a_ledger_that_is_not_there_yet_is_told(desk: api.Desk, page: str) -> None:
    assert "ledger must be" in said(record(page))


def test_what_speaks_of_an_unrated_criterion_is_held_back_until_asked_for(desk: api.Desk) -> None:
    for name in ("grades.csv", "findings.csv"):
        (desk.folder / name).unlink()
    app = press(opened(practice.ON), "Measure")
    text = said(app)
    assert "Held back." in text and "held back</td><td>widest marginal opening" in text and "µm" not in text.split("Held back.")[1]
    assert "metal showing on the facial" in text
    assert api.was_shown(desk, practice.CODE, practice.ON) == set()
    app = press(app, "Show without a rating")
    assert "Held back." not in said(app) and "µm" in said(app)
    assert api.was_shown(desk, practice.CODE, practice.ON) == {"marginal_adaptation"}


def test_marks_that_contradict_themselves_are_told_in_place(desk: api.Desk) -> None:
    crossing = {"role": "facial_surface", "closed": True, "parts": [[[100, 100], [300, 300], [300, 100], [100, 300]]]}
    api.save_marks(desk, practice.FACIAL, 0, {"shapes": [crossing]})
    app = press(opened(practice.ON), "Measure")
    assert "must not cross itself" in said(app)


def test_a_recall_interval_is_set_and_nothing_else_of_the_row_changes(desk: api.Desk) -> None:
    before = api.read_case_folder(desk.folder)
    app = opened(practice.ON)
    app.switch_page("views/settings.py").run()
    app.number_input[0].set_value(6).run()
    press(app, "Save")
    assert "✓ Saved." in said(app)
    after = api.read_case_folder(desk.folder)
    assert after.restorations == before.restorations and after.recall_months == {practice.CODE: 6} and not after.refused_rows
