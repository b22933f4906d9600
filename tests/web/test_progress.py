"""What keeps a page up to date while a pool works."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta
from urllib.parse import urlencode

from tests.web.browser import Browser
from tests.web.stage import OVER, REBUILDING, stage_at
from watcher.demo.story import ORCHARD


def signed_in(scenes: int) -> Browser:
    browser = Browser(stage_at(scenes).site)
    browser.sign_in("lou")
    return browser


def test_the_script_gets_what_the_page_shows() -> None:
    browser = signed_in(REBUILDING)
    page = browser.get(f"/pool?{urlencode({'pool': ORCHARD})}").text
    address = page.partition('data-live="')[2].partition('"')[0].replace("&amp;", "&")
    answer = browser.get(address)
    said = json.loads(answer.body)
    assert answer.header("content-type") == "application/json"
    assert (said["runs"], said["says"]) == (True, "")
    for name in ("work", "seen", "earliest", "likely", "latest"):
        shown = page.partition(f'data-live-part="{name}">')[2].partition("</")[0]
        assert shown.rpartition(">")[2] == said["parts"][name]["text"]


def test_the_script_comes_with_pages_that_change_and_with_no_other() -> None:
    rebuilding, over = signed_in(REBUILDING), signed_in(OVER)
    for path in ("/pool", "/recovery"):
        where = f"{path}?{urlencode({'pool': ORCHARD})}"
        assert '<script src="/static/live.js?' in rebuilding.get(where).text
        assert "<script" not in over.get(where).text
    assert "<script" not in rebuilding.get("/").text
    assert rebuilding.get("/static/live.js").header("content-type").startswith("text/javascript")


def test_the_end_of_the_work_is_told() -> None:
    said = json.loads(signed_in(OVER).get(f"/pool/progress?{urlencode({'pool': ORCHARD})}").body)
    assert not said["runs"]
    assert "has ended" in said["says"]
    assert "work" not in said["parts"]


def test_a_page_that_lies_open_is_told_when_nobody_looks_at_the_box_any_more() -> None:
    stage = stage_at(REBUILDING)
    browser = Browser(stage.site)
    browser.sign_in("lou")
    stage.clock.pass_by(timedelta(hours=1))
    said = json.loads(browser.get(f"/pool/progress?{urlencode({'pool': ORCHARD})}").body)
    assert said["runs"]
    assert "has not been looked at since" in said["says"]


def test_of_a_pool_that_does_not_show_any_more_no_end_of_its_work_is_told() -> None:
    stage = stage_at(REBUILDING)
    browser = Browser(stage.site)
    browser.sign_in("lou")
    with stage.store.transaction() as tx:
        last = tx.last_survey(stage.site.box)
        assert last is not None
        later = stage.clock.now() + timedelta(minutes=1)
        tx.take_survey(replace(last, survey="hidden", taken_at=later, pools=()), later)
    page = browser.get(f"/pool/progress?{urlencode({'pool': ORCHARD})}")
    assert page.status == 404
    assert "ended" not in page.text


def test_who_is_not_signed_in_sees_no_progress() -> None:
    page = Browser(stage_at(REBUILDING).site).get(f"/pool/progress?{urlencode({'pool': ORCHARD})}")
    assert page.status in {303, 401, 403}
