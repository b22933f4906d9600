"""Silence and planned work: shown before, and done only by the button below."""

from __future__ import annotations

from urllib.parse import urlencode

import pytest

from tests.web.browser import Browser, Form, Page
from tests.web.stage import COMPARED, Stage, stage_at
from watcher.cases.state import Book, ExpectKind, ScopeKind
from watcher.demo.story import LOST, ORCHARD


def book_of(stage: Stage) -> Book:
    with stage.store.snapshot() as tx:
        return tx.load_book(stage.site.box)


def signed_in(stage: Stage, name: str = "ada") -> Browser:
    browser = Browser(stage.site)
    browser.sign_in(name)
    return browser


def asked(browser: Browser, path: str, **filled: str) -> Page:
    form = next(f for f in browser.get(path).forms if f.method == "get")
    return browser.get(f"{form.action}?{urlencode(form.fields | filled)}")


def button(page: Page) -> Form:
    (form,) = [f for f in page.forms if f.method == "post"]
    return form


def test_looking_at_what_a_silence_would_do_does_not_do_it() -> None:
    stage = stage_at(COMPARED)
    browser = signed_in(stage)
    before = book_of(stage)
    page = asked(browser, "/silence", scope=f"pool {ORCHARD}", reason="known")
    assert "What this would do" in page.text
    assert book_of(stage) == before


def test_the_preview_names_what_would_sound_and_what_would_not() -> None:
    stage = stage_at(COMPARED)
    text = asked(signed_in(stage), "/silence", scope=f"pool {ORCHARD}").text
    sounding, _, silent = text.partition("Silent</h3>")
    assert "The pool orchard lost some of its protection" in silent
    assert "if bay 7 or bay 8 is lost: cellar would be bare" in sounding
    assert "bay 4 or bay 6 is lost: orchard would be bare" in silent


def test_a_time_of_one_s_own_stands_in_the_form_as_well_as_on_the_button() -> None:
    """Asked for the preview a second time, the form must not fall back to another time."""
    browser = signed_in(stage_at(COMPARED))
    page = asked(browser, "/silence", scope=f"pool {ORCHARD}", until_other="2026-03-16T08:00")
    form = next(f for f in page.forms if f.method == "get")
    assert form.fields["until_other"] == "2026-03-16T08:00"
    assert "<details open>" in page.text
    assert "Keep it quiet until 08:00 tomorrow" in page.text


def test_the_button_below_keeps_it_quiet_and_it_can_be_ended() -> None:
    stage = stage_at(COMPARED)
    browser = signed_in(stage)
    page = asked(browser, "/silence", scope=f"pool {ORCHARD}", reason="known")
    assert browser.send(button(page)).status == 303
    (made,) = book_of(stage).silences
    assert (made.scope, made.key, made.by, made.reason) == (ScopeKind.POOL, ORCHARD, "ada", "known")
    shown = browser.get("/quiet")
    assert "The pool orchard" in shown.text
    assert browser.send(shown.form("/quiet/end")).status == 303
    assert book_of(stage).silences == ()
    assert browser.send(browser.get("/me").form("/sign-out")).status == 303


def test_a_silence_needs_a_reason_and_something_that_is_there() -> None:
    stage = stage_at(COMPARED)
    browser = signed_in(stage)
    form = button(asked(browser, "/silence", scope=f"pool {ORCHARD}"))
    assert browser.send(form, reason="").status == 422
    form = button(asked(browser, "/silence", scope=f"pool {ORCHARD}"))
    assert browser.send(form, reason="x", scope="pool nowhere").status == 422
    assert book_of(stage).silences == ()


def test_from_a_case_only_what_it_is_about_can_be_kept_quiet() -> None:
    stage = stage_at(COMPARED)
    browser = signed_in(stage)
    number = stage.case_number()
    text = browser.get(f"/case/{number}/quiet").text
    assert "the pool orchard" in text
    assert "the pool cellar" not in text
    form = button(asked(browser, f"/case/{number}/quiet"))
    assert browser.send(form, reason="x", scope=f"box {stage.site.box}").status == 422


def test_with_a_link_too() -> None:
    stage = stage_at(COMPARED)
    browser = Browser(stage.site)
    link = stage.links()[-1]
    page = asked(browser, f"{link}/quiet", reason="known")
    done = browser.follow(browser.send(button(page)))
    assert "Quiet from now on" in done.text
    assert len(book_of(stage).silences) == 1


def test_planned_work_is_shown_before_and_covers_what_was_announced_only() -> None:
    stage = stage_at(COMPARED)
    browser = signed_in(stage)
    path = f"/case/{stage.case_number()}/work"
    page = asked(browser, path, **{f"expect replace {LOST}": "yes"})
    sounding, _, silent = page.text.partition("Silent</h3>")
    assert "bay 4 or bay 6 is lost: orchard would be bare" in sounding
    assert "The pool orchard lost some of its protection" in silent
    assert book_of(stage).works == ()
    assert browser.send(button(page)).status == 303
    (work,) = book_of(stage).works
    (expected,) = work.expects
    assert (work.pool, work.by, expected.kind, expected.drive) == (
        ORCHARD,
        "ada",
        ExpectKind.REPLACE,
        LOST,
    )
    shown = browser.get("/quiet")
    assert "replace bay 5" in shown.text
    assert browser.send(shown.form("/end-work")).status == 303
    assert all(one.over for one in book_of(stage).works)


def test_work_can_be_planned_ahead_and_come_again() -> None:
    """By the time of day of who plans it; another rhythm than those of the form is refused."""
    stage = stage_at(COMPARED)
    browser = signed_in(stage)
    ahead = {
        "begins": "2031-01-11T22:00",
        "hours": "1",
        "repeat": "weekly",
        "expect box-off": "yes",
    }
    page = asked(browser, "/work", **ahead)
    assert "and again every week" in page.text
    assert browser.send(button(page), repeat="hourly").status == 422
    assert browser.send(button(asked(browser, "/work", **ahead))).status == 303
    (work,) = book_of(stage).works
    assert (work.repeat, f"{work.begins:%a %H:%M}", work.zone) == (
        "FREQ=WEEKLY",
        "Sat 22:00",
        "UTC",
    )
    assert "It comes again every week." in browser.get("/quiet").text


def test_work_without_anything_announced_or_with_a_strange_drive_is_refused() -> None:
    stage = stage_at(COMPARED)
    browser = signed_in(stage)
    path = f"/case/{stage.case_number()}/work"
    assert "Say what the work will cause" in asked(browser, path).text
    assert asked(browser, path, **{"expect replace nowhere": "yes"}).status == 200
    assert "no drive of that name" in asked(browser, path, **{"expect replace nowhere": "yes"}).text
    page = asked(browser, path, **{"expect degraded": "yes"})
    form = button(page)
    assert browser.send(form, hours="9999").status == 422
    assert book_of(stage).works == ()


@pytest.mark.parametrize("path", ["/silence", "/work"])
def test_who_may_only_look_cannot_keep_quiet_nor_announce(path: str) -> None:
    stage = stage_at(COMPARED)
    browser = signed_in(stage, "lou")
    assert browser.get(path).status == 403
    assert "Keep something quiet" not in browser.get("/quiet").text


@pytest.mark.parametrize("mark", ["", "x", "99", "1" * 30])
def test_there_is_no_silence_of_another_number(mark: str) -> None:
    stage = stage_at(COMPARED)
    browser = signed_in(stage)
    ticket = browser.get("/me").form("/sign-out").fields["ticket"]
    assert browser.post("/quiet/end", {"ticket": ticket, "mark": mark}).status in {404, 422}
