"""The calendar, read by another program (icalendar) and held to RFC 5545 line by line."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.store.made import NOW
from tests.web.browser import Browser
from tests.web.stage import REBUILDING, stage_at
from watcher.facts.identity import BoxId
from watcher.store.accounts import ProgramToken, Role
from watcher.web.calendar import LONGEST_LINE, escape, fold, stamp, write
from watcher.web.due import Due
from watcher.web.one_time import fingerprint

icalendar = pytest.importorskip("icalendar", reason="needs icalendar from the test extra")

DUE = Due(
    key="scrub-1",
    kind="scrub",
    at=NOW,
    what="Scrub media; soon, please",
    more="Every 35 days\nor so",
)


def text_of(*found: Due) -> str:
    lines = write([(BoxId("attic"), one) for one in found], NOW, "https://watch.example")
    return "".join(f"{line}\r\n" for line in lines)


def test_another_program_reads_what_was_written() -> None:
    made = icalendar.Calendar.from_ical(text_of(DUE))
    (event,) = made.walk("VEVENT")
    assert str(event["summary"]) == "attic: Scrub media; soon, please"
    assert str(event["description"]) == "Every 35 days\nor so"
    assert event["dtstart"].dt == NOW.replace(microsecond=0)
    assert event["dtend"].dt > event["dtstart"].dt
    assert str(made["version"]) == "2.0"


def test_what_lasts_ends_when_it_ends() -> None:
    made = icalendar.Calendar.from_ical(
        text_of(Due(key="w", kind="planned-work", at=NOW, ends=NOW + timedelta(hours=3), what="w"))
    )
    (event,) = made.walk("VEVENT")
    assert event["dtend"].dt - event["dtstart"].dt == timedelta(hours=3)


def test_what_comes_again_stands_on_each_of_its_dates_under_names_that_stay() -> None:
    week = timedelta(weeks=1)
    work = Due(
        key="work-3",
        kind="planned-work",
        at=NOW,
        ends=NOW + timedelta(hours=2),
        what="w",
        series="works-1",
        again=(NOW + week, NOW + 2 * week),
    )
    later = replace(
        work, key="work-4", at=work.again[0], ends=work.again[0] + timedelta(hours=2), again=()
    )
    events = icalendar.Calendar.from_ical(text_of(work)).walk("VEVENT")
    moments = [at.replace(microsecond=0) for at in (NOW, *work.again)]
    assert [event["dtstart"].dt for event in events] == moments
    assert {event["dtend"].dt - event["dtstart"].dt for event in events} == {timedelta(hours=2)}
    uids = [str(event["uid"]) for event in events]
    assert len(set(uids)) == 3
    (next_one,) = icalendar.Calendar.from_ical(text_of(later)).walk("VEVENT")
    assert str(next_one["uid"]) == uids[1]


@given(what=st.text(max_size=300), more=st.text(max_size=300))
def test_any_words_come_through_and_no_line_is_too_long(what: str, more: str) -> None:
    clean = [t.encode("utf-8", "replace").decode() for t in (what, more)]
    text = text_of(Due(key="k", kind="scrub", at=NOW, what=clean[0], more=clean[1]))
    for line in text.split("\r\n"):
        assert len(line.encode()) <= LONGEST_LINE
        assert "\n" not in line
    (event,) = icalendar.Calendar.from_ical(text).walk("VEVENT")
    said = "".join(c for c in clean[0].replace("\r\n", "\n") if c == "\n" or c.isprintable())
    assert str(event["summary"]) == f"attic: {said}"


def test_texts_are_escaped_as_section_3_3_11_says() -> None:
    assert escape("a;b,c\\d\ne") == "a\\;b\\,c\\\\d\\ne"


def test_a_long_line_is_folded_within_no_character() -> None:
    """Section 3.1: a line break and one blank, at 75 octets at most."""
    line = "SUMMARY:" + "ü" * 100
    parts = list(fold(line))
    assert all(len(part.encode()) <= 75 for part in parts)
    assert all(part.startswith(" ") for part in parts[1:])
    assert parts[0] + "".join(part[1:] for part in parts[1:]) == line


def test_moments_are_in_utc() -> None:
    assert stamp(NOW) == "20260301T060000Z"


def test_the_feed_of_the_story_can_be_followed() -> None:
    stage = stage_at(REBUILDING)
    with stage.store.transaction() as tx:
        tx.save_token(
            ProgramToken(
                name="p", hash=fingerprint("tok"), role=Role.LOOK, made_at=stage.clock.now()
            )
        )
    page = Browser(stage.site).get("/calendar.ics?key=tok")
    assert page.header("content-type") == "text/calendar; charset=utf-8"
    events = icalendar.Calendar.from_ical(page.body).walk("VEVENT")
    said = [str(event["summary"]) for event in events]
    assert any("Planned work on orchard" in one for one in said)
    assert any("full margin back" in one for one in said)
    uids = [str(event["uid"]) for event in events]
    assert len(set(uids)) == len(uids)
    assert all(re.fullmatch(r"[A-Z-]+", str(e["categories"].cats[0])) for e in events)
