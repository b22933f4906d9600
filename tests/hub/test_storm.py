"""Trouble on many boxes at once: first messages leave at once, the rest within few."""

from __future__ import annotations

from collections import Counter
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.hub.stage import CONFIG, EVERY, NOW, enrol, look, parcel, report, shop
from watcher.cases.leaving import FLOOD_MESSAGES, FLOOD_MESSAGES_NOW
from watcher.facts.finding import Urgency
from watcher.facts.identity import BoxId
from watcher.hub.passing import PassingTime
from watcher.hub.shop import Shop
from watcher.hub.storm import (
    AGAIN_NOW,
    BY_ITSELF_AFTER,
    GATHER_FOR,
    gathered,
)
from watcher.notify.messages import LONGEST_BYTES
from watcher.store.outbox import Notice, NoticeState

MINUTE = timedelta(minutes=1)
BOXES = 32


BEGINS = NOW + 2 * EVERY


def storm(hub: Shop, boxes: int = BOXES, client: str = "Harbour") -> list[str]:
    """Let boxes that were well lose a drive each, all within one minute from ``BEGINS`` on."""
    names = [f"{client.lower()} {number:03}" for number in range(boxes)]
    tokens = [enrol(hub, name, client) for name in names]
    firsts = [(10_000 if client == "Orchard" else 0) + 10 * n for n in range(boxes)]
    for token, first in zip(tokens, firsts, strict=True):
        report(hub, token, look(0, first_drive=first))
    PassingTime(hub).gather(NOW + MINUTE)
    for number, (token, first) in enumerate(zip(tokens, firsts, strict=True)):
        worse = look(2, lost=1, first_drive=first)
        at = BEGINS + number * MINUTE / boxes
        hub.take(token, parcel(worse), "192.0.2.7", at)
    return names


def notices(hub: Shop, person: str) -> list[Notice]:
    """Give what was said to a person since the storm began."""
    with hub.store.snapshot() as tx:
        rows = tx.db.rows(
            "SELECT id FROM notice WHERE person = :person ORDER BY id", {"person": person}
        )
        found = [tx.notice(row["id"]) for row in rows]
    return [notice for notice in found if notice is not None and notice.created_at >= BEGINS]


def leaves_by(hub: Shop, person: str, moment: object) -> list[Notice]:
    return [
        notice
        for notice in notices(hub, person)
        if notice.state is not NoticeState.DROPPED and notice.next_try_at <= moment  # type: ignore[operator]
    ]


@pytest.mark.usefixtures("each_ground")
def test_first_messages_leave_within_a_minute_and_few_in_all() -> None:
    hub = shop()
    names = storm(hub)
    over = BEGINS + MINUTE
    at_once = leaves_by(hub, "sam", over)
    assert FLOOD_MESSAGES <= len(at_once) <= FLOOD_MESSAGES_NOW
    assert min(n.next_try_at for n in at_once) <= BEGINS + timedelta(seconds=5)
    over += MINUTE
    assert PassingTime(hub).gather(over)
    every = leaves_by(hub, "sam", over)
    assert len(every) == len(at_once) + 1
    last = every[-1]
    dropped = [n for n in notices(hub, "sam") if n.state is NoticeState.DROPPED]
    assert f"{len(dropped)} messages from {len({n.box for n in dropped})} boxes" in last.title
    assert {n.box for n in at_once} | {n.box for n in dropped} == set(names)
    assert "Look there first" in last.body


def test_what_comes_on_is_gathered_again_and_again_but_seldom() -> None:
    hub = shop()
    storm(hub)
    told: Counter[int] = Counter()
    for second in range(0, 1800, 30):
        now = BEGINS + MINUTE + timedelta(seconds=second)
        PassingTime(hub).due(now)  # nobody answers: every ladder climbs
        PassingTime(hub).gather(now)
        told[len(leaves_by(hub, "sam", now))] += 1
    assert max(told) <= FLOOD_MESSAGES_NOW * 2 + timedelta(minutes=30) / AGAIN_NOW


def test_a_client_hears_of_its_own_boxes_only() -> None:
    hub = shop()
    storm(hub, 30)
    storm(hub, 30, "Orchard")
    PassingTime(hub).gather(BEGINS + 2 * MINUTE)
    assert "ann" in CONFIG.shop.clients[0].people
    for notice in notices(hub, "ann"):
        assert "orchard" not in f"{notice.title} {notice.body}"


@pytest.mark.usefixtures("each_ground")
def test_one_that_waits_alone_leaves_as_it_is() -> None:
    hub = shop()
    storm(hub, FLOOD_MESSAGES_NOW + 1)
    over = BEGINS + 2 * MINUTE
    waiting = [n for n in notices(hub, "sam") if n.next_try_at > over]
    for notice in waiting[1:]:
        with hub.store.transaction() as tx:
            tx.drop_notice(notice.number, now=over, reason="test")
    PassingTime(hub).gather(over)
    found = [n for n in notices(hub, "sam") if n.number == waiting[0].number]
    assert found[0].state is NoticeState.WAITING
    assert found[0].next_try_at <= over


def test_nothing_is_gathered_before_its_time() -> None:
    hub = shop()
    storm(hub)
    put_off = [n for n in notices(hub, "sam") if n.next_try_at > n.created_at]
    early = put_off[0].created_at + GATHER_FOR - timedelta(seconds=1)
    assert not PassingTime(hub).gather(early)
    assert PassingTime(hub).gather(early + timedelta(seconds=1))


@pytest.mark.usefixtures("each_ground")
def test_should_nobody_gather_each_leaves_by_itself() -> None:
    hub = shop()
    storm(hub)
    every = [n for n in notices(hub, "sam") if n.state is NoticeState.WAITING]
    late = BEGINS + MINUTE + GATHER_FOR + timedelta(minutes=12) + BY_ITSELF_AFTER
    assert all(n.next_try_at <= late for n in every)
    assert len(every) >= BOXES


def test_few_boxes_in_trouble_are_told_one_by_one() -> None:
    hub = shop()
    storm(hub, 5)
    assert all(n.next_try_at == n.created_at for n in notices(hub, "sam"))
    assert not PassingTime(hub).gather(BEGINS + 2 * MINUTE)


@given(
    st.lists(st.tuples(st.sampled_from(Urgency), st.text(max_size=300)), min_size=2, max_size=50)
)
def test_a_gathered_message_fits_a_phone_and_names_the_worst_first(
    said: list[tuple[Urgency, str]],
) -> None:
    waiting = [
        Notice(
            number=number,
            key=f"k{number}",
            box=BoxId(f"box {number}"),
            person="sam",
            target="sam/mail",
            urgency=urgency,
            title=title,
            body="b",
            link="",
            created_at=NOW,
            state=NoticeState.WAITING,
            attempts=0,
            next_try_at=NOW + MINUTE,
            claimed_by=None,
            claimed_at=None,
            last_error="",
            ended_at=None,
        )
        for number, (urgency, title) in enumerate(said)
    ]
    found = gathered(waiting, BoxId("hub"), NOW, "")
    assert len(f"{found.title}\n{found.body}".encode()) <= LONGEST_BYTES
    assert found.urgency is max(urgency for urgency, _ in said)
    assert f"{len(said)} messages" in found.title
    named = sum(line.startswith("box ") for line in found.body.splitlines())
    more = [line for line in found.body.splitlines() if line.startswith("and ")]
    assert named == len(said) or more == [f"and {len(said) - named} more"]
