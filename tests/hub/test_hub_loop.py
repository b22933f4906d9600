"""The hub's own clock: what falls due, and who is quiet."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta

from tests.hub.stage import EVERY, NOW, StillClock, enrol, look, parcel, report, shop
from tests.store import made
from watcher.facts.identity import BoxId
from watcher.hub.hub_loop import SLEPT_AFTER, HubLoop
from watcher.hub.shop import Shop
from watcher.store.database import Store
from watcher.store.errors import StoreAway, StoreError
from watcher.store.locks import Alone
from watcher.store.upkeep import DRIVES_AT_ONCE


class Silent:
    def __init__(self) -> None:
        self.woken = self.started = 0
        self.stopped = False

    def ensure(self, monotonic: float) -> None:
        del monotonic
        self.started += 1

    def wake(self) -> None:
        self.woken += 1

    def stop(self) -> bool:
        self.stopped = True
        return True


def test_a_turn_moves_books_and_finds_who_is_quiet() -> None:
    hub, clock, delivery = shop(), StillClock(), Silent()
    report(hub, enrol(hub, "press"), look(1))
    said: list[str] = []
    loop = HubLoop(
        hub, clock, delivery,
        quiet_after=timedelta(minutes=45), trouble=said.append, alive=said.append,
    )  # fmt: skip
    clock.at = NOW + EVERY
    loop.turn()
    for _ in range(50):
        clock.at += 2 * SLEPT_AFTER / 3
        loop.turn()
    with hub.store.snapshot() as tx:
        found = tx.enrolled(BoxId("press"))
        assert tx.load_book(BoxId("press")).open_cases
    assert found is not None
    assert found.quiet_since == NOW + EVERY
    loop.end()
    loop.run(lambda: True)
    assert delivery.woken


class Lead(Alone):
    """Locks of which a test decides who leads."""

    def __init__(self, ask: Callable[[], bool]) -> None:
        self._ask = ask

    def leads(self) -> bool:
        return self._ask()


class Turns:
    """A hub's clock over a store whose lead and whose trouble a test decides."""

    def __init__(self, hub: Shop | None = None) -> None:
        self.leads: bool | StoreError = True
        self.hub = hub or shop()
        self.hub.store._locks = Lead(self.lead)
        self.clock, self.said, self.alive = StillClock(), list[str](), list[str]()
        self.delivery = Silent()
        self.loop = HubLoop(
            self.hub, self.clock, self.delivery, quiet_after=timedelta(minutes=45),
            trouble=self.said.append, alive=self.alive.append,
        )  # fmt: skip

    def lead(self) -> bool:
        if isinstance(self.leads, StoreError):
            raise self.leads
        return self.leads

    def found_quiet(self) -> bool:
        with self.hub.store.snapshot() as tx:
            box = tx.enrolled(BoxId("press"))
        return box is not None and box.quiet_since is not None

    def turn(self, leads: bool | StoreError) -> None:
        self.leads = leads
        self.loop.turn()

    def wait(self, span: timedelta, leads: bool | StoreError = True) -> None:
        """Let time pass without a pause in which the hub would have been asleep."""
        until = self.clock.at + span
        while self.clock.at < until:
            self.clock.at = min(until, self.clock.at + SLEPT_AFTER)
            self.turn(leads)


def test_one_of_several_hubs_minds_the_clock_and_delivers_and_another_takes_over() -> None:
    turns = Turns()
    report(turns.hub, enrol(turns.hub, "press"), look(1))
    turns.wait(timedelta(hours=3), leads=False)
    assert turns.delivery.started == 0
    assert not turns.found_quiet()
    turns.turn(leads=True)
    assert turns.delivery.started == 1
    assert turns.found_quiet()
    turns.turn(leads=False)
    assert turns.delivery.stopped
    assert [words.split(",")[0] for words in turns.said] == [
        "Another hub minds the clock and delivers; this one takes surveys.",
        "This hub minds the clock now",
        "Another hub minds the clock and delivers; this one takes surveys.",
    ]


def test_a_clock_that_is_set_back_does_not_hide_who_falls_quiet() -> None:
    """A hub that began with a clock hours ahead looks for quiet boxes by the right one."""
    turns = Turns()
    turns.clock.at = NOW + timedelta(hours=10)
    turns.turn(leads=True)  # the next look for them lies ahead
    turns.clock.at = NOW
    report(turns.hub, enrol(turns.hub, "press"), look(1))
    turns.turn(leads=True)
    turns.wait(timedelta(hours=3))
    assert turns.found_quiet()


def test_a_box_that_fell_silent_while_the_clock_was_ahead_is_missed_once_it_is_right() -> None:
    """It was heard of, and its book falls due, in a future that does not come for days."""
    turns = Turns()
    turns.clock.at = NOW + timedelta(days=10)
    token = enrol(turns.hub, "press")
    turns.hub.take(token, parcel(look(1, lost=1)), "192.0.2.7", turns.clock.at)
    turns.clock.at = NOW + EVERY
    turns.wait(timedelta(minutes=46))
    with turns.hub.store.snapshot() as tx:
        box = tx.enrolled(BoxId("press"))
    assert box is not None
    assert box.heard_at is not None
    assert box.heard_at <= turns.clock.at
    assert box.due_at is None or box.due_at < NOW + timedelta(days=2)
    turns.wait(timedelta(minutes=90))
    assert turns.found_quiet()


def test_after_a_sleep_boxes_are_given_the_time_to_report_before_they_count_as_quiet() -> None:
    turns = Turns()
    report(turns.hub, enrol(turns.hub, "press"), look(1))
    turns.clock.at = NOW + EVERY
    turns.turn(leads=True)
    turns.clock.at += timedelta(hours=8)
    turns.turn(leads=True)
    assert not turns.found_quiet(), "nobody could have reported"
    turns.wait(timedelta(minutes=44))
    assert not turns.found_quiet()
    turns.wait(timedelta(minutes=2))
    assert turns.found_quiet()


def test_a_box_that_joined_and_sends_nothing_is_missed_too() -> None:
    turns = Turns()
    enrol(turns.hub, "press")
    turns.turn(leads=True)
    turns.wait(timedelta(minutes=40))
    assert not turns.found_quiet()
    turns.wait(timedelta(minutes=10))
    assert turns.found_quiet()
    with turns.hub.store.snapshot() as tx:
        (case,) = tx.load_book(BoxId("press")).open_cases
    assert case.told
    assert "joined 50 min ago and has sent nothing yet" in case.standing[0].sentence


def test_settings_are_read_again_at_the_next_turn_and_count_from_then() -> None:
    turns = Turns()
    report(turns.hub, enrol(turns.hub, "press"), look(1))
    given: list[timedelta | None] = [None, timedelta(hours=5)]
    turns.loop._reload = lambda: given.pop(0)
    turns.clock.at = NOW + EVERY
    for left in (1, 0):
        turns.loop.read_settings_again()
        turns.turn(leads=True)
        turns.turn(leads=True)
        assert len(given) == left
    turns.wait(timedelta(hours=4))
    assert not turns.found_quiet()
    turns.wait(timedelta(hours=2))
    assert turns.found_quiet()


def test_upkeep_is_done_in_parts_between_turns_and_goes_on_after_a_restart() -> None:
    turns = Turns()
    store = turns.hub.store
    with store.transaction() as tx:
        for box in range(15):
            four = range(10 * box, 10 * box + 4)
            drives = tuple(made.reading(n, NOW, temperature_celsius=30) for n in four)
            seen = made.survey(f"s{box}", NOW, drives=drives, box=BoxId(f"box {box}"))
            tx.take_survey(seen, NOW)
    turns.turn(leads=True)
    assert left_fresh(store) == 60, "nothing is old yet"
    turns.clock.at = NOW + timedelta(hours=25)
    turns.turn(leads=True)
    assert left_fresh(store) == 60 - DRIVES_AT_ONCE
    after = Turns(turns.hub)
    after.clock.at = NOW + timedelta(hours=26)
    seen = []
    for _ in range(4):
        after.turn(leads=True)
        seen.append(left_fresh(store))
    assert seen == [20, 0, 0, 0]
    with store.snapshot() as tx:
        assert tx.rolled_up_at(after.clock.at) == after.clock.at


def test_a_hub_whose_clock_was_set_back_does_its_upkeep_a_day_later() -> None:
    turns = Turns()
    turns.clock.at = NOW + timedelta(days=365)
    turns.turn(leads=True)
    turns.clock.at = NOW
    store = turns.hub.store
    with store.transaction() as tx:
        tx.take_survey(made.survey("s", NOW, drives=(made.reading(1, NOW),), box=BoxId("b")), NOW)
    turns.turn(leads=True)
    turns.clock.at = NOW + timedelta(hours=25)
    turns.turn(leads=True)
    assert left_fresh(store) == 0


def left_fresh(store: Store) -> int:
    with store.snapshot() as tx:
        return int(tx.db.one("SELECT count(*) AS n FROM fresh")["n"])


def test_a_hub_that_leads_from_the_beginning_says_nothing_of_it() -> None:
    turns = Turns()
    turns.turn(leads=True)
    assert turns.said == []


def test_a_server_that_is_away_is_said_once_and_so_is_its_return() -> None:
    turns = Turns()
    for _ in range(3):
        turns.turn(leads=StoreAway("the store on db is not reached (x): see whether it runs"))
    (said,) = turns.said
    assert said.startswith("The hub cannot write: the store on db is not reached (x)")
    assert said.endswith("Boxes keep their surveys.")
    assert len(turns.alive) == 3, "it waits, and need not be started again"
    turns.turn(leads=True)
    assert turns.said[1:] == ["The hub can write again."]


def test_after_an_outage_boxes_are_given_the_time_to_report_before_they_count_as_quiet() -> None:
    turns = Turns()
    report(turns.hub, enrol(turns.hub, "press"), look(1))
    away = StoreAway("the store on db is not reached (x): see whether it runs")
    for ago in (EVERY, timedelta(hours=2)):
        turns.clock.at = NOW + ago
        turns.turn(leads=away)
    turns.turn(leads=True)
    assert not turns.found_quiet(), "nobody could have reported"
    turns.wait(timedelta(minutes=44))
    assert not turns.found_quiet()
    turns.wait(timedelta(minutes=2))
    assert turns.found_quiet()
