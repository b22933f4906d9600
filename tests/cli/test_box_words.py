"""How a hub's boxes are said at a terminal."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from tests.store.made import NOW
from watcher.cli.box_words import case_words, heard, pool_words, token_words
from watcher.cli.parts import Room
from watcher.facts.finding import Urgency
from watcher.facts.identity import BoxId, PoolId
from watcher.facts.pool import Protection
from watcher.hub.enrolment import TOKEN_RENEWED
from watcher.service.settings_shape import Config
from watcher.store.database import open_memory
from watcher.store.floor import PoolStanding
from watcher.store.hub import BoxState, EnrolledBox

ROOM = Room(config=Config(), store=open_memory(now=NOW), now=NOW)
BOX = EnrolledBox(
    box=BoxId("press"),
    client="Harbour",
    state=BoxState.WATCHED,
    joined_at=NOW,
    heard_at=NOW - timedelta(minutes=5),
    every_seconds=600,
    address="",
    sender="",
    quiet_since=None,
    due_at=None,
    look_wanted=False,
)


def pool(name: str, protection: Protection) -> PoolStanding:
    return PoolStanding(
        box=BoxId("press"),
        pool=PoolId(name),
        name=name,
        protection=protection,
        margin=None,
        full_margin=None,
        last_seen=NOW,
        scrubbed_at=None,
    )


def test_a_box_is_heard_not_heard_never_heard_or_given_back() -> None:
    assert heard(BOX, ROOM) == "heard 5 min ago"
    late = replace(BOX, heard_at=NOW - timedelta(hours=2))
    assert heard(late, ROOM) == "not heard from for 2 h"
    assert heard(replace(BOX, heard_at=None), ROOM) == "not heard of yet"
    assert heard(BOX, ROOM, has_token=False) == "token taken away, heard 5 min ago"
    assert heard(replace(BOX, heard_at=None), ROOM, has_token=False) == "token taken away"
    back = replace(late, state=BoxState.RETURNED)
    assert heard(back, ROOM) == "given back to its owner"
    dated = replace(back, returned_at=NOW)
    assert heard(dated, ROOM) == f"given back to its owner {ROOM.say(NOW)}"


def test_pools_that_are_not_whole_are_named_and_what_is_not_known_is_not_whole() -> None:
    found = [pool("a", Protection.WHOLE), pool("b", Protection.UNKNOWN), pool("c", Protection.BARE)]
    assert pool_words(found) == "b unknown, c bare, 1 pool whole"
    assert pool_words(found[:1], then=True) == "then 1 pool whole"
    assert pool_words([], then=True) == "no pool known"


def test_cases_are_counted_by_urgency_and_notes_are_nothing_to_do() -> None:
    counts = {Urgency.NOTE: 4, Urgency.TODAY: 2, Urgency.NOW: 1}
    assert case_words(counts) == "1 now, 2 today"
    assert case_words({Urgency.NOTE: 1}) == "nothing to do"


def test_a_token_is_told_by_its_age_and_use() -> None:
    fresh = NOW - timedelta(hours=1)
    assert "not used yet" in token_words(((fresh, None),), ROOM)
    assert token_words(((fresh, fresh),), ROOM).startswith("made ")
    assert "a new one is asked for" in token_words(((NOW - TOKEN_RENEWED, fresh),), ROOM)
    assert "nothing is let in" in token_words((), ROOM)
