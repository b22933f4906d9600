"""What the shop does at its hub from a page: a code is shown once, a look is asked for."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from tests.web.browser import Browser
from tests.web.hub_stage import EVERY, HubStage, hub_stage, signed_in
from tests.web.stage import stage_at
from watcher.facts.identity import BoxId
from watcher.hub.enrolment import CODE_LIVES, hash_of, join
from watcher.hub.wire import Joining

ADDRESS = "/client/invite?client=Orchard+Press"
CODE = re.compile(r"midwatch join ([A-Z0-9-]{23}) --hub")


@pytest.fixture
def stage() -> HubStage:
    return hub_stage()


def test_a_code_from_the_page_lets_one_box_of_that_client_join_and_is_kept_nowhere(
    stage: HubStage,
) -> None:
    browser = signed_in(stage)
    page = browser.send(browser.get(ADDRESS).form("/invite"), box="press 2")
    found = CODE.search(page.text)
    assert page.status == 200
    assert found is not None
    assert "<svg" not in page.text
    assert "In the place of URL write the address" in page.text
    with stage.site.store.transaction() as tx:
        asked = Joining(code=found[1], box="whatever", token_hash=hash_of("its token"))
        box = join(tx, asked, stage.clock.now() + CODE_LIVES - EVERY)
        assert (box.box, box.client) == ("press 2", "Orchard Press")
        assert tx.audit(limit=1)[0].what == "invited-box"
        assert found[1] not in str([dict(r) for r in tx.db.rows("SELECT * FROM invitation")])
    assert "Invited, not joined yet" not in browser.get("/client?client=Orchard+Press").text


def test_where_the_hubs_address_is_known_the_command_is_whole_and_has_a_qr_code(
    stage: HubStage,
) -> None:
    stage.site.terms = replace(stage.site.terms, hub_url="https://hub.example")
    browser = signed_in(stage)
    page = browser.send(browser.get(ADDRESS).form("/invite"), box="")
    assert "--hub https://hub.example" in page.text
    assert "<svg" in page.text
    assert "In the place of URL" not in page.text


def test_codes_that_wait_are_listed_for_the_shop_and_not_for_the_client(stage: HubStage) -> None:
    browser = signed_in(stage)
    browser.send(browser.get(ADDRESS).form("/invite"), box="")
    address = "/client?client=Orchard+Press"
    assert "Invited, not joined yet" in browser.get(address).text
    assert "Invited" not in signed_in(stage, "orchard").get(address).text


def test_the_name_of_another_clients_box_is_refused(stage: HubStage) -> None:
    browser = signed_in(stage)
    assert browser.send(browser.get(ADDRESS).form("/invite"), box="press").status == 422
    assert browser.send(browser.get(ADDRESS).form("/invite"), box="x" * 61).status == 422


def test_a_box_of_the_same_client_may_be_invited_anew(stage: HubStage) -> None:
    """Its disk died with its token: it joins again, under its own name."""
    browser = signed_in(stage)
    own = "/client/invite?client=Harbour+Print+Room"
    page = browser.send(browser.get(own).form("/invite"), box="press")
    assert page.status == 200
    assert CODE.search(page.text)


def test_only_who_manages_invites(stage: HubStage) -> None:
    assert signed_in(stage, "orchard").get(ADDRESS).status == 403
    assert signed_in(stage).get("/client/invite").status == 404
    single = stage_at()
    browser = Browser(single.site)
    browser.sign_in("max")
    assert browser.get("/client/invite?client=x").status == 404


def test_a_look_is_asked_for_once_and_goes_out_with_the_next_answer(stage: HubStage) -> None:
    browser = signed_in(stage, "orchard")
    asked = browser.send(browser.get("/?box=barn").form("/box/look"))
    assert "all a hub can ask" in browser.follow(asked).text
    assert not any(f.action == "/box/look" for f in browser.get("/?box=barn").forms)
    with stage.site.store.snapshot() as tx:
        box = tx.enrolled(BoxId("barn"))
        survey = tx.last_survey(BoxId("barn"))
    assert box is not None
    assert box.look_wanted
    assert survey is not None
    stage.pass_time(EVERY)
    stage.report("barn", survey, 77)
    with stage.site.store.snapshot() as tx:
        after = tx.enrolled(BoxId("barn"))
    assert after is not None
    assert not after.look_wanted


def test_a_box_of_another_client_or_one_given_back_is_asked_for_nothing(stage: HubStage) -> None:
    for name, box in (("ann", "barn"), ("sam", "old"), ("sam", "workshop")):
        browser = signed_in(stage, name)
        form = browser.get("/me").forms[0]
        answer = browser.post("/box/look", {"ticket": form.fields["ticket"], "box": box})
        assert answer.status == 404, (name, box)


def test_a_box_that_was_given_back_is_out_of_every_list_of_what_goes_on(stage: HubStage) -> None:
    browser = signed_in(stage)
    shown = {"authorization": "Bearer program-all"}
    assert 'box="old"' not in Browser(stage.site).get("/metrics", headers=shown).text
    assert "old" not in re.findall(r">(\w+), case", browser.get("/cases").text)
    assert browser.get("/?box=old").status == 200, "its past is kept"
