"""Where a world, the real desk over the real store, phones and people meet on one clock.

Every word that can be said here is a line of text (``words.py``), so that whatever a random run
did can be written down as a scenario and played again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import TypeVar

from tests.simulation.faulty import Disk, Killed
from tests.simulation.plain import plain_observation
from tests.simulation.world import BOX, World
from watcher.cases.decide import decide
from watcher.cases.effects import Tell
from watcher.cases.observations import Observation, SurveyJudged
from watcher.cases.policy import Policy
from watcher.cases.state import Book
from watcher.exposure.window import WindowPlan
from watcher.facts.survey import Survey
from watcher.notify.secret import Secret
from watcher.notify.target import Target
from watcher.rules.tuning import Tuning
from watcher.service.desk import Desk, Outcome, Standing
from watcher.service.retry import next_try
from watcher.store.errors import StoreError
from watcher.store.outbox import Notice
from watcher.store.transaction import Transaction

T = TypeVar("T")
LOOKS_EVERY = timedelta(minutes=10)
RETRY = timedelta(seconds=5)
STALE = timedelta(minutes=2)


@dataclass
class Phone:
    """What a person got; ``works`` is whether messages arrive."""

    works: bool = True
    cut_off: int = 0  # so many of the next arrivals are not confirmed
    detour: timedelta | None = None  # the next one arrives so much later, unconfirmed
    on_its_way: list[tuple[datetime, Notice]] = field(default_factory=list)
    got: list[tuple[datetime, Notice]] = field(default_factory=list)


@dataclass(frozen=True)
class Snapshot:
    """The truth at the moment of a survey, and what of it the survey could see."""

    number: int
    state: str  # all of the box that a survey could show
    truth: dict[str, str]  # whole, thinned, bare, broken
    lost: dict[str, tuple[str, ...]]  # drives that are not there, by pool
    seats_lost: dict[str, int]
    blind: frozenset[str]
    listed: frozenset[str]  # pools that their stack names
    readable: frozenset[str]  # drives that give a reading
    failing: frozenset[str]  # of these: condemned by their own verdict
    homes: tuple[tuple[str, str], ...]  # each drive that is there, and the pool of its bay


class Stage:
    """One run."""

    def __init__(
        self,
        *,
        start: datetime,
        policy: Policy,
        folder: Path | None = None,
        full: bool = True,
        with_mail: frozenset[str] = frozenset(),
    ) -> None:
        """Begin. ``full``: real rules over real surveys; otherwise plain findings of our own.

        Everybody has a phone, those in ``with_mail`` a second way, which goes by ``ada/mail``.
        """
        self.now = start
        self.start = start
        self.policy = policy
        self.full = full
        self.world = World.new()
        self.disk = Disk(folder, start)
        self._with_mail = with_mail
        self.desk = self._new_desk()
        self.phones = {person.name: Phone() for person in policy.people}
        self.phones |= {f"{name}/mail": Phone() for name in sorted(with_mail)}
        self.snapshots: dict[datetime, Snapshot] = {}
        self.looks_every = LOOKS_EVERY
        self.next_look = start
        self.waiting: list[tuple[datetime, Survey]] = []  # surveys on their way
        self.plain: dict[str, SurveyJudged] = {}
        self.claims = 0
        self.kills = 0
        self.failures = 0
        self.refused: list[str] = []
        self.retry_at: datetime | None = None
        self.unconfirmed = 0  # arrivals whose confirmation was cut off
        self.jumps: list[tuple[datetime, datetime]] = []  # sleeps and steps ahead of the clock

    def _new_desk(self) -> Desk:
        targets = tuple(
            Target(name=way, person=person.name, url=Secret("json://127.0.0.1/"))
            for person in self.policy.people
            for way in (("phone", "mail") if person.name in self._with_mail else ("phone",))
        )
        standing = Standing(
            box=BOX, policy=self.policy, tuning=Tuning(), targets=targets, plan=WindowPlan()
        )
        return Desk(self.disk.store, standing)

    # ------------------------------------------------------------------ with faults around

    def guarded(self, act: Callable[[], T]) -> T | None:
        """Do something to the store as the service would: None when it failed or was killed."""
        try:
            return act()
        except StoreError:
            self.failures += 1
            self.retry_at = self.now + RETRY
            return None
        except Killed:
            self.kills += 1
            self.restart()
            return None

    def restart(self) -> None:
        """The process begins anew: nothing but the store is left, and that is what it told."""
        self.disk.restart(self.now)
        self.desk = self._new_desk()
        self.check_fold()

    def take_in(self, survey: Survey) -> Outcome | None:
        """Hand a survey to the desk."""
        if self.full:
            return self.guarded(lambda: self.desk.take_in(survey, self.now))
        observation = self.plain[survey.survey]
        return self.guarded(lambda: self.desk.hear(observation, self.now))

    def hear(self, observation: Observation) -> Outcome | None:
        """Hand over what a person says; who finds the store busy says it again."""
        for _ in range(3):
            outcome = self.guarded(lambda: self.desk.hear(observation, self.now))
            if outcome is not None:
                if outcome.refused:
                    self.refused.append(outcome.refused)
                return outcome
        raise AssertionError("the store never came back")

    # ------------------------------------------------------------------ looking

    def survey(self) -> Survey:
        """Look at the world, and write down the truth of that moment."""
        world = self.world
        taken_at = self.now - timedelta(seconds=1) + timedelta(microseconds=world.surveys)
        self.snapshots[taken_at] = Snapshot(
            number=world.surveys,
            state=world.state(),
            truth={name: pool.truth for name, pool in world.pools.items()},
            lost={
                name: tuple(s.serial for s in pool.seats if not s.good and s.rebuilding is None)
                for name, pool in world.pools.items()
            },
            seats_lost={name: pool.lost for name, pool in world.pools.items()},
            blind=frozenset(world.blind),
            listed=frozenset(name for name, pool in world.pools.items() if pool.listed),
            readable=frozenset(drive.id for drive in world.readable),
            failing=frozenset(drive.id for drive in world.readable if drive.failing),
            homes=tuple((d.id, world.pool_of(d.bay).id) for d in world.readable),
        )
        return world.look(taken_at)

    def look(self, *, late: timedelta = timedelta(0), times: int = 1) -> None:
        """Look once; the survey may arrive late, more than once, or (0 times) never."""
        survey = self.survey()
        if not self.full:  # judged by what was known when it was taken
            self.plain[survey.survey] = plain_observation(survey, self.world)
        for _ in range(times):
            if late:
                self.waiting.append((self.now + late, survey))
            else:
                self.take_in(survey)
        self.next_look = self.now + self.looks_every

    # ------------------------------------------------------------------ time

    def wait(self, span: timedelta) -> None:
        """Let time pass, with all that falls due on the way."""
        end = self.now + span
        for _ in range(20_000):
            due = self._next_moment()
            if due > end:
                break
            self.now = max(due, self.now)
            self._moment()
        else:
            raise AssertionError("the stage never comes to rest")
        self.now = end
        self._moment()

    def sleep(self, span: timedelta) -> None:
        """The machine is suspended: time passes and nothing else does."""
        self.jumps.append((self.now, self.now + span))
        self.now += span
        self._moment()

    def step_clock(self, step: timedelta) -> None:
        """The wall clock is set to another time; everything after it uses that."""
        if step > timedelta(0):
            self.jumps.append((self.now, self.now + step))
        self.now += step
        self.next_look = min(self.next_look, self.now + self.looks_every)
        if self.retry_at is not None:
            self.retry_at = self.now
        self._moment()

    def _next_moment(self) -> datetime:
        moments = [self.next_look]
        moments += [at for at, _ in self.waiting]
        moments += [at for phone in self.phones.values() for at, _ in phone.on_its_way]
        if self.retry_at is not None:
            return min(max(self.retry_at, self.now), *moments)
        due = self.guarded(lambda: self.desk.deadline(self.now))
        if due is not None:
            moments.append(due)
        with self.peek() as tx:
            sending = tx.next_due(self.now)
        if sending is not None:
            moments.append(sending)
        return min(moments)

    def _moment(self) -> None:
        """Do what is due now."""
        self.retry_at = None
        self._arrive_late()
        for at, survey in [w for w in self.waiting if w[0] <= self.now]:
            self.waiting.remove((at, survey))
            self.take_in(survey)
        if self.next_look <= self.now:
            self.look()
        due = self.guarded(lambda: self.desk.deadline(self.now))
        if due is not None and due <= self.now:
            self.guarded(lambda: self.desk.tick(self.now))
        self.deliver()

    # ------------------------------------------------------------------ delivery

    def deliver(self) -> None:
        """Send what is due; a phone may be dead, or its confirmation cut off."""
        self.claims += 1
        name = f"sender-{self.claims}"

        def claim() -> tuple[Notice, ...]:
            with self.disk.store.transaction() as tx:
                tx.release_stale_claims(self.now, STALE)
                return tx.claim_due(self.now, 50, name)

        for notice in self.guarded(claim) or ():
            confirmed = self._hand_to(self.phones[notice.target.removesuffix("/phone")], notice)
            self.guarded(lambda n=notice, ok=confirmed: self._note(n, name, ok=ok))  # type: ignore[misc]

    def _hand_to(self, phone: Phone, notice: Notice) -> bool:
        """Hand one message over; tell whether that was confirmed."""
        if not phone.works:
            return False
        if phone.detour is not None:
            phone.on_its_way.append((self.now + phone.detour, notice))
            phone.detour = None
            self.unconfirmed += 1
            return False
        phone.got.append((self.now, notice))
        if phone.cut_off:
            phone.cut_off -= 1
            self.unconfirmed += 1
            return False
        return True

    def _arrive_late(self) -> None:
        """What was on its way for long arrives now."""
        for phone in self.phones.values():
            for at, notice in [m for m in phone.on_its_way if m[0] <= self.now]:
                phone.on_its_way.remove((at, notice))
                phone.got.append((self.now, notice))

    def _note(self, notice: Notice, name: str, *, ok: bool) -> bool:
        with self.disk.store.transaction() as tx:
            if ok:
                return tx.mark_sent(notice.number, self.now)
            return tx.mark_failed(
                notice.number,
                name,
                now=self.now,
                next_try_at=next_try(notice.attempts, self.now, 0.5),
                error="no answer",
            )

    # ------------------------------------------------------------------ what is known

    @contextmanager
    def peek(self) -> Iterator[Transaction]:
        """Look into the store without being a part of the run."""
        with self.disk.faults.spared(), self.disk.store.snapshot() as tx:
            yield tx

    def book(self) -> Book:
        with self.peek() as tx:
            return tx.load_book(BOX)

    def history(self) -> tuple[tuple[datetime, Observation], ...]:
        with self.peek() as tx:
            return tx.observations(BOX, self.start - timedelta(days=4000))

    def outbox(self) -> tuple[Notice, ...]:
        with self.peek() as tx:
            return tx.list_notices(BOX, limit=1_000_000)

    def fold(self) -> tuple[Book, list[tuple[datetime, Tell]]]:
        """Decide the whole kept history again; give the book and all that was to be said."""
        book = Book(box=BOX)
        tells = []
        for at, observation in self.history():
            book, effects = decide(book, observation, at, self.policy)
            tells += [(at, e) for e in effects if isinstance(e, Tell)]
        return book, tells

    def check_fold(self) -> None:
        """The case book equals the folded history."""
        folded, _ = self.fold()
        assert folded == self.book(), "the book is not what its history makes of it"
