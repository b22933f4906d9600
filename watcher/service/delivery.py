"""Delivery: takes messages out of the outbox, has them sent, and writes down what came of it.

Order within one way is kept; ways that fail have a lane of their own (``lanes.py``). What a dead
predecessor had taken is taken over and sent with the same message id (``claims.py``).

A full or failing disk: what waits is still read and sent, and what came of it is remembered in
memory and written down when the disk takes it again. The daemon hears of it too (``left.py``).
"""

from __future__ import annotations

import queue
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta

from watcher.facts.finding import Urgency
from watcher.notify.job import Job
from watcher.notify.target import TIMEOUT_SECONDS, SendResult, Target
from watcher.service.claims import is_alive, is_seen, is_told_by_a_lock, own_name
from watcher.service.clock import Clock
from watcher.service.lanes import Done, Lane, Lanes, Sender
from watcher.service.message_id import message_id_of, thread_of
from watcher.service.retry import next_try
from watcher.store.database import Store
from watcher.store.errors import StoreError
from watcher.store.outbox import Notice, NoticeState

MOST_TAKEN = 200
"""How many messages are held at once; more wait in the outbox. The flood limit of the cases keeps
a box far below it."""
MOST_LOOKED_AT = 1000
POLL_SECONDS = 5.0
"""How often the outbox is looked at without being woken: a command may have put something in."""
BUSY_SECONDS = 1.0
STALE_AFTER = timedelta(minutes=10)
"""A claim of somebody who cannot be looked up is given free after that. Our choice: five times
what the longest job can take."""
LOOK_FOR_DEAD = timedelta(minutes=1)
NOT_BACK = "the sender did not come back"
"""What is written of a message that a predecessor had taken; it may never have been begun, so it
does not count as a try."""
TRIES_BEFORE_LAST_RESORT = 2
"""Every way must have failed that often before it is said on the machine itself."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Failed:
    """A failed try that is not written down yet."""

    at: datetime
    next_try_at: datetime
    error: str


def nobody_hears(_message_id: str, _at: datetime) -> None:
    """Tell nobody what has left."""


class Delivery:
    """Works through the outbox, one step at a time."""

    def __init__(  # noqa: PLR0913 - the parts that tests replace
        self,
        store: Store,
        *,
        targets: tuple[Target, ...],
        make_sender: Callable[[], Sender],
        clock: Clock,
        chance: Callable[[], float],
        show: Callable[[str], None],
        say_here: Callable[[str, str], object],
        timeout_seconds: float = TIMEOUT_SECONDS,
        give_up_after: timedelta = timedelta(hours=72),
        left: Callable[[str, datetime], object] = nobody_hears,
        to_the_end: bool = False,
    ) -> None:
        """Work over a store; nothing happens before ``step``.

        ``left`` is told each message that has left, by its id, before that is written down. With
        ``to_the_end`` what is due when it is told to end is still taken and tried once.
        """
        self.store, self.clock = store, clock
        self.use(targets, timeout_seconds, give_up_after)
        self.events: queue.SimpleQueue[Done | str] = queue.SimpleQueue()
        self.ending = False
        self._to_the_end = to_the_end
        self.name = own_name(held=store.is_shared)
        self._lanes = Lanes(make_sender, self.events.put)
        self._chance, self._show, self._say_here = chance, show, say_here
        self._left = left
        self._pending: list[Notice] = []  # taken, not yet with a lane
        self._with: dict[Lane, Notice] = {}  # what each lane has at hand
        self._failing: set[str] = set()
        self._unwritten: dict[int, datetime] = {}  # arrived, and the disk did not take it
        self._unwritten_tries: dict[int, Failed] = {}  # failed, and the disk did not take it
        self._said_here: set[str] = set()
        self._looked_for_dead: datetime | None = None

    def use(
        self, targets: tuple[Target, ...], timeout_seconds: float, give_up_after: timedelta
    ) -> None:
        """Go on with these ways and limits."""
        self._targets = {target.key: target for target in targets}
        self._timeout_seconds = timeout_seconds
        self._give_up_after = give_up_after

    @property
    def is_idle(self) -> bool:
        """Whether no message is under way."""
        return not self._with

    def step(self) -> None:
        """Write down what came in, take what is due, hand it out. Never waits for a server."""
        while True:
            try:
                event = self.events.get_nowait()
            except queue.Empty:
                break
            self._hear(event)
        self._write_unwritten()
        if not self.ending or self._to_the_end:
            now = self.clock.now()
            self._free_the_dead(now)
            self._take(now)
            self._hand_out()

    def wait(self, seconds: float = POLL_SECONDS) -> None:
        """Wait for something to happen."""
        try:
            event = self.events.get(timeout=seconds)
        except queue.Empty:
            return
        self._hear(event)

    def run(self) -> None:
        """Work until told to end, and then until nothing is under way."""
        while True:
            self.step()
            if self.ending and self.is_idle and not (self._to_the_end and self._pending):
                return
            self.wait(self._seconds_to_next())

    def close(self) -> None:
        """End the lanes and their senders."""
        self._lanes.close()

    def _seconds_to_next(self) -> float:
        """Give how long to wait for the next message that is due."""
        try:
            with self.store.snapshot() as tx:
                due = tx.next_due(self.clock.now())
        except StoreError:
            return POLL_SECONDS
        if due is None:
            return POLL_SECONDS
        ahead = (due - self.clock.now()).total_seconds()
        if ahead <= 0:  # due and not taken: the disk takes nothing, or the hands are full
            return BUSY_SECONDS
        return min(max(ahead, 0.05), POLL_SECONDS)

    def _hear(self, event: Done | str) -> None:
        """Take in one event."""
        if isinstance(event, str):
            self.ending = self.ending or event == "end"
            return
        notice = self._with.pop(event.lane)
        self._write_down(notice, event.result)

    def _free_the_dead(self, now: datetime) -> None:
        """Take over what a predecessor had taken and never reported."""
        last = self._looked_for_dead
        if last is not None and timedelta(0) <= now - last < LOOK_FOR_DEAD:
            return  # (a look that is yet to come was before the clock was set back)
        self._looked_for_dead = now
        living = {self.name}
        try:
            with self.store.transaction(beside=True) as tx:
                for notice in tx.notices_in(NoticeState.SENDING, limit=MOST_LOOKED_AT):
                    holder = notice.claimed_by or ""
                    if self._is_abandoned(notice, holder):
                        tx.mark_failed(
                            notice.number,
                            holder,
                            now=now,
                            next_try_at=now,
                            error=NOT_BACK,
                        )
                    elif self._is_looked_up(holder):
                        living.add(holder)
                tx.release_stale_claims(now, STALE_AFTER, besides=living)
                records = tx.target_records(now)
        except StoreError:
            return  # the disk takes nothing now; looked for again in a minute
        self._failing |= {r.target for r in records if r.failing_since is not None}

    def _is_abandoned(self, notice: Notice, holder: str) -> bool:
        """Tell whether nobody works on a message that was taken."""
        if holder == self.name:
            ours = self._held | self._unwritten.keys() | self._unwritten_tries.keys()
            return notice.number not in ours
        if self.store.is_shared and is_told_by_a_lock(holder):
            return not self.store.is_held(holder)
        return not is_alive(holder, far=self.store.is_shared)

    def _is_looked_up(self, holder: str) -> bool:
        """Tell whether it is known of a holder at any time whether it lives."""
        return is_seen(holder) or (self.store.is_shared and is_told_by_a_lock(holder))

    def _holds(self) -> bool:
        """Keep hold of our name; False while that cannot be done: then nothing more is begun.

        On a shared store others take over what we took as soon as our connection is gone. So what
        was not begun by then is put down, and taken anew if it is still there; what a lane has at
        hand may arrive twice, under the same message id.
        """
        if not self.store.is_shared:
            return True
        try:
            unbroken = self.store.hold(self.name)
        except StoreError:
            return False
        if not unbroken:
            self._pending = []
            self._looked_for_dead = None
        return True

    def _take(self, now: datetime) -> None:
        """Take what is due."""
        room = MOST_TAKEN - len(self._pending) - len(self._with)
        if room <= 0 or not self._holds():
            return
        if self._unwritten_tries:  # the disk takes nothing
            self._take_without_writing(now)
            return
        try:
            with self.store.snapshot() as tx:
                due = tx.next_due(now)
            if due is None or due > now:
                return
            with self.store.transaction(beside=True) as tx:
                self._pending += tx.claim_due(now, room, self.name)
        except StoreError:
            self._take_without_writing(now)

    def _take_without_writing(self, now: datetime) -> None:
        """Take what is due from a store that cannot be written, and remember it here.

        That is what waits, and what we had taken ourselves and could not write down as failed.
        """
        try:
            with self.store.snapshot() as tx:
                rows = [
                    *tx.notices_in(NoticeState.SENDING, limit=MOST_TAKEN),
                    *tx.notices_in(NoticeState.WAITING, limit=MOST_TAKEN),
                ]
        except StoreError:
            return  # nothing can be read either; the daemon tells of it by its own ways
        self._pending += [
            notice
            for notice in rows
            if notice.number not in self._held
            and notice.number not in self._unwritten
            and (notice.state is NoticeState.WAITING or notice.claimed_by == self.name)
            and self._next_try_of(notice) <= now
        ]

    def _next_try_of(self, notice: Notice) -> datetime:
        """Give when a message is due, by what is remembered here before what is written."""
        failed = self._unwritten_tries.get(notice.number)
        return failed.next_try_at if failed is not None else notice.next_try_at

    @property
    def _held(self) -> set[int]:
        """The messages that are in our hands."""
        return {n.number for n in self._pending} | {n.number for n in self._with.values()}

    def _hand_out(self) -> None:
        """Give each idle lane the first message that belongs into it."""
        if self._pending and not self._holds():
            return
        still: list[Notice] = []
        for notice in self._pending:
            target = self._targets.get(notice.target)
            if target is None:
                self._give_up(notice, "this way is not in the settings any more")
                continue
            if target.is_terminal:
                self._write_down(notice, self._on_terminal(notice))
                continue
            lane = Lane.SLOW if notice.target in self._failing else Lane.STEADY
            if lane in self._with:
                still.append(notice)
                continue
            self._with[lane] = notice
            self._lanes.submit(
                lane,
                notice.number,
                Job(
                    target=target,
                    title=notice.title,
                    body=notice.body,
                    urgency=notice.urgency,
                    message_id=message_id_of(notice.key, notice.target),
                    timeout_seconds=self._timeout_seconds,
                    thread=thread_of(notice.key),
                ),
            )
        self._pending = still

    def _on_terminal(self, notice: Notice) -> SendResult:
        """Print a message where the watch runs."""
        try:
            self._show(f"{notice.title}\n{notice.body}")
        except OSError as error:
            return SendResult(ok=False, error=f"the terminal is gone ({error.strerror})")
        return SendResult(ok=True)

    def _write_down(self, notice: Notice, result: SendResult) -> None:
        """Write down what came of one try."""
        now = self.clock.now()
        if result.ok:
            self._left(message_id_of(notice.key, notice.target), now)
            self._failing.discard(notice.target)
            self._unwritten_tries.pop(notice.number, None)
            self._unwritten[notice.number] = now
            self._write_unwritten()
            return
        if not result.ours:
            self._failing.add(notice.target)
        if now - notice.created_at > self._give_up_after:
            self._give_up(notice, result.error)
            return
        at = next_try(
            self._tries(notice.number) + 1,
            now,
            self._chance(),
            permanent=result.permanent,
            ours=result.ours,
        )
        self._unwritten_tries[notice.number] = Failed(at=now, next_try_at=at, error=result.error)
        self._write_unwritten()
        self._last_resort(notice)

    def _tries(self, number: int) -> int:
        """Count the tries of a message that failed; that it was taken up alone is none."""
        try:
            with self.store.snapshot() as tx:
                attempts = tx.attempts(number)
        except StoreError:
            return 0
        return sum(a.outcome == "failed" and a.error != NOT_BACK for a in attempts)

    def _write_unwritten(self) -> None:
        """Write down what came of messages; what the disk does not take is kept for later."""
        if not (self._unwritten or self._unwritten_tries):
            return
        try:
            with self.store.transaction(beside=True) as tx:
                for number, at in self._unwritten.items():
                    tx.mark_sent(number, at)
                for number, failed in self._unwritten_tries.items():
                    tx.mark_failed(
                        number,
                        self.name,
                        now=failed.at,
                        next_try_at=failed.next_try_at,
                        error=failed.error,
                    )
        except StoreError:
            return  # sent from memory meanwhile, see _take_without_writing
        self._unwritten, self._unwritten_tries = {}, {}

    def _give_up(self, notice: Notice, error: str) -> None:
        """Write down that a message will not arrive by this way."""
        try:
            with self.store.transaction(beside=True) as tx:
                tx.give_up(notice.number, self.name, now=self.clock.now(), error=error)
        except StoreError:
            return  # its claim goes stale, and it comes up again
        self._last_resort(notice)

    def _last_resort(self, notice: Notice) -> None:
        """Say it on the machine itself when it cannot wait and every way has failed."""
        if notice.urgency is not Urgency.NOW or notice.key in self._said_here:
            return
        try:
            with self.store.snapshot() as tx:
                recent = tx.list_notices(notice.box, limit=MOST_LOOKED_AT)
        except StoreError:
            return  # asked again at the next failure
        ways = [n for n in recent if n.key == notice.key and n.person == notice.person]
        failed = all(
            n.state is NoticeState.GIVEN_UP
            or (
                n.state is not NoticeState.SENT
                and self._tries(n.number) >= TRIES_BEFORE_LAST_RESORT
            )
            for n in ways
        )
        if ways and failed:
            self._said_here.add(notice.key)
            self._say_here(notice.title, notice.body)
