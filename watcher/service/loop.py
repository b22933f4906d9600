"""The service's loop: look, decide, write down, let deliver; and keep going whatever happens.

One thread decides. Looking at the box is done by a second one, because a dying drive may hold it
for a minute; the schedule and the signals only put words into a queue. The loop ends after the
transaction under way. It says "alive", to systemd and by the heartbeat, only while complete rounds
are being made.
"""

from __future__ import annotations

import contextlib
import queue
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Protocol

from watcher.facts.finding import Finding
from watcher.facts.survey import Survey
from watcher.readers.errors import CannotParse
from watcher.readers.kernel_log import Position
from watcher.readers.taken import Taken
from watcher.service.clock import Clock, StepWatch, raw_wall_clock
from watcher.service.desk import Desk, Outcome, Standing
from watcher.service.ground import HISTORY, STATE, Ground
from watcher.service.looker import NOT_BACK, Looker, Looks
from watcher.service.rhythm import Rhythm, Schedule, Word
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


class Delivers(Protocol):
    """The delivery, as far as the loop needs it; see ``delivery_child.DeliveryChild``."""

    @property
    def left(self) -> Mapping[str, datetime]:
        """Which messages have left, as far as it said, by their ids."""

    def ensure(self, monotonic: float) -> int | None:
        """Start it when it is not running; give its status when it had ended by itself."""

    def wake(self) -> None:
        """Say that there may be something to send."""

    def reload(self) -> None:
        """Say that the settings changed."""

    def stop(self) -> bool:
        """Let it finish and end it."""


class Rings(Protocol):
    """The bell, as far as the loop needs it; see ``bell.KernelBell``."""

    def rings(self, monotonic: float) -> bool:
        """Tell whether a look should come early."""


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
        self._clock = clock
        self._delivery = delivery
        self._supervisor = supervisor
        self._schedule = Schedule(rhythm, self.ask)
        self._hooks = hooks
        self._bell = bell
        self._words: queue.SimpleQueue[Word | Taken | str] = queue.SimpleQueue()
        self._looker = Looker(surveyor, self._words.put)
        self._again = False  # another survey was asked for while one is going on
        self._is_asked = False  # a person wants a look now
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
        return self._looker.is_held_up

    def run(self) -> None:
        """Go on until stopped."""
        self._schedule.start()
        self._looker.start()
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
            self._schedule.stop()
            self._looker.stop()
            self._delivery.stop()

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
                self._looker.is_looking = False
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
        """Go back to the disk when it takes writes again; who asks for a look asks for that too."""
        if not self.ground.in_memory or not (self._is_asked or self.ground.may_come_back()):
            return
        if not self._delivery.stop():
            # A message is still under way: another delivery beside it would send that again.
            self._is_asked = True
            self._early_at = self._clock.monotonic() + EARLY_AFTER.total_seconds()
            return
        self._is_asked = False
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
            self._schedule.follow(raw_wall_clock())
            self.ask(Word.SURVEY)  # after a sleep or a stepped clock, look before deciding
        due = self.desk.deadline(now)
        if due is not None and due <= now:
            self.ground.prove()
            if self.desk.tick(now).told:
                self._delivery.wake()
        self._keep_delivering()
        if self._looker.gives_up(self._clock.monotonic()):
            self._hooks.trouble(NOT_BACK)
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
        return silent < MISSED_ROUNDS * self._schedule.rhythm.survey.total_seconds() + 120

    def _keep_delivering(self) -> None:
        """Keep the delivery running, and say when it cannot be."""
        try:
            status = self._delivery.ensure(self._clock.monotonic())
        except OSError as error:
            self._hooks.trouble(f"Messages cannot be sent: the delivery does not start ({error}).")
            return
        if status is not None:
            self._hooks.trouble(
                f"The delivery of messages ended by itself (status {status}); it is started "
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
                    if last is not None and now - last >= self._schedule.rhythm.upkeep:
                        tx.roll_up(now)
            case Word.HEARTBEAT:
                if self._makes_rounds:
                    self._hooks.beat()
            case Word.RELOAD:
                standing = self._hooks.reload()
                if standing is not None:
                    self._schedule.keep(self._hooks.rhythm() or self._schedule.rhythm)
                    self.desk = Desk(self.ground.store, standing)
                    self._is_asked = True
                    self._delivery.reload()
                    self._look(deep=False)
            case Word.STOP:
                pass

    def _look(self, *, deep: bool) -> None:
        """Have the box looked at; one look at a time."""
        if self._looker.is_looking:
            self._again = True
            return
        with self.desk.store.snapshot() as tx:
            text = tx.kept(self.desk.standing.box, POSITION)
        position = self._position_of(text)
        self._count += 1
        now = self._clock.now()
        name = f"{self.desk.standing.box}/{now:%Y%m%dT%H%M%S.%f}/{self._count}"
        self._looker.look(name, now, position, deep=deep, monotonic=self._clock.monotonic())

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

    def _works(self) -> frozenset[str]:
        """Name what of the watch itself is known to work."""
        return frozenset() if self.ground.in_memory else frozenset({STATE, HISTORY})

    def _take_in(self, taken: Taken) -> None:
        """Hand a survey to the desk, with how far the kernel log was read."""
        self._looker.is_looking = False
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
