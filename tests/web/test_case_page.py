"""A case from the message to the answer: by signed link and signed in."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest

from tests.web.browser import Browser, Page
from tests.web.stage import COMPARED, OVER, PUBLIC, WORSE, Stage, stage_at
from watcher.cases.state import Case
from watcher.facts.identity import BoxId
from watcher.service.links import LINK_LIVES, link_address, new_link
from watcher.store.signing import SigningKey


def case_of(stage: Stage, number: int) -> Case:
    with stage.store.snapshot() as tx:
        found = tx.load_book(stage.site.box).case(number)
    assert found is not None
    return found


def everything(stage: Stage) -> list[tuple[object, ...]]:
    """Give all that is stored, but for keys that sign and what the history of reads holds."""
    with stage.store.snapshot() as tx:
        tables = [
            r["name"] for r in tx.db.rows("SELECT name FROM sqlite_master WHERE type='table'")
        ]
        return [(t, *row) for t in tables for row in tx.db.rows(f"SELECT * FROM {t}")]  # noqa: S608


def link_of(stage: Stage, *, person: str = "ada", case: int | None = None) -> str:
    number = stage.case_number() if case is None else case
    with stage.store.transaction() as tx:
        key: SigningKey = tx.key_to_sign(stage.clock.now(), b"n" * 32)
    return link_address("", new_link(person, stage.site.box, number, stage.clock.now()), key)


def open_link(stage: Stage) -> tuple[Browser, Page]:
    browser = Browser(stage.site)
    page = browser.get(link_of(stage))
    assert page.status == 200, page.text
    return browser, page


def test_a_case_says_how_its_pool_stands_now_and_not_how_it_stood_when_a_drive_last_spoke() -> None:
    stage = stage_at(COMPARED)
    text = Browser(stage.site).get(stage.links()[-1]).text
    assert "Can lose 1 more drive" in text
    seen = text.partition('id="seen"')[2].partition("What happened")[0]
    assert "signs add up" in seen
    assert "which can lose" not in seen


def test_the_link_in_a_message_opens_its_case() -> None:
    stage = stage_at(WORSE)
    page = Browser(stage.site).get(stage.links()[-1])
    assert page.status == 200
    for words in ("Next", "Can lose", "Take it", "bay 5"):
        assert words in page.text
    assert "Sign out" not in page.text
    assert page.header("set-cookie") == ""


def test_opening_a_link_twice_as_a_preview_does_changes_nothing_at_all() -> None:
    stage = stage_at(WORSE)
    link = stage.links()[-1]
    browser = Browser(stage.site)
    before = everything(stage)
    for method in ("GET", "HEAD", "GET"):
        assert browser.ask(method, link, headers={"user-agent": "link-preview"}).status == 200
    for ending in ("/quiet", "/work"):
        assert browser.get(link + ending).status == 200
    assert everything(stage) == before


def test_one_tap_and_a_button_take_the_case_under_the_person_s_name() -> None:
    stage = stage_at(WORSE)
    browser, page = open_link(stage)
    after = browser.follow(browser.send(page.form("/take"), note="on my way"))
    assert "It is yours until then" in after.text
    answer = case_of(stage, stage.case_number()).answer
    assert answer is not None
    assert (answer.by, answer.note) == ("ada", "on my way")
    with stage.store.snapshot() as tx:
        (line,) = [one for one in tx.audit() if one.what == "took-case"]
    assert line.who == "ada (by link)"


def test_who_opens_the_address_again_later_is_not_told_that_the_case_is_theirs() -> None:
    """A phone loads its open pages anew the next day, when the answer may be over."""
    stage = stage_at(WORSE)
    browser, page = open_link(stage)
    sent = browser.send(page.form("/take"))
    words = "It is yours until then"
    assert words in browser.follow(sent).text
    stage.clock.pass_by(timedelta(minutes=10))
    assert words not in browser.follow(sent).text
    for forged in ("", "&at=", "&at=x", "&at=1", "&at=\u0661"):
        assert words not in browser.get(f"{page.forms[0].action[:-5]}?done=taken{forged}").text


def test_the_same_form_sent_again_does_nothing_a_second_time() -> None:
    stage = stage_at(WORSE)
    browser, page = open_link(stage)
    form = page.form("/take")
    browser.send(form)
    before = case_of(stage, stage.case_number())
    stage.clock.pass_by(timedelta(minutes=5))
    again = browser.send(form, note="again")
    assert again.status == 409
    assert "nothing was done a second time" in again.text
    assert case_of(stage, stage.case_number()) == before


def test_a_form_that_was_refused_can_be_put_right_and_sent_again_as_it_lay_open() -> None:
    """A phone's browser goes back to the page it kept, with the same form on it."""
    stage = stage_at(WORSE)
    browser, page = open_link(stage)
    form = page.form("/take")
    refused = browser.send(form, until_other="2020-01-01T08:00")
    assert refused.status == 422
    taken = browser.follow(browser.send(form))
    assert "It is yours until then" in taken.text
    assert browser.send(form).status == 409


def test_a_link_that_has_ended_says_so_and_does_nothing() -> None:
    stage = stage_at(WORSE)
    browser, page = open_link(stage)
    stage.clock.pass_by(LINK_LIVES + timedelta(hours=1))
    assert browser.get(page.form("/take").action.removesuffix("/take")).status == 410
    before = case_of(stage, stage.case_number())
    assert browser.send(page.form("/take")).status == 410
    assert case_of(stage, stage.case_number()) == before


def test_a_link_that_was_tampered_with_opens_nothing() -> None:
    stage = stage_at(WORSE)
    link = link_of(stage)
    number = stage.case_number()
    other = link.replace(f".c{number}.", f".c{number + 1}.")
    assert other != link
    browser = Browser(stage.site)
    for wrong in (
        other,
        link[:-1] + ("a" if link[-1] != "a" else "b"),
        link[:-5],
        link + "a",
        "/a/x",
    ):
        assert browser.get(wrong).status == 404, wrong
        assert browser.post(f"{wrong}/take", {"ticket": "x"}).status == 404


def test_a_form_of_one_link_cannot_be_sent_with_another() -> None:
    stage = stage_at(WORSE)
    browser, page = open_link(stage)
    stage.clock.pass_by(timedelta(hours=2))
    other = link_of(stage)
    assert other != page.form("/take").action.removesuffix("/take")
    assert browser.post(f"{other}/take", page.form("/take").fields).status == 403


def test_a_link_of_somebody_who_is_told_no_more_opens_nothing() -> None:
    stage = stage_at(WORSE)
    assert Browser(stage.site).get(link_of(stage, person="mallory")).status == 404


def test_a_link_opens_its_case_only_and_no_other_page() -> None:
    stage = stage_at(WORSE)
    browser, _ = open_link(stage)
    for path in ("/", "/cases", f"/case/{stage.case_number()}", "/manage"):
        assert browser.get(path).status == 303


def test_a_link_to_a_box_that_is_not_there_finds_no_case() -> None:
    stage = stage_at(WORSE)
    with stage.store.snapshot() as tx:
        (key, *_) = tx.signing_keys(stage.clock.now())
    link = link_address("", new_link("ada", BoxId("elsewhere"), 1, stage.clock.now()), key)
    assert Browser(stage.site).get(link).status == 404


def test_the_link_to_the_list_leads_to_each_case_with_the_same_end() -> None:
    stage = stage_at(WORSE)
    browser = Browser(stage.site)
    page = browser.get(link_of(stage, case=0))
    assert page.status == 200
    found = [part.partition('"')[0] for part in page.text.split('href="')[1:]]
    (case_link,) = [link for link in found if link.startswith("/a/")]
    assert browser.get(case_link).status == 200
    assert browser.post(f"{link_of(stage, case=0)}/take", {}).status == 403


def test_the_case_is_taken_signed_in_as_well_until_a_time_one_writes() -> None:
    stage = stage_at(WORSE)
    browser = Browser(stage.site)
    browser.sign_in("ada")
    number = stage.case_number()
    form = browser.get(f"/case/{number}").form("/take")
    until = stage.clock.now() + timedelta(days=2)
    browser.follow(browser.send(form, until_other=f"{until:%Y-%m-%dT%H:%M}"))
    answer = case_of(stage, number).answer
    assert answer is not None
    assert abs(answer.until - until) <= timedelta(minutes=1)


@pytest.mark.parametrize(
    "until",
    [
        "",
        "yesterday",
        "2020-01-01T00:00:00+00:00",
        "9999-12-31T23:59:59-23:59",
        "2999-01-01T00:00:00+00:00",
    ],
)
def test_a_time_that_is_none_or_too_far_takes_nothing(until: str) -> None:
    stage = stage_at(WORSE)
    browser, page = open_link(stage)
    before = case_of(stage, stage.case_number())
    assert browser.send(page.form("/take"), until=until).status == 422
    assert case_of(stage, stage.case_number()) == before


def test_somebody_who_may_only_look_has_no_buttons_and_cannot_press_them() -> None:
    stage = stage_at(WORSE)
    browser = Browser(stage.site)
    browser.sign_in("lou")
    page = browser.get(f"/case/{stage.case_number()}")
    assert page.status == 200
    assert "Take it" not in page.text
    assert browser.post(f"/case/{stage.case_number()}/take", {"ticket": "x"}).status == 403


def test_a_case_can_be_handed_over_to_somebody_who_is_told_of_cases_only() -> None:
    stage = stage_at(WORSE)
    browser = Browser(stage.site)
    browser.sign_in("ada")
    number = stage.case_number()
    form = browser.get(f"/case/{number}").form("/take")
    form.fields.pop("until")
    form.action = f"/case/{number}/hand-over"
    assert browser.send(form, to="mallory").status == 422


def test_what_the_page_says_of_the_window_are_clock_times() -> None:
    stage = stage_at(COMPARED)
    browser = Browser(stage.site)
    browser.sign_in("ada")
    text = browser.get(f"/case/{stage.case_number()}").text
    assert "Full margin proven back" in text
    assert "Chance of losing data until then" in text
    assert text.count("<time datetime=") > 4


def test_a_case_that_is_over_has_no_buttons() -> None:
    stage = stage_at(OVER)
    with stage.store.snapshot() as tx:
        closed = next(c for c in tx.list_cases(stage.site.box) if not c.is_open)
    browser = Browser(stage.site)
    browser.sign_in("ada")
    page = browser.get(f"/case/{closed.number}")
    assert page.status == 200
    assert "Over" in page.text
    assert "Take it" not in page.text
    assert f'<p class="what">It was: {closed.weightiest.sentence}' in page.text
    assert '<h2 id="next">' not in page.text


def test_from_a_case_one_step_leads_to_the_way_back_of_its_pool() -> None:
    stage = stage_at(COMPARED)
    browser = Browser(stage.site)
    browser.sign_in("ada")
    text = browser.get(f"/case/{stage.case_number()}").text
    path = re.search(r'<a href="(/recovery[^"]+)">The way back, step by step', text)
    assert path is not None
    assert browser.get(path.group(1).replace("&amp;", "&")).status == 200
    assert "/recovery" not in Browser(stage.site).get(stage.links()[-1]).text, (
        "a link opens one page"
    )


def test_for_print_stands_a_qr_code_of_the_plain_address_which_lets_nobody_in() -> None:
    stage = stage_at(WORSE)
    _, page = open_link(stage)
    assert f"{PUBLIC}/case/{stage.case_number()}" in page.text
    assert 'class="qr"' in page.text


def test_the_list_has_what_is_open_and_on_asking_what_is_over() -> None:
    stage = stage_at(OVER)
    browser = Browser(stage.site)
    browser.sign_in("lou")
    assert "<h2>Over</h2>" not in browser.get("/cases").text
    assert "<h2>Over</h2>" in browser.get("/cases?all=yes").text


def test_there_is_no_case_of_another_number() -> None:
    stage = stage_at(WORSE)
    browser = Browser(stage.site)
    browser.sign_in("ada")
    for path in ("/case/999", "/case/99999999999999999999", "/case/1?box=elsewhere"):
        assert browser.get(path).status == 404


def test_what_is_to_be_done_is_said_once_however_many_signs_ask_for_it() -> None:
    stage = stage_at(COMPARED)
    browser, page = open_link(stage)
    del browser
    steps = re.findall(r"<p>Then: ([^<]+)</p>", page.text)
    assert steps
    assert len(steps) == len(set(steps))
