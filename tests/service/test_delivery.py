"""What delivery writes down, tries again, gives up, and says on the machine itself."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any, cast

import pytest

from tests.lab.receivers import wait_until
from tests.service.manual_clock import ManualClock
from tests.store.cluster import Cluster
from watcher.facts.finding import Urgency
from watcher.facts.identity import BoxId
from watcher.notify.job import Job
from watcher.notify.secret import Secret
from watcher.notify.target import SendResult, Target
from watcher.service.claims import own_name
from watcher.service.delivery import NOT_BACK, Delivery
from watcher.service.message_id import message_id_of
from watcher.store.database import Store, open_memory
from watcher.store.errors import StoreAway, StoreFull
from watcher.store.outbox import NewNotice, Notice, NoticeState
from watcher.store.transaction import Transaction

BOX = BoxId("attic")
START = datetime(2031, 3, 6, 2, 12, tzinfo=UTC)
OK = SendResult(ok=True)
BUSY = SendResult(ok=False, error="451 try later")
NO = SendResult(ok=False, permanent=True, error="error=403")


@dataclass
class Phone:
    """Stands in for the sender: answers from a list, then with ok."""

    answers: list[SendResult] = field(default_factory=list)
    jobs: list[Job] = field(default_factory=list)
    meanwhile: Callable[[], object] = lambda: None  # happens while a message is under way

    def send(self, job: Job) -> SendResult:
        self.jobs.append(job)
        self.meanwhile()
        return self.answers.pop(0) if self.answers else OK

    def close(self) -> None:
        """Nothing to give back."""


class World:
    """A delivery over a store in memory, with a phone and a clock that a test moves."""

    def __init__(
        self,
        *answers: SendResult,
        store: Store | None = None,
        ways: tuple[str, ...] = ("phone",),
        to_the_end: bool = False,
    ) -> None:
        self.clock = ManualClock(START)
        self.store = store or open_memory(now=START)
        self.phone = Phone(list(answers))
        self.shown: list[str] = []
        self.said_here: list[str] = []
        self.left: list[tuple[str, datetime, int]] = []  # id, when, and how many stood as sent
        self.delivery = self.begin(ways, to_the_end=to_the_end)

    def begin(self, ways: tuple[str, ...], *, to_the_end: bool = False) -> Delivery:
        urls = {"terminal": "terminal://"}
        return Delivery(
            self.store,
            targets=tuple(
                Target(name=way, person="ana", url=Secret(urls.get(way, "ntfy://host/t")))
                for way in ways
            ),
            make_sender=lambda: self.phone,
            clock=self.clock,
            chance=lambda: 0.5,
            show=self.shown.append,
            say_here=lambda title, _body: self.said_here.append(title),
            left=self.hear,
            to_the_end=to_the_end,
        )

    def hear(self, message_id: str, at: datetime) -> None:
        sent = [n for n in self.notices() if n.state is NoticeState.SENT]
        self.left.append((message_id, at, len(sent)))

    def put(
        self,
        *ways: str,
        key: str = "attic/ana/7.1",
        urgency: Urgency = Urgency.NOW,
        box: BoxId = BOX,
    ) -> None:
        with self.store.transaction() as tx:
            tx.put_notices(
                NewNotice(
                    key=key,
                    box=box,
                    person="ana",
                    target=f"ana/{way}",
                    urgency=urgency,
                    title=f"title {key}",
                    body="body",
                    created_at=self.clock.now(),
                )
                for way in ways or ("phone",)
            )

    def work(self, *, after: timedelta = timedelta()) -> None:
        """Let time pass, then work until nothing is under way."""
        self.clock.pass_by(after)
        self.delivery.step()
        while not self.delivery.is_idle:
            self.delivery.wait(10)
            self.delivery.step()

    def notices(self) -> list[Notice]:
        with self.store.snapshot() as tx:
            return list(reversed(tx.list_notices(BOX)))

    def only(self) -> Notice:
        (notice,) = self.notices()
        return notice


def test_a_message_is_sent_once_with_its_id_and_written_down() -> None:
    world = World()
    world.put()
    world.work()
    world.work(after=timedelta(hours=9))
    (job,) = world.phone.jobs
    assert job.message_id == message_id_of("attic/ana/7.1", "ana/phone")
    assert (job.title, job.body, job.urgency) == ("title attic/ana/7.1", "body", Urgency.NOW)
    assert world.only().state is NoticeState.SENT


def test_a_message_that_failed_is_tried_again_with_the_same_id_when_its_time_comes() -> None:
    world = World(BUSY, BUSY)
    world.put()
    world.work()
    assert world.only().next_try_at == START + timedelta(seconds=30)
    world.work(after=timedelta(seconds=29))
    assert len(world.phone.jobs) == 1
    world.work(after=timedelta(seconds=1))
    assert world.only().last_error == "451 try later"
    world.work(after=timedelta(minutes=1))
    assert len({job.message_id for job in world.phone.jobs}) == 1
    assert len(world.phone.jobs) == 3
    assert world.only().state is NoticeState.SENT


def test_a_refusal_for_good_is_kept_and_tried_seldom() -> None:
    world = World(NO)
    world.put()
    world.work()
    assert world.only().next_try_at == START + timedelta(hours=1)


def test_what_cannot_arrive_for_days_is_given_up() -> None:
    world = World(BUSY, BUSY)
    world.put()
    world.work()
    world.work(after=timedelta(hours=73))
    assert world.only().state is NoticeState.GIVEN_UP


def test_a_way_that_left_the_settings_gets_nothing_any_more() -> None:
    world = World()
    world.put("lamp")
    world.work()
    assert world.only().state is NoticeState.GIVEN_UP
    assert "not in the settings" in world.only().last_error
    assert world.phone.jobs == []


def test_new_ways_are_used_after_a_reload() -> None:
    world = World()
    world.delivery.use(
        (Target(name="lamp", person="ana", url=Secret("mqtt://h/t")),), 2.0, timedelta(hours=1)
    )
    world.put("lamp")
    world.work()
    assert [job.target.name for job in world.phone.jobs] == ["lamp"]


def test_the_terminal_gets_the_whole_text() -> None:
    world = World(ways=("terminal",))
    world.put("terminal")
    world.work()
    assert world.shown == ["title attic/ana/7.1\nbody"]
    assert world.only().state is NoticeState.SENT
    assert world.phone.jobs == []


def test_the_most_urgent_goes_first() -> None:
    world = World()
    world.put(key="note", urgency=Urgency.NOTE)
    world.put(key="now", urgency=Urgency.NOW)
    world.work()
    assert [job.title for job in world.phone.jobs] == ["title now", "title note"]


def test_what_a_dead_predecessor_had_taken_is_sent_with_the_same_id() -> None:
    world = World()
    world.put()
    with world.store.transaction() as tx:
        tx.claim_due(START, 10, "delivery 999999999 1 another-boot")
    world.work()
    (job,) = world.phone.jobs
    assert job.message_id == message_id_of("attic/ana/7.1", "ana/phone")
    number = world.only().number
    with world.store.snapshot() as tx:
        outcomes = [a.outcome for a in tx.attempts(number)]
    assert outcomes == ["failed", "sent"]


def test_what_a_dead_predecessor_had_taken_for_another_box_is_sent_as_soon() -> None:
    """At a hub the messages of all boxes go through one delivery."""
    world = World()
    world.put(box=BoxId("press"))
    with world.store.transaction() as tx:
        tx.claim_due(START, 10, "delivery 999999999 1 another-boot")
    world.work()
    assert len(world.phone.jobs) == 1


FAR = "delivery 999999999 1 another-boot/1 held"


def shared_world(*answers: SendResult) -> tuple[World, Shared]:
    shared = Shared(open_memory(now=START))
    return World(*answers, store=cast("Store", shared)), shared


def test_on_a_shared_store_what_another_machine_has_taken_is_left_to_its_time_limit() -> None:
    world, _ = shared_world()
    world.put()
    with world.store.transaction() as tx:
        tx.claim_due(START, 10, "delivery 999999999 1 another-boot")
    world.work()
    assert world.phone.jobs == []
    world.work(after=timedelta(minutes=11))
    assert len(world.phone.jobs) == 1


def test_on_a_shared_store_what_a_machine_had_taken_that_is_gone_is_sent_at_once() -> None:
    world, shared = shared_world()
    world.put()
    with world.store.transaction() as tx:
        tx.claim_due(START, 10, FAR)
    shared.held.add(FAR)
    world.work()
    assert world.phone.jobs == [], "it is connected: it may be sending"
    shared.held.clear()
    world.work(after=timedelta(minutes=1))
    (job,) = world.phone.jobs
    assert job.message_id == message_id_of("attic/ana/7.1", "ana/phone")


def test_a_server_says_that_a_machine_is_gone_as_soon_as_it_is(cluster: Cluster) -> None:
    pytest.importorskip("psycopg", reason="needs psycopg: the extra [postgres]")
    from watcher.store.postgres import open_server  # noqa: PLC0415 - an extra

    url = cluster.emptied("delivery")
    with open_server(url, now=START) as far, open_server(url, now=START) as near:
        world = World(store=near)
        world.put()
        far.hold(FAR)
        with far.transaction() as tx:
            tx.claim_due(START, 10, FAR)
        world.work()
        assert world.phone.jobs == []
        far.close()
        assert wait_until(lambda: not near.is_held(FAR), 60)
        world.work(after=timedelta(minutes=1))
        assert len(world.phone.jobs) == 1
        assert near.is_held(world.delivery.name)


def test_what_another_took_over_while_we_were_not_connected_is_not_begun_by_us() -> None:
    world, shared = shared_world()
    world.put(key="first")
    world.put(key="second")

    def cut() -> None:
        """As another machine does that finds nobody holding our name."""
        shared.unbroken = False
        with world.store.transaction() as tx:
            second = next(n for n in tx.list_notices(BOX) if n.key == "second")
            assert second.claimed_by == world.delivery.name
            tx.mark_failed(
                second.number, world.delivery.name, now=START, next_try_at=START, error=NOT_BACK
            )
            assert [n.key for n in tx.claim_due(START, 10, FAR)] == ["second"]
        shared.held.add(FAR)
        world.phone.meanwhile = lambda: None

    world.phone.meanwhile = cut
    world.work()
    assert [job.title for job in world.phone.jobs] == ["title first"]
    assert {n.key: n.state for n in world.notices()} == {
        "first": NoticeState.SENT,
        "second": NoticeState.SENDING,
    }


def test_what_nobody_took_over_while_we_were_not_connected_is_sent_once_by_us() -> None:
    world, shared = shared_world()
    world.put(key="first")
    world.put(key="second")

    def cut() -> None:
        shared.away = True
        world.phone.meanwhile = lambda: None

    world.phone.meanwhile = cut
    world.work()
    world.work(after=timedelta(minutes=20))
    assert [job.title for job in world.phone.jobs] == ["title first"], "nothing can be known"
    shared.away, shared.unbroken = False, False
    world.work()
    world.work()
    assert [job.title for job in world.phone.jobs] == ["title first", "title second"]
    world.work(after=timedelta(hours=1))
    assert [n.state for n in world.notices()] == [NoticeState.SENT, NoticeState.SENT]
    assert len(world.phone.jobs) == 2


def test_being_taken_up_by_one_that_died_is_no_try() -> None:
    """Otherwise many restarts would put a message off that was never even begun."""
    world = World(BUSY)
    world.put()
    for _ in range(9):
        with world.store.transaction() as tx:
            (notice,) = tx.claim_due(START, 10, "delivery 999999999 1 another-boot")
            tx.mark_failed(
                notice.number,
                "delivery 999999999 1 another-boot",
                now=START,
                next_try_at=START,
                error=NOT_BACK,
            )
    world.work()
    assert world.only().next_try_at == START + timedelta(seconds=30)


def test_what_a_living_one_has_taken_is_left_to_it() -> None:
    world = World()
    world.put()
    with world.store.transaction() as tx:
        tx.claim_due(START, 10, "someone else entirely here")
    world.work()
    world.work(after=timedelta(minutes=2))
    assert world.phone.jobs == []


def test_a_claim_that_nobody_can_look_up_goes_stale() -> None:
    world = World()
    world.put()
    with world.store.transaction() as tx:
        tx.claim_due(START, 10, "someone else entirely here")
    world.work(after=timedelta(minutes=11))
    assert len(world.phone.jobs) == 1


def test_a_claim_of_one_that_is_seen_to_live_has_no_time_limit() -> None:
    """As that of the watch, whose way hangs while a test message is sent by another process."""
    world = World()
    world.put()
    with world.store.transaction() as tx:
        tx.claim_due(START, 10, own_name(held=True))  # of this process, under another name
    world.work(after=timedelta(minutes=11))
    assert world.phone.jobs == []


def test_what_waits_long_behind_a_slow_one_is_sent_once() -> None:
    """A way that hangs holds up what was taken with it for longer than a claim lasts."""
    world = World()
    world.put(key="attic/ana/7.1")
    world.put(key="attic/ana/8.1")
    world.phone.meanwhile = lambda: world.clock.pass_by(timedelta(minutes=11))
    world.work()
    assert [job.title for job in world.phone.jobs] == ["title attic/ana/7.1", "title attic/ana/8.1"]
    assert [(n.state, n.attempts) for n in world.notices()] == [(NoticeState.SENT, 1)] * 2


def test_when_every_way_fails_what_cannot_wait_is_said_here_once() -> None:
    world = World(*[BUSY] * 6, ways=("phone", "mail"))
    world.put("phone", "mail")
    world.work()
    assert world.said_here == []
    world.work(after=timedelta(minutes=1))
    world.work(after=timedelta(minutes=5))
    assert world.said_here == ["title attic/ana/7.1"]


def test_while_one_way_works_nothing_is_said_here() -> None:
    world = World(BUSY, OK, *[BUSY] * 3, ways=("phone", "mail"))
    world.put("phone", "mail")
    for _ in range(4):
        world.work(after=timedelta(minutes=10))
    assert world.said_here == []


def test_what_can_wait_is_never_said_here() -> None:
    world = World(*[BUSY] * 4)
    world.put(urgency=Urgency.TODAY)
    for _ in range(4):
        world.work(after=timedelta(minutes=20))
    assert world.said_here == []


class FullDisk:
    """A store whose disk takes nothing while ``full`` is set."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self.full = False

    @contextmanager
    def transaction(self, *, beside: bool = False) -> Iterator[Transaction]:
        if self.full:
            raise StoreFull("no room is left")
        with self._store.transaction(beside=beside) as tx:
            yield tx

    @property
    def is_shared(self) -> bool:
        return False

    @property
    def snapshot(self) -> Callable[[], Any]:
        return self._store.snapshot


class Shared(FullDisk):
    """A store that processes on other machines work with too."""

    def __init__(self, store: Store) -> None:
        super().__init__(store)
        self.held: set[str] = set()  # by others
        self.unbroken = True  # our connection, since it was last asked for
        self.away = False

    @contextmanager
    def transaction(self, *, beside: bool = False) -> Iterator[Transaction]:
        if self.away:
            raise StoreAway("it is not reached")
        with super().transaction(beside=beside) as tx:
            yield tx

    @property
    def is_shared(self) -> bool:
        return True

    def hold(self, name: str) -> bool:
        assert name not in self.held
        if self.away:
            raise StoreAway("it is not reached")
        unbroken, self.unbroken = self.unbroken, True
        return unbroken

    def is_held(self, name: str) -> bool:
        return name in self.held


def test_a_full_disk_stops_no_message_and_doubles_none() -> None:
    """What waits is sent from what can be read, and written down when there is room again."""
    disk = FullDisk(open_memory(now=START))
    world = World(BUSY, store=cast("Store", disk))
    world.put()
    disk.full = True
    world.work()
    world.work(after=timedelta(seconds=29))
    assert len(world.phone.jobs) == 1
    world.work(after=timedelta(seconds=2))
    assert len(world.phone.jobs) == 2
    world.work(after=timedelta(hours=1))
    assert len(world.phone.jobs) == 2, "it arrived, and that is remembered"
    disk.full = False
    world.work()
    assert world.only().state is NoticeState.SENT
    assert len(world.phone.jobs) == 2


def test_a_disk_that_fills_up_while_a_message_is_under_way_loses_nothing() -> None:
    """The failed try cannot be written down; it is remembered, and tried again in time."""
    disk = FullDisk(open_memory(now=START))
    world = World(BUSY, BUSY, store=cast("Store", disk))
    world.phone.meanwhile = lambda: setattr(disk, "full", True)
    world.put()
    world.work()
    assert len(world.phone.jobs) == 1
    world.work(after=timedelta(seconds=31))
    assert len(world.phone.jobs) == 2
    world.phone.meanwhile = lambda: None
    disk.full = False
    world.work(after=timedelta(minutes=2))
    world.work(after=timedelta(minutes=2))
    assert world.only().state is NoticeState.SENT
    assert len(world.phone.jobs) == 3


def test_what_has_left_is_said_before_it_is_written_down_and_what_has_not_is_not() -> None:
    """So that nobody sends it again where the disk does not take the note."""
    world = World(BUSY, OK)
    world.put()
    world.work()
    assert world.left == []
    world.work(after=timedelta(minutes=1))
    assert world.left == [(message_id_of("attic/ana/7.1", "ana/phone"), world.clock.now(), 0)]
    assert world.only().state is NoticeState.SENT


def test_what_was_printed_here_has_left_too() -> None:
    world = World(ways=("terminal",))
    world.put("terminal")
    world.work()
    assert [said[0] for said in world.left] == [message_id_of("attic/ana/7.1", "ana/terminal")]


def test_after_the_end_was_told_nothing_new_is_begun() -> None:
    world = World()
    world.put()
    world.delivery.events.put("end")
    world.delivery.run()
    assert world.phone.jobs == []
    assert world.only().state is NoticeState.WAITING


def test_a_single_look_delivers_what_came_of_it_before_it_ends() -> None:
    """Its survey ends and it is told to end at once: the messages were only just written."""
    world = World(BUSY, ways=("phone", "terminal"), to_the_end=True)
    world.put("phone", "terminal", key="attic/ana/7.1")
    world.put("phone", key="attic/ana/8.1")
    world.put("phone", key="attic/ana/9.1")
    world.delivery.events.put("end")
    world.delivery.run()
    assert [n.state for n in world.notices()].count(NoticeState.SENT) == 3
    assert [n.state for n in world.notices()].count(NoticeState.WAITING) == 1, "tried once"
    assert len(world.phone.jobs) == 3
    assert len(world.shown) == 1
