"""The clock's part of the hub: what falls due, who is quiet, upkeep, and that messages leave."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Protocol

from watcher.hub.helpers import Helpers
from watcher.hub.passing import PassingTime
from watcher.hub.shop import Shop
from watcher.service.clock import Clock
from watcher.store.errors import StoreAway, StoreError, StoreLocked

LONGEST_WAIT_SECONDS = 1.0
MIND_QUIET_EVERY = timedelta(minutes=1)
SLEPT_AFTER = timedelta(minutes=5)
"""Between two turns of a second each; our choice: a machine that was suspended, or whose clock was
set ahead, and not one that was busy."""
UPKEEP_EVERY = timedelta(hours=24)


class Delivers(Protocol):
    """The delivery, as far as the hub needs it."""

    def ensure(self, monotonic: float) -> int | None:
        """Start it when it is not running."""

    def wake(self) -> None:
        """Say that there may be something to send."""

    def stop(self) -> bool:
        """Let it finish and end it."""


class HubLoop:
    """Turns once a second, in the thread of the caller."""

    def __init__(
        self,
        shop: Shop,
        clock: Clock,
        delivery: Delivers,
        *,
        quiet_after: timedelta,
        trouble: Callable[[str], None],
        alive: Callable[[str], object],
        helpers: Helpers | None = None,
        reload: Callable[[], timedelta | None] | None = None,
    ) -> None:
        """Put the parts together.

        ``reload`` reads the settings again and gives after what time a box is quiet; None: the old
        ones stay.
        """
        self._helpers, self._reload = helpers, reload
        self._reload_wanted = threading.Event()
        self.shop, self._clock, self._delivery = shop, clock, delivery
        self._time = PassingTime(shop)
        self._quiet_after, self._trouble, self._alive = quiet_after, trouble, alive
        self._stop = threading.Event()
        self._quiet_at: datetime | None = None
        self._turned_at: datetime | None = None
        self._upkeep_at: datetime | None = None  # None: a pass goes on, or not known yet
        self._led: bool | None = None  # None: not asked yet
        self._said = ""  # why nothing can be written; "": it can
        self._cannot_since: datetime | None = None

    def end(self) -> None:
        """Stop; from any thread, also from a signal handler."""
        self._stop.set()

    def read_settings_again(self) -> None:
        """Do so at the next turn; from any thread, also from a signal handler."""
        self._reload_wanted.set()

    def run(self, door_runs: Callable[[], bool]) -> None:
        """Go on until stopped, or until the door is closed."""
        started = self._clock.now()
        # after a start nobody is quiet before it had the time to report
        self._quiet_at = started + self._quiet_after
        while not self._stop.is_set() and door_runs():
            self.turn()
            self._stop.wait(LONGEST_WAIT_SECONDS)

    def turn(self) -> None:
        """Do what has fallen due."""
        now = self._clock.now()
        if self._turned_at is not None and now - self._turned_at > SLEPT_AFTER:
            # asleep, or set ahead: nobody is quiet before having had the time to report
            self._quiet_at = now + self._quiet_after
        self._turned_at = now
        if self._reload_wanted.is_set() and self._reload is not None:
            self._reload_wanted.clear()
            self._quiet_after = self._reload() or self._quiet_after
        if self._helpers is not None:
            self._helpers.ensure(self._clock.monotonic())
        try:
            leads = self._leads()
            told = leads and self._mind(now)
        except StoreLocked:
            return  # somebody else writes; done again in a second
        except StoreError as error:
            self._cannot(error)
            return
        self._can_again()
        if leads:
            self._deliver(told=told)
        else:
            self._alive("takes surveys in; another hub minds the clock")

    def _leads(self) -> bool:
        """Tell whether this process minds the clock; of several on one database server one does.

        It is also the one that delivers: two would mix up the order of messages.
        """
        leads = self.shop.store.leads()
        if leads != self._led:
            if leads and self._led is False:
                self._trouble("This hub minds the clock now, and delivers the messages.")
            elif not leads:
                self._trouble("Another hub minds the clock and delivers; this one takes surveys.")
                self._delivery.stop()
            self._led = leads
            self._upkeep_at = None  # what others did meanwhile stands in the store
        return leads

    def _mind(self, now: datetime) -> bool:
        """Do the clock's part; True when there are messages to deliver."""
        told = self._time.due(now)
        told = self._time.gather(now) or told
        longest = max(self._quiet_after, MIND_QUIET_EVERY)
        if self._quiet_at is not None and self._quiet_at - now > longest:
            self._quiet_at = now + self._quiet_after  # the clock was set back
        if self._quiet_at is None or now >= self._quiet_at:
            told = self._time.mind_the_quiet(now, self._quiet_after) or told
            self._quiet_at = now + MIND_QUIET_EVERY
        self._keep_small(now)
        return told

    def _keep_small(self, now: datetime) -> None:
        """Do a part of the daily upkeep, so that surveys never wait for all of it.

        How far it went stands in the store: a hub that is started anew, or takes over, goes on.
        """
        if self._upkeep_at is not None and timedelta(0) <= now - self._upkeep_at < UPKEEP_EVERY:
            return
        with self.shop.store.transaction() as tx:
            self._upkeep_at = tx.rolled_up_at(now)
            if self._upkeep_at is None or now - self._upkeep_at >= UPKEEP_EVERY:
                tx.roll_up_some(now)
                self._upkeep_at = tx.rolled_up_at(now)

    def _cannot(self, error: StoreError) -> None:
        """Say that nothing can be written, once for each reason until it can again."""
        if isinstance(error, StoreAway):
            self._alive("waits for its database server")
        words = f"The hub cannot write: {error}. Boxes keep their surveys."
        if words != self._said:
            self._trouble(words)
            self._said = words
        now = self._clock.now()
        self._cannot_since = self._cannot_since or now
        if now - self._cannot_since >= MIND_QUIET_EVERY:
            # boxes cannot report meanwhile: nobody is quiet before having had the time to
            self._quiet_at = now + self._quiet_after

    def _can_again(self) -> None:
        """Say that it writes again."""
        if self._said:
            self._trouble("The hub can write again.")
            self._said, self._cannot_since = "", None

    def _deliver(self, *, told: bool) -> None:
        """See to it that messages leave."""
        if told:
            self._delivery.wake()
        try:
            status = self._delivery.ensure(self._clock.monotonic())
        except OSError as error:
            self._trouble(f"Messages cannot be sent: the delivery does not start ({error}).")
            return
        if status is not None:
            self._trouble(f"The delivery ended by itself (status {status}); started again.")
        self._alive("takes surveys in")
