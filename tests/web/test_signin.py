"""Signing in, with a code of the phone too, and out; changing a password."""

from __future__ import annotations

import base64
from dataclasses import replace
from datetime import timedelta

import pytest

from tests.web.browser import Browser
from tests.web.stage import PASSWORD, WORSE, Stage, stage_at
from watcher.web.holders import RENEW_AFTER
from watcher.web.one_time import code_at, step_at
from watcher.web.tries import MOST_FOR_A_NAME, SPAN
from watcher.web.words import local_path

SECRET = b"12345678901234567890"


def with_codes(stage: Stage) -> Stage:
    with stage.store.transaction() as tx:
        ada = tx.account("ada")
        assert ada is not None
        tx.save_account(replace(ada, code_key=base64.b32encode(SECRET).decode()))
    return stage


def test_name_and_password_let_in_and_nothing_else_does() -> None:
    stage = stage_at(WORSE)
    for name, password in (("ada", "wrong"), ("nobody", PASSWORD), ("", ""), ("ADA", PASSWORD)):
        browser = Browser(stage.site)
        assert browser.sign_in(name, password).status == 403
        assert browser.get("/").status == 303
    browser = Browser(stage.site)
    assert browser.sign_in("ada").status == 303
    assert browser.get("/").status == 200
    with stage.store.snapshot() as tx:
        said = [(line.who, line.what) for line in tx.audit()]
    assert said[0] == ("ada", "signed-in")
    assert {what for _, what in said[1:]} == {"sign-in-refused"}


def test_a_wrong_name_and_a_wrong_password_are_told_in_the_same_words() -> None:
    stage = stage_at(WORSE)
    one = Browser(stage.site).sign_in("ada", "wrong")
    other = Browser(stage.site).sign_in("nobody", "wrong")
    assert "not right" in one.text
    assert [line for line in one.text.splitlines() if "ticket" not in line] == [
        line for line in other.text.splitlines() if "ticket" not in line
    ]


def test_a_password_typed_where_the_name_belongs_is_written_down_nowhere() -> None:
    stage = stage_at(WORSE)
    Browser(stage.site).sign_in(PASSWORD, "x")
    Browser(stage.site).sign_in("ada", "x")
    with stage.store.snapshot() as tx:
        assert [line.who for line in tx.audit()] == ["ada", "an unknown name"]


def test_where_codes_are_asked_for_the_password_alone_does_not_let_in() -> None:
    stage = with_codes(stage_at(WORSE))
    code = code_at(SECRET, step_at(stage.clock.now()))
    browser = Browser(stage.site)
    assert browser.sign_in("ada").status == 403
    form = browser.get("/sign-in").form("/sign-in")
    assert browser.send(form, name="ada", password=PASSWORD, code=code).status == 303


def test_a_code_is_good_once() -> None:
    stage = with_codes(stage_at(WORSE))
    code = code_at(SECRET, step_at(stage.clock.now()))
    for wanted in (303, 403):
        browser = Browser(stage.site)
        form = browser.get("/sign-in").form("/sign-in")
        assert browser.send(form, name="ada", password=PASSWORD, code=code).status == wanted


def test_after_too_many_wrong_tries_even_the_right_one_must_wait() -> None:
    stage = stage_at(WORSE)
    for _ in range(MOST_FOR_A_NAME):
        Browser(stage.site).sign_in("ada", "wrong")
    page = Browser(stage.site).sign_in("ada")
    assert page.status == 429
    assert 0 < int(page.header("retry-after")) <= SPAN.total_seconds()
    assert Browser(stage.site).sign_in("max").status == 303
    stage.clock.pass_by(SPAN)
    assert Browser(stage.site).sign_in("ada").status == 303


@pytest.mark.parametrize(
    ("given", "gone_to"),
    [
        ("/case/3?box=a", "/case/3?box=a"),
        ("//evil.example", "/"),
        ("/\\evil.example", "/"),
        ("https://evil.example", "/"),
        ("/a\r\nset-cookie: x=y", "/"),
        ("/x" * 300, "/"),
        ("", "/"),
        ("/\u0142", "/"),  # no letter of a header
    ],
)
def test_after_signing_in_one_goes_to_a_page_of_ours_only(given: str, gone_to: str) -> None:
    assert local_path(given) == gone_to


def test_the_cookie_is_for_this_host_over_tls_and_not_for_scripts() -> None:
    browser = Browser(stage_at(WORSE).site)
    cookie = browser.sign_in("ada").header("set-cookie")
    assert cookie.startswith("__Host-midwatch=")
    for word in ("Path=/", "HttpOnly", "SameSite=Lax", "Secure"):
        assert word in cookie
    plain = Browser(stage_at(WORSE, public="").site, host="localhost")
    cookie = plain.sign_in("ada").header("set-cookie")
    assert cookie.startswith("midwatch=")
    assert "Secure" not in cookie


def test_what_the_cookie_holds_is_not_in_the_store() -> None:
    stage = stage_at(WORSE)
    browser = Browser(stage.site)
    browser.sign_in("ada")
    (value,) = browser.cookies.values()
    with stage.store.snapshot() as tx:
        (session,) = tx.sessions_of("ada")
    assert value not in repr(session)


def test_signing_out_ends_the_session_on_our_side_too() -> None:
    stage = stage_at(WORSE)
    browser = Browser(stage.site)
    browser.sign_in("ada")
    kept = dict(browser.cookies)
    browser.send(browser.get("/me").form("/sign-out"))
    assert browser.cookies == {}
    browser.cookies = kept
    assert browser.get("/").status == 303


def test_a_session_that_gets_a_new_name_with_the_form_is_the_one_that_ends_or_stays() -> None:
    """A page lay open for so long that the form itself brings the session its new name."""
    stage = stage_at(WORSE)
    browser = Browser(stage.site)
    Browser(stage.site).sign_in("ada")
    browser.sign_in("ada")
    form = browser.get("/me").form("/me/end-others")
    stage.clock.pass_by(RENEW_AFTER + timedelta(minutes=1))
    assert browser.send(form).status == 303
    assert browser.get("/").status == 200, "this session stays"
    form, kept = browser.get("/me").form("/sign-out"), dict(browser.cookies)
    stage.clock.pass_by(RENEW_AFTER + timedelta(minutes=1))
    browser.send(form)
    browser.cookies = kept
    assert browser.get("/").status == 303
    with stage.store.snapshot() as tx:
        assert tx.sessions_of("ada") == ()


def test_another_password_ends_every_other_session() -> None:
    stage = stage_at(WORSE)
    here, there = Browser(stage.site), Browser(stage.site)
    here.sign_in("ada")
    there.sign_in("ada")
    form = here.get("/me").form("/me/password")
    assert here.send(form, old="wrong", new="four other words now").status == 403
    form = here.get("/me").form("/me/password")
    assert here.send(form, old=PASSWORD, new="short").status == 422
    form = here.get("/me").form("/me/password")
    assert here.send(form, old=PASSWORD, new="four other words now").status == 303
    assert here.get("/me").status == 200
    assert there.get("/").status == 303
    assert Browser(stage.site).sign_in("ada").status == 403
    assert Browser(stage.site).sign_in("ada", "four other words now").status == 303


def test_the_other_sessions_can_be_ended_without_this_one() -> None:
    stage = stage_at(WORSE)
    here, there = Browser(stage.site), Browser(stage.site)
    here.sign_in("ada")
    stage.clock.pass_by(timedelta(minutes=1))
    there.sign_in("ada")
    here.send(here.get("/me").form("/me/end-others"))
    assert here.get("/").status == 200
    assert there.get("/").status == 303


def test_who_has_no_account_yet_is_told_how_to_make_one() -> None:
    stage = stage_at(WORSE)
    with stage.store.transaction() as tx:
        for account in tx.accounts():
            tx.remove_account(account.name)
    assert "midwatch account add" in Browser(stage.site).get("/sign-in").text
