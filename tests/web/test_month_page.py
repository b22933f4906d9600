"""A client's month as a page and as one file to print."""

from __future__ import annotations

from datetime import datetime, timedelta
from functools import cache

import pytest

from tests.web.browser import Browser
from tests.web.hub_stage import HubStage, hub_stage
from watcher.facts.pool import Protection
from watcher.hub.protection_time import Month, Spell, month_named
from watcher.web.ask import Ask
from watcher.web.month_page import STATES, as_file, draw_spells, gather

ADDRESS = "/month?client=Orchard+Press&month=2026-03"


@cache
def shared() -> HubStage:
    return hub_stage()


def signed_in(name: str = "sam") -> Browser:
    browser = Browser(shared().site)
    browser.sign_in(name)
    return browser


def test_the_page_tells_protection_incidents_work_what_was_not_seen_and_readiness() -> None:
    text = signed_in().get(ADDRESS).text
    for words in (
        "March 2026, so far",
        "some margin lost",
        "not known",
        "lost some of its protection",
        "What was done",
        "was not watched for",
        "(it joined 15 Mar 2026 08:40)",
        "with 1 case, which is still open",
        "How prepared it is",
        "Redundancy is no backup",
    ):
        assert words in text, words
    assert "midwatch " not in text.partition("<main")[2].partition("</main")[0]


def test_a_box_that_was_given_back_is_said_so_with_its_day_and_has_nothing_to_do() -> None:
    text = signed_in().get(ADDRESS).text
    _, _, old = text.partition(">old ")
    assert "It was given back to its owner on 15 Mar 2026 09:00." in old
    assert "How prepared it is" not in old


def test_only_months_in_which_the_client_had_a_box_are_offered() -> None:
    text = signed_in().get(ADDRESS).text
    assert ">2026-03</a>" in text
    assert ">2026-02</a>" not in text


def test_a_client_reads_its_own_month_and_no_other() -> None:
    browser = signed_in("orchard")
    assert browser.get(ADDRESS).status == 200
    assert "barn" in browser.get("/month?month=2026-03").text
    assert browser.get("/month?client=Harbour+Print+Room&month=2026-03").status == 404
    assert "barn" not in signed_in("ann").get("/month?month=2026-03").text


@pytest.mark.parametrize(
    "query", ["client=Nobody", "month=2026-03", "client=Orchard+Press&month=2030-01"]
)
def test_a_month_or_a_client_that_is_none_is_not_found(query: str) -> None:
    assert signed_in().get(f"/month?{query}").status == 404


def test_the_file_needs_nothing_from_anywhere() -> None:
    now = shared().clock.now()
    site = shared().site
    ask = Ask(method="GET", path="", now=now)
    month = month_named("2026-03", now, site.terms.zone)
    assert month is not None
    with site.store.snapshot() as tx:
        report = gather(site, tx, "Orchard Press", month, ask)
    text = as_file(site, ask, report).decode()
    assert "<style>:root" in text
    assert "link rel" not in text
    assert "/static" not in text
    assert "<nav" not in text
    assert "barn" in text


def _month(now: datetime) -> Month:
    return Month(year=2026, month=3, since=now, until=now + timedelta(days=10), over=True)


def test_the_bar_is_as_high_as_the_margin_and_says_the_shares_to_who_cannot_see_it() -> None:
    now = shared().clock.now()
    day = timedelta(days=1)
    found = [
        Spell(since=now + n * day, until=now + (n + 2) * day, protection=state)
        for n, (state, _) in zip(range(0, 10, 2), STATES, strict=True)
    ]
    drawn = draw_spells(found, _month(now))
    assert 'height="24"' in drawn
    assert 'height="13"' in drawn
    assert 'height="4"' in drawn
    assert 'class="unseen"' in drawn
    assert 'class="stroke"' in drawn
    assert drawn.count("20.0%") == 5


def test_every_state_of_a_pool_has_its_words() -> None:
    assert {state for state, _ in STATES} == set(Protection)
