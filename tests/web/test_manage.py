from __future__ import annotations

from tests.web.browser import Browser
from tests.web.hub_stage import hub_stage
from tests.web.stage import WORSE, stage_at


def test_who_manages_sees_who_did_what_and_nobody_else_does() -> None:
    stage = stage_at(WORSE)
    ada = Browser(stage.site)
    ada.sign_in("ada")
    ada.send(ada.get(f"/case/{stage.case_number()}").form("/take"))
    manager = Browser(stage.site)
    manager.sign_in("max")
    text = manager.get("/manage").text
    assert "took case" in text
    assert "signed in" in text
    assert ada.get("/manage").status == 403


def test_who_manages_can_sign_others_out() -> None:
    stage = stage_at(WORSE)
    ada, manager = Browser(stage.site), Browser(stage.site)
    ada.sign_in("ada")
    manager.sign_in("max")
    form = next(f for f in manager.get("/manage").forms if f.fields.get("name") == "ada")
    assert manager.send(form).status == 303
    assert ada.get("/").status == 303
    assert manager.get("/manage").status == 200


def test_nobody_else_is_signed_out_by_a_name_that_is_not_there() -> None:
    stage = stage_at(WORSE)
    manager = Browser(stage.site)
    manager.sign_in("max")
    form = manager.get("/manage").form("/manage/end-sessions")
    assert manager.send(form, name="nobody").status == 404


def test_the_account_of_a_clients_person_is_not_said_to_see_all_boxes() -> None:
    stage = hub_stage()
    manager = Browser(stage.site)
    manager.sign_in("sam")
    text = manager.get("/manage").text
    assert "<b>ann</b> manage, the boxes of Harbour Print Room" in text
    assert "<b>sam</b> manage, all boxes" in text
