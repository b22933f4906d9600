"""The loop: look, decide, write down, let deliver; and keep going whatever happens."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from time import monotonic
from typing import Any

from tests.service.manual_clock import ManualClock
from tests.simulation.faulty import Disk
from tests.simulation.stage import Stage
from tests.simulation.world import World
from watcher.cases.observations import TimePassed
from watcher.cases.policy import Person, Policy
from watcher.readers.kernel_log import Position
from watcher.readers.survey import Taken
from watcher.service.desk import Outcome, Standing
from watcher.service.ground import Ground
from watcher.service.looker import LONGEST_LOOK
from watcher.service.loop import Hooks, Watch
from watcher.service.rhythm import Rhythm, Schedule, Word
from watcher.service.supervisor import Supervisor
from watcher.store.errors import StoreDiskFails

START = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


@dataclass
class Delivery:
    """Counts what it is asked for."""

    woken: int = 0
    reloaded: int = 0
    stopped: int = 0
    left: dict[str, datetime] = field(default_factory=dict)
    ended: list[int] = field(default_factory=list)

    def ensure(self, monotonic: float) -> int | None:
        del monotonic
        return self.ended.pop() if self.ended else None

    def wake(self) -> None:
        self.woken += 1

    def reload(self) -> None:
        self.reloaded += 1

    def stop(self) -> bool:
        self.stopped += 1
        return True


class Eyes:
    """Looks at an invented world; ``before`` is done before each look, by its number."""

    def __init__(self, world: World, before: dict[int, Callable[[], None]]) -> None:
        self.world = world
        self.before = before
        self.deep: list[bool] = []

    def take(
        self, survey: str, now: datetime, *, position: Position | None = None, deep: bool = False
    ) -> Taken:
        del survey, position
        self.deep.append(deep)
        self.before.get(len(self.deep), lambda: None)()
        return Taken(survey=self.world.look(now), position=None, more_log=False)


@dataclass
class Scene:
    """A loop with everything around it."""

    before: dict[int, Callable[[], None]] = field(default_factory=dict)
    looks: int = 1  # stop after so many surveys
    is_asked: bool = True  # each survey is followed by the word for the next, as by a schedule

    def __post_init__(self) -> None:
        self.world = World.new()
        self.disk = Disk(None, START)
        self.clock = ManualClock(START)
        self.eyes = Eyes(self.world, self.before)
        self.delivery, self.here = Delivery(), Delivery()
        self.troubles: list[str] = []
        self.told: list[str] = []
        self.fresh: Standing | None = None
        self.slept = timedelta()
        self.step = timedelta(minutes=10)  # from one look to the next
        self.beats = 0
        self.rhythm: Rhythm | None = None
        stage = Stage(start=START, policy=Policy(people=(Person(name="ada"),)))
        self.standing = stage.desk.standing
        self.watch = Watch(
            ground=Ground(self.disk.store, self.clock),
            standing=self.standing,
            surveyor=self.eyes,
            clock=self.clock,
            delivery=self.delivery,
            supervisor=Supervisor(),
            rhythm=Rhythm(),
            wall=lambda: self.clock.now() + self.slept,
            hooks=Hooks(
                surveyed=self._surveyed,
                trouble=self._trouble,
                reload=lambda: self.fresh,
                deliver_here=lambda _: self.here,
                beat=self._beat,
                rhythm=lambda: self.rhythm,
            ),
        )

    def _beat(self) -> bool:
        self.beats += 1
        return True

    def _trouble(self, sentence: str) -> None:
        self.troubles.append(sentence)
        if "look at the box" in sentence:
            self.watch.ask(Word.SURVEY)  # as the schedule would

    def _surveyed(self, _survey: object, outcome: object) -> None:
        self.told += [tell.key for tell in outcome.told]  # type: ignore[attr-defined]
        self.clock.pass_by(self.step)
        if self.watch.rounds >= self.looks:
            self.watch.ask(Word.STOP)
        elif self.is_asked:
            self.watch.ask(Word.SURVEY)


def test_the_first_look_is_a_deep_one_and_the_delivery_is_ended_at_the_end() -> None:
    scene = Scene()
    scene.watch.run()
    assert scene.eyes.deep == [True]
    assert scene.delivery.stopped == 1
    assert scene.troubles == []


def test_what_is_decided_wakes_the_delivery() -> None:
    scene = Scene(looks=2)
    scene.before[2] = lambda: scene.world.pull(7)
    scene.watch.run()
    assert len(scene.told) == 1
    assert scene.delivery.woken >= 1


def test_a_look_that_fails_is_said_and_the_watch_goes_on() -> None:
    scene = Scene(looks=2)

    def fail() -> None:
        raise ZeroDivisionError("oops")

    scene.before[1] = fail
    scene.watch.run()
    assert len(scene.eyes.deep) >= 3
    assert "a fault of ours (ZeroDivisionError: oops" in scene.troubles[0]


def test_a_full_disk_stops_no_message() -> None:
    """The watch gives way to memory, comes back when it can, and loses nothing on the way."""
    scene = Scene(looks=2)

    def fill() -> None:
        scene.world.pull(7)
        scene.disk.faults.arm("full", 20)

    scene.before[2] = fill
    scene.watch.run()
    assert scene.troubles[0].startswith("The watch goes on in memory")
    assert scene.troubles[1] == "The history is written to the disk again."
    assert len(scene.told) == 1, "the loss was told"
    assert scene.here.woken + scene.delivery.woken >= 1
    assert scene.here.stopped == 1, "no two deliveries at once"


class Poked(Ground):
    """A disk that takes nothing; counts how often it is tried."""

    tries = 0

    def come_back(self) -> bool:
        self._tried_at = self._clock.now()
        self.tries += 1
        return False


def test_a_dying_disk_is_not_tried_at_every_look_but_when_a_person_asks() -> None:
    scene = Scene(looks=6)
    ground = Poked(scene.disk.store, scene.clock)
    scene.watch.ground = ground
    scene.fresh = scene.standing
    ground.give_way(StoreDiskFails("it gave an error"))
    scene.step = timedelta(minutes=1)
    tries: list[int] = []
    for number in range(2, 6):
        scene.before[number] = lambda: tries.append(ground.tries)
    scene.before[6] = lambda: scene.watch.ask(Word.RELOAD)
    scene.watch.run()
    assert tries == [1, 1, 1, 1]
    assert ground.tries == 2


class Slow(Delivery):
    """A delivery that has a message under way for long when it is first asked to end."""

    def stop(self) -> bool:
        return super().stop() and self.stopped > 1


def test_no_second_delivery_begins_while_a_message_is_under_way() -> None:
    """The way back waits for it: two that know nothing of each other would send it twice."""
    scene = Scene(looks=3)
    scene.here = Slow()
    scene.watch.ground = ground = Poked(scene.disk.store, scene.clock)
    ground.give_way(StoreDiskFails("it gave an error"))
    tries: list[int] = []
    for number in (2, 3):
        scene.before[number] = lambda: tries.append(ground.tries)
    scene.watch.run()
    assert tries == [0, 1]


class Unkept(Ground):
    """A disk that takes what is written, and at the second look says that it did not keep it."""

    proofs = 0

    def prove(self) -> None:
        self.proofs += not self.in_memory
        if self.proofs == 2:
            raise StoreDiskFails("the disk under the store gave an error")


def test_a_disk_that_does_not_keep_what_it_took_delays_no_message() -> None:
    scene = Scene(looks=3)
    scene.watch.ground = Unkept(scene.disk.store, scene.clock)
    scene.before[2] = lambda: scene.world.pull(7)
    scene.watch.run()
    assert scene.troubles[0].startswith("The watch goes on in memory: the disk under the store")
    assert scene.troubles[1] == "The history is written to the disk again."
    assert len(scene.told) == 1, "the loss was told, once"


def test_a_busy_store_delays_a_survey_and_loses_none() -> None:
    scene = Scene(looks=2)

    def lock() -> None:
        scene.world.pull(7)
        scene.disk.faults.arm("locked", 20)

    scene.before[2] = lock
    scene.watch.run()
    assert scene.troubles == []
    assert len(scene.told) == 1


def test_new_settings_take_the_place_of_the_old_ones() -> None:
    scene = Scene(looks=2)
    scene.fresh = scene.standing
    scene.before[1] = lambda: scene.watch.ask(Word.RELOAD)
    scene.watch.run()
    assert scene.delivery.reloaded == 1
    assert len(scene.eyes.deep) >= 2


def test_a_delivery_that_ended_by_itself_is_said() -> None:
    scene = Scene()
    scene.delivery.ended.append(-9)
    scene.watch.run()
    assert "ended by itself (status -9)" in scene.troubles[0]


def test_upkeep_and_heartbeat_are_done_when_asked_for() -> None:
    scene = Scene()
    box = scene.standing.box
    with scene.disk.store.transaction() as tx:
        tx.add_observation(box, START - timedelta(days=60), TimePassed())

    def both() -> None:
        scene.watch.ask(Word.UPKEEP)
        scene.watch.ask(Word.HEARTBEAT)

    scene.before[1] = both
    scene.watch.run()
    assert scene.troubles == []
    assert scene.beats == 1
    with scene.disk.store.snapshot() as tx:
        kept = tx.observations(box, START - timedelta(days=90))
    assert kept, "the look itself"
    assert all(at > START - timedelta(days=60) for at, _ in kept)


def test_upkeep_that_fell_due_while_the_watch_did_not_run_is_done_at_its_start() -> None:
    """A box that is switched off every night never runs for the whole day until the next one."""
    for away, kept in ((timedelta(hours=23), True), (timedelta(hours=25), False)):
        scene = Scene()
        box, old = scene.standing.box, START - timedelta(days=60)
        with scene.disk.store.transaction() as tx:
            tx.roll_up(START - away)
            tx.add_observation(box, old, TimePassed())
        scene.watch.run()
        with scene.disk.store.snapshot() as tx:
            assert any(at == old for at, _ in tx.observations(box, old)) is kept


def test_nobody_is_told_that_all_is_well_while_no_look_comes_back() -> None:
    """Whatever is behind the address must notice a watch that turns and sees nothing."""
    scene = Scene()

    def hang() -> None:
        scene.clock.pass_by(timedelta(minutes=33))
        scene.watch.ask(Word.HEARTBEAT)

    scene.before[1] = hang
    scene.watch.run()
    assert scene.beats == 0


def test_a_new_rhythm_holds_from_when_the_settings_were_read_again() -> None:
    scene = Scene(looks=2)
    scene.fresh = scene.standing
    scene.rhythm = Rhythm(heartbeat=timedelta(milliseconds=20))
    scene.before[1] = lambda: scene.watch.ask(Word.RELOAD)

    def beats() -> None:
        until = monotonic() + 60
        while not scene.beats and monotonic() < until:
            threading.Event().wait(0.01)

    scene.before[2] = beats
    scene.watch.run()
    assert scene.beats >= 1


def test_a_look_without_memory_is_said_and_the_next_one_is_taken() -> None:
    def short() -> None:
        raise MemoryError

    scene = Scene(before={1: short})
    scene.watch.run()
    assert len(scene.eyes.deep) == 2
    assert "MemoryError" in scene.troubles[0]


def test_a_store_without_memory_is_tried_again() -> None:
    """SQLite's want of memory (sqlite.org/rescode.html, SQLITE_NOMEM) is a MemoryError."""
    scene = Scene()
    desk, failed = scene.watch.desk, []
    taking_in = desk.take_in

    def once(*words: Any, **named: Any) -> Outcome:
        if not failed:
            failed.append(words)
            raise MemoryError
        return taking_in(*words, **named)

    desk.take_in = once  # type: ignore[method-assign]
    scene.watch.run()
    assert scene.troubles == ["Memory is short: what was at hand is tried again in a moment."]
    assert scene.watch.rounds == 1
    assert len(scene.eyes.deep) == 1, "the same survey, not another look"


def test_a_look_that_never_comes_back_is_not_waited_for_for_ever() -> None:
    """The first hangs for good; after half an hour another thread looks."""
    gate = threading.Event()

    def hang() -> None:
        scene.clock.pass_by(LONGEST_LOOK)
        scene.watch.ask(Word.HEARTBEAT)  # so that the loop looks around
        gate.wait(60)

    scene = Scene(before={1: hang})
    scene.watch.run()
    gate.set()
    assert len(scene.eyes.deep) >= 2
    assert "has not come back for 30 min" in scene.troubles[0]
    assert scene.watch.rounds == 1


def test_after_a_week_asleep_the_box_is_looked_at_before_anything_else() -> None:
    """The wall clock went on, the monotonic one did not: nobody has to ask for that look."""

    def sleep() -> None:
        scene.slept = timedelta(days=7)

    scene = Scene(before={1: sleep}, looks=2, is_asked=False)
    scene.watch.run()
    assert scene.eyes.deep == [True, False]
    assert scene.troubles == []
    assert scene.told == []


def test_a_clock_that_is_set_back_is_told_to_what_says_when_to_look() -> None:
    """The library behind it would wait for the old time to come again."""
    told: list[datetime] = []

    class Told(Schedule):
        def follow(self, now: datetime) -> None:
            told.append(now)
            super().follow(now)

    def set_back() -> None:
        scene.slept = -timedelta(days=300)

    scene = Scene(before={1: set_back}, looks=2, is_asked=False)
    scene.watch._schedule = Told(Rhythm(), scene.watch.ask)
    scene.watch.run()
    assert len(told) == 1
    assert scene.eyes.deep == [True, False]
