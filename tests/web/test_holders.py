"""Sessions that end and are renewed, tokens that end, boxes that are not theirs."""

from __future__ import annotations

from datetime import timedelta

from tests.web.browser import Browser
from tests.web.stage import WORSE, Stage, stage_at
from watcher.facts.identity import BoxId
from watcher.store.accounts import REPLACED_LIVES, ProgramToken, Role
from watcher.web.holders import IDLE, RENEW_AFTER, WHOLE
from watcher.web.one_time import fingerprint


def signed_in(stage: Stage, name: str = "ada") -> Browser:
    browser = Browser(stage.site)
    browser.sign_in(name)
    return browser


def test_a_session_that_was_not_used_for_long_is_over() -> None:
    stage = stage_at(WORSE)
    browser = signed_in(stage)
    stage.clock.pass_by(IDLE + timedelta(minutes=1))
    assert browser.get("/").status == 303


def test_a_session_that_is_used_goes_on_but_not_for_ever() -> None:
    stage = stage_at(WORSE)
    browser = signed_in(stage)
    for _ in range(WHOLE.days - 1):
        stage.clock.pass_by(timedelta(days=1))
        assert browser.get("/me").status == 200
    stage.clock.pass_by(timedelta(days=2))
    assert browser.get("/me").status == 303


def test_a_session_gets_a_new_name_now_and_then_and_the_old_one_is_soon_worth_nothing() -> None:
    stage = stage_at(WORSE)
    browser = signed_in(stage)
    old = dict(browser.cookies)
    stage.clock.pass_by(RENEW_AFTER + timedelta(minutes=1))
    assert browser.get("/me").status == 200
    assert browser.cookies != old
    new = browser.cookies
    browser.cookies = dict(old)
    assert browser.get("/me").status == 200
    assert browser.cookies == old
    stage.clock.pass_by(REPLACED_LIVES + timedelta(seconds=1))
    assert browser.get("/me").status == 303
    browser.cookies = new
    assert browser.get("/me").status == 200


def test_a_form_that_lay_open_while_the_session_was_renewed_can_be_sent() -> None:
    stage = stage_at(WORSE)
    browser = signed_in(stage)
    form = browser.get(f"/case/{stage.case_number()}").form("/take")
    stage.clock.pass_by(RENEW_AFTER + timedelta(minutes=1))
    browser.get("/me")
    until = stage.clock.now() + timedelta(days=1)
    assert browser.send(form, until_other=f"{until:%Y-%m-%dT%H:%M}").status == 303


def test_a_made_up_cookie_is_nobody() -> None:
    stage = stage_at(WORSE)
    browser = Browser(stage.site)
    for value in ("x", "", "a" * 3000, 'x"; drop=1'):
        browser.cookies = {"__Host-midwatch": value}
        assert browser.get("/").status == 303


def test_client_people_see_their_own_boxes_only() -> None:
    stage = stage_at(WORSE)
    browser = signed_in(stage, "client")
    assert "attic" not in browser.get("/").text
    for path in (
        "/?box=attic",
        "/case/3?box=attic",
        "/pool?box=attic&pool=md:6d1dfa52:0b3c7e11:9a44c0de:51e77a01",
        "/drive?drive=wwn-5000a1400000005b",
        "/drive.csv?drive=wwn-5000a1400000005b&metric=temperature-celsius",
        "/recovery?box=attic&pool=md:6d1dfa52:0b3c7e11:9a44c0de:51e77a01",
        "/ready?box=attic",
    ):
        assert browser.get(path).status == 404, path
    assert browser.get("/cases").text.count("orchard") == 0


def token(stage: Stage, **words: object) -> dict[str, str]:
    made = {
        "name": "panel",
        "hash": fingerprint("tok"),
        "role": Role.LOOK,
        "made_at": stage.clock.now(),
    }
    with stage.store.transaction() as tx:
        tx.save_token(ProgramToken(**(made | words)))  # type: ignore[arg-type] # words of a test
    return {"authorization": "Bearer tok"}


def test_a_token_lets_a_program_in_until_it_ends() -> None:
    stage = stage_at(WORSE)
    headers = token(stage, ends_at=stage.clock.now() + timedelta(hours=1))
    browser = Browser(stage.site)
    assert browser.get("/api/boxes", headers=headers).status == 200
    stage.clock.pass_by(timedelta(hours=1))
    assert browser.get("/api/boxes", headers=headers).status == 401


def test_a_token_sees_its_boxes_and_does_what_its_role_lets_it() -> None:
    stage = stage_at(WORSE)
    headers = token(stage, boxes=(BoxId("elsewhere"),))
    browser = Browser(stage.site)
    assert browser.get("/api/boxes", headers=headers).text == "[]"
    assert browser.get("/api/pools?box=attic", headers=headers).status == 404
    assert "attic" not in browser.get("/metrics", headers=headers).text
    asked = browser.ask(
        "POST",
        "/api/cases/3/take",
        body=b"{}",
        headers=headers | {"content-type": "application/json"},
    )
    assert asked.status == 403


def test_a_token_in_the_address_is_for_the_calendar_only() -> None:
    stage = stage_at(WORSE)
    token(stage)
    browser = Browser(stage.site)
    assert browser.get("/calendar.ics?key=tok").status == 200
    assert browser.get("/api/boxes?key=tok").status == 401
    assert browser.get("/metrics?key=tok").status == 401


def test_guessing_tokens_is_slowed_down() -> None:
    stage = stage_at(WORSE)
    browser = Browser(stage.site)
    found = [
        browser.get("/api/boxes", headers={"authorization": f"Bearer {n}"}).status
        for n in range(40)
    ]
    assert found[0] == 401
    assert found[-1] == 429


def test_strangers_with_wrong_tokens_keep_nobody_elses_programs_out() -> None:
    """A token cannot be guessed: wrong ones count against the address they come from only."""
    stage = stage_at(WORSE)
    headers = token(stage)
    browser = Browser(stage.site)
    strange = {"authorization": "Bearer wrong", "x-forwarded-for": "192.0.2.66"}
    found = [browser.get("/api/boxes", headers=strange).status for _ in range(40)]
    assert found[-1] == 429
    assert browser.get("/api/boxes", headers=headers).status == 200


def test_a_session_is_no_token_and_a_token_no_session() -> None:
    stage = stage_at(WORSE)
    browser = signed_in(stage)
    assert browser.get("/api/boxes").status == 401
    headers = token(stage)
    assert Browser(stage.site).get("/", headers=headers).status == 303
