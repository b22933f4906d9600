"""When the state folder gives way: the watch goes on in memory, says so, and comes back.

The state may lie on the very drive that is dying. A full, read-only or failing disk must stop no
message: the desk moves onto a store in memory with what it stands on, messages leave from this
process, and a finding tells the person. The way back is tried every few minutes, and when a person
asks for a look.
"""

from __future__ import annotations

import random  # noqa: TID251 - spreads retries
import threading
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from types import MappingProxyType
from typing import Final

from watcher.facts.finding import Evidence, Finding, Urgency
from watcher.facts.identity import about_source
from watcher.notify.target import Target
from watcher.service.clock import Clock
from watcher.service.delivery import Delivery
from watcher.service.disk_proof import DiskProof
from watcher.service.mark import Mark
from watcher.service.message_id import message_id_of
from watcher.service.sender_process import SenderProcess
from watcher.store.database import Store
from watcher.store.errors import (
    StoreAway,
    StoreDiskFails,
    StoreError,
    StoreFull,
    StoreLocked,
    StoreReadOnly,
    translate_os,
)
from watcher.store.memory import Fallback, fall_back
from watcher.store.outbox import NoticeState
from watcher.store.return_to_disk import return_to_disk

STATE = "state folder"
HISTORY = "history"

BACK_APART = timedelta(minutes=5)
"""Between two tries of the way back, unless somebody asks for a look. Our choice: each try on a
disk that fails makes the kernel say so, which is grave and brings the next look: without a pause
it would be worked on every half minute."""

DOUBTS_APART = timedelta(hours=24)
"""A store in doubt is opened anew, which examines and rescues it, at most so often; in between the
watch stays in memory. Our choice: a disk that damages it twice a day is no ground to
stand on, and each rescue leaves a file set aside."""


_PASSES = (StoreFull, StoreReadOnly, StoreLocked, StoreAway)
"""Errors that leave a store as it was. After others it may make no sense; after an error of the
disk what was written last may be on it in part, though it reads well from memory (fsync(2))."""


READ_SECONDS = 20.0
"""How long what a failing disk knows may take to be read. Our choice: mostly it is in memory still,
and with the proof before it, it must stay well below the watchdog of the unit (WatchdogSec=)."""


MOST_WAITING = 10_000
"""How many messages are looked through when the ground changes; our choice, far more than wait."""
_NOTHING: Mapping[str, datetime] = MappingProxyType({})
_ANY_STEP: Final = "Make room on its disk, or see whether that drive is failing."

_STEPS: Final[Mapping[type[StoreError] | None, str]] = {
    StoreFull: "Make room on its disk.",
    StoreReadOnly: "See whether its disk was made read-only after an error (the kernel log tells): "
    "then look at that drive first, and copy what matters off it. If not, mend the rights or the "
    "mount.",
    StoreDiskFails: "Its disk gives errors: look at that drive first, its cable and power before "
    "the drive itself, and copy what matters off it.",
}
"""What to do, by what made the disk give way. A file system that met an error of its drive lets
nothing be written any more; ext4(5) and btrfs(5) make it read-only."""


_DAMAGED_STEP: Final = (
    "Look at the drive under the state folder: damage there may be its first sign. Keep the file "
    "that was set aside until you are sure."
)
_CHANGED_STEP: Final = (
    "Its tables were changed, by a person or a program: find out which, and leave them to "
    "midwatch. If nobody did it, look at the drive under the state folder. Keep the file that was "
    "set aside."
)


class DeliveryHere:
    """Delivers from a store in memory, in a thread of this process."""

    def __init__(self, delivery: Delivery) -> None:
        """Set it up; nothing runs yet."""
        self._delivery = delivery
        self._thread: threading.Thread | None = None

    def ensure(self, monotonic: float) -> int | None:
        """Start the thread when it does not run; it has no status."""
        del monotonic
        if self._thread is None or not self._thread.is_alive():
            self._thread = threading.Thread(target=self._delivery.run, name="delivery", daemon=True)
            self._thread.start()
        return None

    def wake(self) -> None:
        """Say that there may be something to send."""
        self._delivery.events.put("wake")

    def reload(self) -> None:
        """New ways count from the next look on, when another delivery takes its place."""

    @property
    def left(self) -> Mapping[str, datetime]:
        """What has left stands in the memory itself."""
        return {}

    def stop(self) -> bool:
        """Let it finish what is under way; False when it took too long."""
        self._delivery.events.put("end")
        if self._thread is not None:
            self._thread.join(40.0)
            if self._thread.is_alive():
                return False
        self._delivery.close()
        return True


@dataclass(frozen=True, slots=True, kw_only=True)
class Ways:
    """What a delivery needs to know of the settings."""

    targets: tuple[Target, ...]
    timeout_seconds: float
    give_up_after: timedelta
    show: Callable[[str], None]
    say_here: Callable[[str, str], object]


class Ground:
    """The store the desk stands on: the disk, or memory while the disk takes nothing."""

    def __init__(
        self,
        disk: Store | None,
        clock: Clock,
        open_disk: Callable[[], Store] | None = None,
        proof: DiskProof | None = None,
    ) -> None:
        """Begin on the disk; for what has none yet see ``without_disk``.

        ``open_disk`` opens the same store anew, and rescues it where it is damaged.
        """
        self.disk = disk
        self._clock = clock
        self._memory: Fallback | None = None
        self._why = ""
        self._since: datetime | None = None
        self._open_disk = open_disk
        self._kind: type[StoreError] | None = None  # of what made it give way
        self._mark = Mark(disk.path) if disk is not None and disk.path is not None else None
        self._in_doubt = False  # what the disk said last was not about its room or its rights
        self._doubted_at: datetime | None = None
        self._proof = proof or DiskProof()
        self._tried_at: datetime | None = None  # the way back, since it gave way

    @classmethod
    def without_disk(
        cls,
        open_disk: Callable[[], Store],
        clock: Clock,
        error: StoreError | OSError,
        past: Store | None = None,
    ) -> Ground:
        """Begin in memory, because the store could not be opened; ``open_disk`` is tried again.

        ``past`` is that store opened to be looked at, where it can be: what it knows goes into
        memory, so that no case is told anew. It is closed.
        """
        ground = cls(None, clock, open_disk)
        ground._since = clock.now()
        try:
            ground._memory = fall_back(past, now=ground._since)
        finally:
            if past is not None:
                past.close()
        if isinstance(error, OSError):
            error = translate_os(error, "the state folder")
        ground._why, ground._kind = str(error), type(error)
        return ground

    @property
    def store(self) -> Store:
        """The store to use now."""
        if self._memory is not None:
            return self._memory.store
        assert self.disk is not None  # noqa: S101 - without a disk there is a memory
        return self.disk

    @property
    def in_memory(self) -> bool:
        """Whether the disk is not written now."""
        return self._memory is not None

    @property
    def why(self) -> str:
        """What the disk said last."""
        return self._why

    def give_way(self, error: StoreError, left: Mapping[str, datetime] = _NOTHING) -> None:
        """Move onto memory because of an error of the disk.

        ``left`` names the messages that have left, of which the disk may not know: a memory of
        what waits there must not send them again. One that begins empty has messages of its own.
        """
        if self._memory is None:
            self._since = self._clock.now()
            self._memory = self._fall_back(self._since)
            _note_what_left(self._memory.store, left)
            self._in_doubt = not isinstance(error, _PASSES)
            self._kind = type(error)
            self._tried_at = None
        self._why = str(error)
        self._show_mark()

    def _fall_back(self, now: datetime) -> Fallback:
        """Give a memory with what the disk knows; an empty one where it does not answer."""
        made: list[Fallback] = []
        if self.disk is not None:
            disk = self.disk
            with suppress(StoreDiskFails):
                DiskProof(READ_SECONDS).ask(
                    lambda: made.append(fall_back(disk, now=now)), disk.where
                )
        return made[0] if made else fall_back(None, now=now)

    def prove(self) -> None:
        """Have the disk say whether it keeps what it took, and within a minute.

        Raises StoreError when it does not. A drive that is dying may hold a write for minutes: the
        one who decides must not stand there, for then nobody watches.
        """
        if self._memory is None and self.disk is not None:
            self._proof.ask(self.disk.prove_disk, self.disk.where)

    def may_come_back(self) -> bool:
        """Tell whether it is time to try the way back again without being asked to."""
        return self._memory is not None and not self._was_within(self._tried_at, BACK_APART)

    def _was_within(self, moment: datetime | None, span: timedelta) -> bool:
        """Tell whether a moment was within a span before now; one that is yet to come was not.

        The clock may have been set back since.
        """
        return moment is not None and timedelta(0) <= self._clock.now() - moment < span

    def come_back(self) -> bool:
        """Try to bring what happened in memory to the disk; True when the desk is back on it."""
        if self._memory is None:
            return False
        self._tried_at = self._clock.now()
        try:
            if self.disk is not None:
                self._proof.ask(self.disk.prove_folder, self.disk.where)
            if self._in_doubt and not self._let_it_go():
                return False
            if self.disk is None and self._open_disk is not None:
                self.disk = self._open_disk()
            assert self.disk is not None  # noqa: S101 - one of the two was given
            return_to_disk(self._memory, self.disk)
        except (StoreError, OSError) as error:
            self._why = str(error)
            self._show_mark()
            return False
        if self._mark is None and self.disk.path is not None:
            self._mark = Mark(self.disk.path)
        if self._mark is not None:
            self._mark.take_down()
        self._memory.store.close()
        self._memory = None
        self._since = None
        return True

    def _let_it_go(self) -> bool:
        """Close a store in doubt, so that all is written out and examined when it is opened anew.

        False while that was done lately: written to again, it would only fail again.
        """
        if self._open_disk is None:
            return True
        if self._was_within(self._doubted_at, DOUBTS_APART):
            return False
        self._doubted_at = self._clock.now()
        self._in_doubt = False
        disk, self.disk = self.disk, None
        if disk is not None:
            with suppress(StoreError):
                disk.close()
        return True

    def _show_mark(self) -> None:
        """Let commands know that what they read from the disk is not all."""
        if self._mark is not None:
            self._mark.show()

    def findings(self, now: datetime) -> tuple[Finding, ...]:
        """Say that the state is not written, while it is not; and that it was damaged, once."""
        if self._memory is None:
            return self._damage(now)
        lost = "" if self._memory.knows_the_past else " What was seen before is not known either."
        what_to_do = _STEPS.get(self._kind, _ANY_STEP)
        return (
            Finding(
                rule="state-not-written",
                subject=about_source(STATE),
                label="the state folder",
                urgency=Urgency.TODAY,
                sentence=f"The history cannot be written; the watch goes on in memory.{lost}",
                next_step=f"{what_to_do} Until then do not stop the watch: what it knows now would "
                "be forgotten.",
                observed_at=now,
                evidence=(Evidence(what="the disk says", value=self._why),),
            ),
        )

    def _damage(self, now: datetime) -> tuple[Finding, ...]:
        """Say that the file was damaged and set aside, until that was told."""
        rescue = self.disk.rescue if self.disk is not None else None
        if rescue is None:
            return ()
        return (
            Finding(
                rule="history-was-damaged",
                subject=about_source(HISTORY),
                label="the history",
                urgency=Urgency.THIS_WEEK,
                sentence=rescue.sentence,
                next_step=_CHANGED_STEP if rescue.was_changed else _DAMAGED_STEP,
                observed_at=now,
                evidence=(Evidence(what="what was seen", value=rescue.reason),),
            ),
        )

    def were_told(self) -> None:
        """Note that people were told what ``findings`` said."""
        if self._memory is None and self.disk is not None and self.disk.rescue is not None:
            self.disk.rescue_was_told()

    def close(self) -> None:
        """Close the disk and the memory."""
        for store in (self.disk, self._memory.store if self._memory is not None else None):
            if store is not None:
                store.close()
        if self._mark is not None:
            self._mark.close()

    def deliver_here(self, ways: Ways) -> DeliveryHere:
        """Give a delivery from memory."""
        delivery = Delivery(
            self.store,
            targets=ways.targets,
            make_sender=SenderProcess,
            clock=self._clock,
            chance=random.random,
            show=ways.show,
            say_here=ways.say_here,
            timeout_seconds=ways.timeout_seconds,
            give_up_after=ways.give_up_after,
        )
        return DeliveryHere(delivery)


def _note_what_left(store: Store, left: Mapping[str, datetime]) -> None:
    """Write down in a memory what has left while the disk could not be told."""
    with store.transaction() as tx:
        for state in (NoticeState.SENDING, NoticeState.WAITING):
            for notice in tx.notices_in(state, limit=MOST_WAITING):
                at = left.get(message_id_of(notice.key, notice.target))
                if at is not None:
                    tx.mark_sent(notice.number, at)
