"""The service's loop: look, decide, write down, let deliver; and keep going whatever happens.

One thread decides. Looking at the box is done by a second one, because a dying drive may hold it
for a minute; the schedule and the signals only put words into a queue. The loop ends after the
transaction under way. It says "alive", to systemd and by the heartbeat, only while complete rounds
are being made.
"""

from __future__ import annotations

import contextlib
import queue
import threading
import time
import traceback
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Protocol

from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.schedulers.background import BackgroundScheduler

from watcher.facts.finding import Finding
from watcher.facts.survey import Survey
from watcher.facts.units import say_span
from watcher.readers.errors import CannotParse
from watcher.readers.kernel_log import Position
from watcher.readers.taken import Taken
from watcher.service.clock import Clock, StepWatch, raw_wall_clock
from watcher.service.delivery_child import Ended
from watcher.service.desk import Desk, Outcome, Standing
from watcher.service.ground import HISTORY, STATE, Ground
from watcher.service.supervisor import Supervisor
from watcher.store.errors import StoreError, StoreLocked

POSITION = "kernel-log-position"
"""Under which name the store keeps how far the kernel log was read."""

LONGEST_WAIT_SECONDS = 5.0
"""The loop looks around at least this often: a command may have changed the book."""

EARLY_AFTER = timedelta(seconds=60)
"""How long after a survey that brought news the next one is taken, so that a state that only
flashes up is seen twice. Our choice."""

MISSED_ROUNDS = 3
"""After so many rounds without a complete survey the service no longer says that it is alive."""


LONGEST_LOOK = timedelta(minutes=30)
"""A look that lasts longer is not waited for any more. Our choice: two hundred drives of which
sixty hang need about five minutes."""


class Word(StrEnum):
    """What can be asked of the loop."""

    SURVEY = "survey"
    DEEP = "deep-survey"
    UPKEEP = "upkeep"
    CATCH_UP = "catch-up"  # upkeep, when the last one is longer ago than the rhythm has it
    HEARTBEAT = "heartbeat"
    RELOAD = "reload"
    STOP = "stop"


class Delivers(Protocol):
    """The delivery, as far as the loop needs it; see ``delivery_child.DeliveryChild``."""

    @property
    def left(self) -> Mapping[str, datetime]:
        """Which messages have left, as far as it said, by their ids."""

    def ensure(self, monotonic: float) -> Ended | None:
        """Start it when it is not running; say so when it had ended by itself."""

    def wake(self) -> None:
        """Say that there may be something to send."""

    def reload(self) -> None:
        """Say that the settings changed."""

    def stop(self) -> bool:
        """Let it finish and end it."""


class Looks(Protocol):
    """The surveyor, as far as the loop needs it."""

    def take(
        self, survey: str, now: datetime, *, position: Position | None = None, deep: bool = False
    ) -> Taken:
        """Look at everything once."""


class Rings(Protocol):
    """The bell, as far as the loop needs it; see ``bell.KernelBell``."""

    def rings(self, monotonic: float) -> bool:
        """Tell whether a look should come early."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rhythm:
    """How often things are done."""

    survey: timedelta = timedelta(minutes=10)
    deep: timedelta = timedelta(hours=24)
    upkeep: timedelta = timedelta(hours=24)
    heartbeat: timedelta | None = None

    @property
    def every(self) -> dict[Word, timedelta]:
        """What is asked of the loop, and how often."""
        spans = {Word.SURVEY: self.survey, Word.DEEP: self.deep, Word.UPKEEP: self.upkeep}
        if self.heartbeat is not None:
            spans[Word.HEARTBEAT] = self.heartbeat
        return spans


@dataclass(frozen=True, slots=True, kw_only=True)
class Hooks:
    """What the loop calls for people; none of them may raise, or wait for a server."""

    surveyed: Callable[[Survey, Outcome], None]
    trouble: Callable[[str], None]  # a sentence about the watch itself
    reload: Callable[[], Standing | None]  # new settings, or None when the old ones stay
    deliver_here: Callable[[Ground], Delivers]  # a delivery for while the disk is not written
    beat: Callable[[], bool]  # have the owner's heartbeat address called
    besides: Callable[[datetime], tuple[Finding, ...]] = lambda _now: ()  # about the watch itself
    works: Callable[[datetime], frozenset[str]] = lambda _now: frozenset()
    rhythm: Callable[[], Rhythm | None] = lambda: None  # by the settings read last; None: as before


_Wanted = queue.SimpleQueue[tuple[str, datetime, Position | None, bool] | None]
"""The looks to be taken, in order; None ends the looker."""


class Watch:
    """The running service."""

    def __init__(  # noqa: PLR0913 - the parts that tests replace
        self,
        *,
        ground: Ground,
        standing: Standing,
        surveyor: Looks,
        clock: Clock,
        delivery: Delivers,
        supervisor: Supervisor,
        rhythm: Rhythm,
        hooks: Hooks,
        bell: Rings | None = None,
        wall: Callable[[], datetime] = raw_wall_clock,
    ) -> None:
        """Put the parts together; nothing runs yet.

        ``wall`` is the machine's own clock, which goes on while the machine sleeps; the monotonic
        one of ``clock`` does not (clock_gettime(2), CLOCK_MONOTONIC).
        """
        self._wall = wall
        self.ground = ground
        self.desk = Desk(ground.store, standing)
        self._on_disk = delivery
        self._surveyor = surveyor
        self._clock = clock
        self._delivery = delivery
        self._supervisor = supervisor
        self._rhythm = rhythm
        self._scheduler = BackgroundScheduler(
            timezone="UTC",
            executors={"default": ThreadPoolExecutor(1)},
            # a late run is better than none, and one is enough however many were missed
            job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": None},
        )
        self._hooks = hooks
        self._bell = bell
        self._words: queue.SimpleQueue[Word | Taken | str] = queue.SimpleQueue()
        self._looking = False
        self._look_began = 0.0  # monotonic
        self._wanted: _Wanted = queue.SimpleQueue()
        self._lookers: list[threading.Thread] = []
        self._again = False  # another survey was asked for while one is going on
        self._early_at: float | None = None  # monotonic
        self._complete_at = clock.monotonic()
        self._steps = StepWatch(wall(), clock.monotonic())
        self._count = 0
        self.rounds = 0

    def ask(self, word: Word) -> None:
        """Ask the loop for something; from any thread, also from a signal handler."""
        self._words.put(word)

    @property
    def is_held_up(self) -> bool:
        """Whether a look is still not back a second after the end: Python would wait for it."""
        for looker in self._lookers:
            looker.join(1.0)
        return any(looker.is_alive() for looker in self._lookers)

    def run(self) -> None:
        """Go on until stopped."""
        for word, span in self._rhythm.every.items():
            self._schedule(word, span)
        self._scheduler.start()
        self._start_looker()
        self.ask(Word.DEEP)
        self.ask(Word.CATCH_UP)  # many a box never runs for a whole day
        if self.ground.in_memory:  # the disk could not even be opened
            self._delivery = self._hooks.deliver_here(self.ground)
        self._keep_delivering()
        self._supervisor.ready("taking the first look")
        try:
            while self._turn():
                pass
        finally:
            self._supervisor.stopping()
            self._scheduler.shutdown(wait=False)
            self._wanted.put(None)
            self._delivery.stop()

    def _schedule(self, word: Word, span: timedelta) -> None:
        """Have a word said from now on so often."""
        self._scheduler.add_job(
            self.ask,
            "interval",
            args=(word,),
            seconds=span.total_seconds(),
            id=word.value,
            replace_existing=True,
        )

    def _keep_time(self, rhythm: Rhythm) -> None:
        """Go by a new rhythm; what it leaves as it was is not begun anew."""
        before, after = self._rhythm.every, rhythm.every
        self._rhythm = rhythm
        for word in before.keys() - after.keys():
            self._scheduler.remove_job(word.value)
        for word, span in after.items():
            if before.get(word) != span:
                self._schedule(word, span)

    def _turn(self) -> bool:
        """Handle what comes next, or that nothing came; False to stop."""
        try:
            word = self._words.get(timeout=self._wait_seconds())
        except queue.Empty:
            word = None
        try:
            if word is Word.STOP:
                return False
            if isinstance(word, Taken):
                self._take_in(word)
            elif isinstance(word, Word):
                self._do(word)
            elif isinstance(word, str):
                self._looking = False
                self._hooks.trouble(word)
            self._pass_time()
        except StoreLocked:
            time.sleep(1.0)  # another process writes; what was at hand is done again
            self._again_later(word)
        except StoreError as error:
            self._give_way(error)
            self._again_later(word)
        except MemoryError:
            self._hooks.trouble("Memory is short: what was at hand is tried again in a moment.")
            time.sleep(1.0)
            self._again_later(word)
        return True

    def _again_later(self, word: Word | Taken | str | None) -> None:
        """Put back what could not be written down."""
        if word is not None:
            self._words.put(word)

    def _give_way(self, error: StoreError) -> None:
        """Go on in memory: the disk takes nothing."""
        if self.ground.in_memory:
            self.ground.give_way(error)
            return
        # What waits goes into memory and must not leave twice. What just left may not stand on the
        # disk, which fails: the delivery has said it, to its last word.
        self._on_disk.stop()
        self.ground.give_way(error, self._on_disk.left)
        self.desk = Desk(self.ground.store, self.desk.standing)
        self._hooks.trouble(f"The watch goes on in memory: {error}")
        self._delivery = self._hooks.deliver_here(self.ground)

    def _come_back(self) -> None:
        """Go back to the disk when it takes writes again."""
        if not self.ground.in_memory:
            return
        self._delivery.stop()
        if self.ground.come_back():
            self.desk = Desk(self.ground.store, self.desk.standing)
            self._delivery = self._on_disk
            self._hooks.trouble("The history is written to the disk again.")
            if self.ground.store.rescue is not None:
                self._hooks.trouble(self.ground.store.rescue.sentence)
        else:
            self._delivery = self._hooks.deliver_here(self.ground)

    def _wait_seconds(self) -> float:
        """Give how long to wait for the next word."""
        wait = LONGEST_WAIT_SECONDS
        if self._early_at is not None:
            wait = min(wait, self._early_at - self._clock.monotonic())
        with contextlib.suppress(StoreError):
            now = self._clock.now()
            due = self.desk.deadline(now)
            if due is not None:
                wait = min(wait, (due - now).total_seconds())
        return max(wait, 0.02)

    def _pass_time(self) -> None:
        """Do what falls due by itself."""
        now = self._clock.now()
        step = self._steps.look(self._wall(), self._clock.monotonic())
        if step is not None:
            self.ask(Word.SURVEY)  # after a sleep or a stepped clock, look before deciding
        due = self.desk.deadline(now)
        if due is not None and due <= now and self.desk.tick(now).told:
            self._delivery.wake()
        self._keep_delivering()
        self._mind_the_looker()
        if self._bell is not None and self._bell.rings(self._clock.monotonic()):
            self.ask(Word.SURVEY)
        if self._early_at is not None and self._clock.monotonic() >= self._early_at:
            self._early_at = None
            self._look(deep=False)
        if self._makes_rounds:
            self._supervisor.alive(f"{self.rounds} rounds made")

    @property
    def _makes_rounds(self) -> bool:
        """Whether looks come back: only then we say that we are alive, to systemd or the owner."""
        silent = self._clock.monotonic() - self._complete_at
        return silent < MISSED_ROUNDS * self._rhythm.survey.total_seconds() + 120

    def _keep_delivering(self) -> None:
        """Keep the delivery running, and say when it cannot be."""
        try:
            ended = self._delivery.ensure(self._clock.monotonic())
        except OSError as error:
            self._hooks.trouble(f"Messages cannot be sent: the delivery does not start ({error}).")
            return
        if ended is not None:
            self._hooks.trouble(
                f"The delivery of messages ended by itself (status {ended.status}); it is started "
                "again and nothing is lost."
            )

    def _do(self, word: Word) -> None:
        """Do what was asked."""
        match word:
            case Word.SURVEY | Word.DEEP:
                self._look(deep=word is Word.DEEP)
            case Word.UPKEEP:
                with self.desk.store.transaction() as tx:
                    tx.roll_up(self._clock.now())
            case Word.CATCH_UP:
                with self.desk.store.transaction() as tx:
                    now = self._clock.now()
                    last = tx.rolled_up_at(now)
                    if last is not None and now - last >= self._rhythm.upkeep:
                        tx.roll_up(now)
            case Word.HEARTBEAT:
                if self._makes_rounds:
                    self._hooks.beat()
            case Word.RELOAD:
                standing = self._hooks.reload()
                if standing is not None:
                    self._keep_time(self._hooks.rhythm() or self._rhythm)
                    self.desk = Desk(self.ground.store, standing)
                    self._delivery.reload()
                    self._look(deep=False)
            case Word.STOP:
                pass

    def _look(self, *, deep: bool) -> None:
        """Have the box looked at; one look at a time."""
        if self._looking:
            self._again = True
            return
        with self.desk.store.snapshot() as tx:
            text = tx.kept(self.desk.standing.box, POSITION)
        position = self._position_of(text)
        self._looking = True
        self._look_began = self._clock.monotonic()
        self._count += 1
        now = self._clock.now()
        name = f"{self.desk.standing.box}/{now:%Y%m%dT%H%M%S.%f}/{self._count}"
        self._wanted.put((name, now, position, deep))

    def _position_of(self, text: str | None) -> Position | None:
        """Read how far the kernel log was read; a damaged note begins anew, and that is said."""
        try:
            return Position.from_text(text) if text else None
        except CannotParse as error:
            self._hooks.trouble(
                f"How far the kernel log was read is not known any more ({error}); this boot's log "
                "is read again."
            )
            return None

    def _start_looker(self) -> None:
        """Start the thread that looks, with a queue of its own."""
        self._wanted = queue.SimpleQueue()
        looker = threading.Thread(
            target=self._look_on, args=(self._wanted,), name="look", daemon=True
        )
        self._lookers.append(looker)
        looker.start()

    def _mind_the_looker(self) -> None:
        """Leave a look that never comes back to itself, and let another thread look."""
        lasted = self._clock.monotonic() - self._look_began
        if not self._looking or lasted < LONGEST_LOOK.total_seconds():
            return
        self._looking = False
        self._wanted.put(None)
        self._start_looker()
        self._hooks.trouble(
            f"A look at the box has not come back for {say_span(LONGEST_LOOK)} and is not waited "
            "for any more; the next one is tried as planned."
        )

    def _look_on(self, wanted_here: _Wanted) -> None:
        """Look whenever asked to, in a thread of its own that lives as long as the watch.

        Whatever goes wrong becomes a word for the loop. A thread for each look would do where
        memory is plenty; where it is not, waiting for a new one to begin can last for ever.
        """
        while (wanted := wanted_here.get()) is not None:
            name, now, position, deep = wanted
            try:
                self._words.put(self._surveyor.take(name, now, position=position, deep=deep))
            except Exception as error:  # noqa: BLE001 - the outermost ring: said, and the watch goes on
                where = traceback.extract_tb(error.__traceback__)[-1]
                place = f"{where.filename.rpartition('/')[2]}:{where.lineno}"
                self._words.put(
                    f"A look at the box failed by a fault of ours ({type(error).__name__}: "
                    f"{error}, {place}); the next one is tried as planned."
                )

    def _works(self) -> frozenset[str]:
        """Name what of the watch itself is known to work."""
        return frozenset() if self.ground.in_memory else frozenset({STATE, HISTORY})

    def _take_in(self, taken: Taken) -> None:
        """Hand a survey to the desk, with how far the kernel log was read."""
        self._looking = False
        self._come_back()
        self.ground.prove()
        now = self._clock.now()
        keep = {POSITION: taken.position.to_text()} if taken.position is not None else {}
        grounds = self.ground.findings(now)
        besides = grounds + self._hooks.besides(now)
        works = self._works() | self._hooks.works(now)
        outcome = self.desk.take_in(taken.survey, now, keep=keep, besides=besides, works=works)
        if grounds and outcome.taken:
            self.ground.were_told()
        self.rounds += 1
        self._complete_at = self._clock.monotonic()
        if outcome.told:
            self._delivery.wake()
            self._early_at = self._clock.monotonic() + EARLY_AFTER.total_seconds()
        self._hooks.surveyed(taken.survey, outcome)
        if taken.more_log or self._again:
            self._again = False
            self._look(deep=False)
