"""The text on a phone: every kind of message as a file to read, and limits that always hold."""

from __future__ import annotations

import os
import re
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from tests.notify.phone_scenes import (
    ALL,
    BARE,
    BROKEN_POOL,
    NOW,
    ORCHARD_CASE,
    OSLO,
    THINNED,
    Asked,
    case,
    finding,
    item,
)
from watcher.cases.state import NoticeKind
from watcher.facts.finding import Urgency
from watcher.facts.identity import PoolId, about_pool
from watcher.facts.pool import Protection
from watcher.notify.message_facts import CaseExtras, Message
from watcher.notify.messages import LOCK_SCREEN_CHARACTERS, LONGEST_BYTES, render

FILES = Path(__file__).parent / "phone"
WELL = re.compile(r"\b(healthy|safe|fine|ok|good|all clear)\b", re.IGNORECASE)
UNWHOLE = (Protection.THINNED, Protection.BARE, Protection.BROKEN, Protection.UNKNOWN)


def said(asked: Asked) -> Message:
    return render(
        asked.tell,
        asked.cases,
        box_name="attic",
        person_zone=OSLO,
        now=NOW,
        extras=asked.extras,
    )


@pytest.mark.parametrize("asked", ALL, ids=lambda a: a.name)
def test_each_kind_reads_as_the_file_that_was_reviewed(asked: Asked) -> None:
    """Set REWRITE_PHONE_TEXTS=1 to write the files anew; read the diff before keeping it."""
    file = FILES / f"{asked.name}.txt"
    text = said(asked).text + "\n"
    if os.environ.get("REWRITE_PHONE_TEXTS"):
        file.write_text(text, encoding="utf-8")
    assert text == file.read_text(encoding="utf-8")


def test_no_reviewed_file_is_left_over_and_every_kind_of_notice_has_one() -> None:
    assert {f.stem for f in FILES.glob("*.txt")} == {asked.name for asked in ALL}
    assert {i.kind for asked in ALL for i in asked.items} == set(NoticeKind)


def fits(message: Message) -> None:
    first = message.body.split("\n")[0]
    assert len(message.title) + len(first) <= LOCK_SCREEN_CHARACTERS
    assert "\n" not in message.title
    assert message.title
    assert first
    assert len(message.text.encode()) <= LONGEST_BYTES


@pytest.mark.parametrize("asked", ALL, ids=lambda a: a.name)
def test_each_kind_fits_the_lock_screen(asked: Asked) -> None:
    fits(said(asked))


words = st.text(min_size=1, max_size=400).filter(lambda t: bool(t.strip()))


@settings(max_examples=150, deadline=None)
@example(  # a summary in which nothing can be printed
    kind=NoticeKind.WORK_ENDED,
    urgency=Urgency.NOTE,
    texts=("0", "0", "0", "\x1b", "0"),
    protection=Protection.WHOLE,
    count=1,
)
@given(
    kind=st.sampled_from(NoticeKind),
    urgency=st.sampled_from(Urgency),
    texts=st.tuples(words, words, words, words, words),
    protection=st.sampled_from(Protection),
    count=st.integers(1, 120),
)
def test_no_content_breaks_the_limits(
    kind: NoticeKind,
    urgency: Urgency,
    texts: tuple[str, str, str, str, str],
    protection: Protection,
    count: int,
) -> None:
    label, sentence, step, about, box = texts
    found = finding("x", about_pool(PoolId("md:x")), label, urgency, sentence, step)
    numbers = range(1, count + 1)
    asked = Asked(
        name="any",
        items=tuple(item(kind, urgency, number=n, about=about) for n in numbers),
        cases={n: case(n, found.subject, label, found, opened_at=NOW) for n in numbers},
        extras={
            1: CaseExtras(
                pool_name=label,
                protection=protection,
                best_choice=about,
                proof=sentence,
                link=step,
            )
        },
    )
    message = render(
        asked.tell, asked.cases, box_name=box, person_zone=OSLO, now=NOW, extras=asked.extras
    )
    fits(message)
    assert all(line.isprintable() or line == "" for line in message.text.split("\n"))


@pytest.mark.parametrize("kind", NoticeKind)
@pytest.mark.parametrize("protection", UNWHOLE)
def test_a_pool_that_is_not_whole_is_never_called_well(
    kind: NoticeKind, protection: Protection
) -> None:
    extras = replace(BARE, protection=protection, best_choice="", link="")
    asked = Asked(
        name="any",
        items=(item(kind, Urgency.NOTE),),
        cases={7: replace(ORCHARD_CASE, closed_at=NOW)},
        extras={7: extras},
    )
    assert not WELL.search(said(asked).text)
    twice = replace(asked, items=(*asked.items, item(kind, Urgency.NOTE, number=8)))
    assert not WELL.search(said(twice).text)


@pytest.mark.parametrize("protection", UNWHOLE)
def test_the_end_of_a_case_names_a_pool_that_is_still_not_whole(protection: Protection) -> None:
    asked = Asked(
        name="any",
        items=(item(NoticeKind.ALL_CLEAR, Urgency.NOTE),),
        cases={7: replace(ORCHARD_CASE, closed_at=NOW)},
        extras={7: replace(BARE, protection=protection)},
    )
    assert said(asked).title.startswith("Case over")
    assert "orchard" in said(asked).body


def test_an_unknown_protection_of_a_pool_case_is_no_all_clear() -> None:
    asked = Asked(
        name="any",
        items=(item(NoticeKind.ALL_CLEAR, Urgency.NOTE),),
        cases={7: replace(ORCHARD_CASE, closed_at=NOW)},
    )
    assert said(asked).title == "Case over: orchard on attic"


def test_the_lock_screen_shows_no_raw_counter() -> None:
    for asked in ALL:
        first = said(asked).body.split("\n")[0]
        assert not re.search(r"\b\d{4,}\b", said(asked).title + first)


def test_the_next_action_survives_when_the_text_is_too_long() -> None:
    found = finding(
        "margin-gone",
        about_pool(PoolId("md:x")),
        "orchard (" + "x" * 200 + ")",
        Urgency.NOW,
        "The pool has no protection left. " * 12,
        "Replace bay 3.",
    )
    others = tuple(replace(found, rule=f"r{n}") for n in range(20))
    asked = Asked(
        name="any",
        items=(item(NoticeKind.OPENED, Urgency.NOW),),
        cases={7: case(7, found.subject, "orchard", found, *others)},
        extras={7: replace(BARE, best_choice="Best: " + "y" * 300)},
    )
    lines = said(asked).body.split("\n")
    assert "Next: Replace bay 3." in lines
    assert BARE.link in lines


def test_the_most_urgent_of_many_comes_first_and_the_rest_is_counted() -> None:
    asked = Asked(
        name="flood",
        items=tuple(
            item(NoticeKind.OPENED, Urgency.NOW if n == 70 else Urgency.TODAY, number=n)
            for n in range(1, 101)
        ),
        cases={n: replace(ORCHARD_CASE, number=n, label=f"pool {n}") for n in range(1, 101)},
        extras={70: BROKEN_POOL, 3: THINNED},
    )
    message = said(asked)
    assert message.title == "Now: 100 things on attic"
    assert message.body.startswith("pool 70 is broken (now)")
    assert "and 95 more" in message.body


@pytest.mark.parametrize(("count", "last"), [(5, None), (6, "and 1 more")])
def test_five_things_are_named_and_only_what_is_beyond_is_counted(
    count: int, last: str | None
) -> None:
    items = tuple(item(NoticeKind.TAKEN, Urgency.NOTE, number=n) for n in range(1, count + 1))
    cases = {n: replace(ORCHARD_CASE, number=n, label=f"pool {n}") for n in range(1, count + 1)}
    message = said(Asked(name="x", items=items, cases=cases))
    assert message.title == f"{count} updates on attic"
    lines = message.body.splitlines()
    assert [line.partition(":")[0] for line in lines[:5]] == [f"pool {n}" for n in range(1, 6)]
    assert lines[5:-1] == ([last] if last else [])


@pytest.mark.parametrize(
    ("kind", "urgency", "title"),
    [
        (NoticeKind.WORK_ENDED, Urgency.NOTE, "2 updates on attic"),
        (NoticeKind.WORK_ENDED, Urgency.TODAY, "Today: 2 things on attic"),
        (NoticeKind.OPENED, Urgency.THIS_WEEK, "This week: 2 things on attic"),
    ],
)
def test_two_things_are_updates_only_where_nobody_has_to_act(
    kind: NoticeKind, urgency: Urgency, title: str
) -> None:
    case_number = 0 if kind is NoticeKind.WORK_ENDED else 7
    one = item(kind, urgency, number=case_number, about="new drive: orchard is bare")
    taken = item(NoticeKind.TAKEN, Urgency.NOTE)
    message = said(Asked(name="x", items=(one, taken), cases={7: ORCHARD_CASE}))
    assert message.title == title
    assert ("Next: " in message.body) is (kind is NoticeKind.OPENED)


def test_also_among_other_things_a_case_that_was_handed_over_is_said_to_be() -> None:
    """Who reads it must learn that it is theirs; how soon is that of each thing."""
    handed = item(NoticeKind.HANDED_OVER, Urgency.TODAY, about="ada: the spare is in the shed")
    other = replace(item(NoticeKind.OPENED, Urgency.NOW), case=99, number=1)
    lines = said(
        Asked(name="x", items=(handed, other), cases={7: ORCHARD_CASE, 99: ORCHARD_CASE})
    ).text.splitlines()
    assert lines[0] == "Now: 2 things on attic"
    assert lines[1].startswith("orchard (now): ")
    assert lines[2].startswith("orchard (today, handed to you by ada): ")


def test_times_are_said_in_the_zone_of_the_reader() -> None:
    asked = next(a for a in ALL if a.name == "taken")
    assert "until 19:12 tomorrow" in said(asked).body  # 18:12 UTC, Oslo is an hour ahead
