"""Sends what waits for the hub, in order, from a thread of the watch; never holds the watch up.

One survey at a time, the oldest first: the next goes when the hub has taken this one. When it does
not, the same is sent again after a growing, bounded gap.

One that the hub cannot take (it cannot read it, or meets a fault of its own) must not hold all the
others up for ever. After some tries all but what weighs is left out of it. When that is not taken
either, one of those after it is tried, right after this one: only when the hub takes that is it
known that this one is bad, and not the hub. Then it is set aside, and a person is told
(``Handover.set_aside``); an outage of the hub, whatever it answers, loses nothing.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Protocol

from watcher.hub import credentials
from watcher.hub.credentials import Credentials
from watcher.hub.enrolment import hash_of, new_token
from watcher.hub.errors import HubError, Refused, Why
from watcher.hub.handover import Handover
from watcher.hub.telling import ASK_AGAIN, PATH
from watcher.hub.wire import MOST_SENT, Answer, Renewal, pack
from watcher.service.clock import Clock
from watcher.service.our_fault import name_fault
from watcher.store.database import Store
from watcher.store.errors import StoreError
from watcher.store.outgoing import Outgoing

GAP_FIRST_SECONDS = 5.0
GAP_LONGEST_SECONDS = 300.0
"""Between tries, doubling, with chance so that boxes of one street do not come back at once."""

BAD_TRIES = 5

_BAD = frozenset({Why.UNREADABLE, Why.TOO_LARGE, Why.FAULT})
"""With these it may be this one survey."""

_FOR_GOOD = frozenset({Why.NOT_KNOWN, Why.TWO_SENDERS, Why.RETURNED, Why.NEWER})
"""With these it is the box or its version, and does not pass by itself."""

_LET_IN_NO_MORE = frozenset({Why.NOT_KNOWN, Why.RETURNED})
"""With these the token is of no use any more; another may have come by joining again."""

IDLE_SECONDS = 60.0


class Posts(Protocol):
    """A line to the hub; see ``line.Line``."""

    def post(self, path: str, body: bytes, token: str = "") -> Answer:
        """Send something and give the answer."""

    def close(self) -> None:
        """Hang up."""


def _is_bad(error: HubError) -> bool:
    """Tell whether it may be this one survey that is not taken."""
    return isinstance(error, Refused) and error.why in _BAD


def gap_after(tries: int, chance: float) -> float:
    """Give the seconds to wait after so many tries that failed; ``chance`` lies in 0 to 1."""
    gap = min(GAP_FIRST_SECONDS * (1 << min(max(tries, 1) - 1, 16)), GAP_LONGEST_SECONDS)
    return gap * (0.5 + chance / 2)


class Sender:
    """Sends until told to stop."""

    def __init__(  # noqa: PLR0913 - the parts that tests replace
        self,
        *,
        store: Callable[[], Store],
        handover: Handover,
        line: Posts,
        folder: Path,
        known: Credentials,
        clock: Clock,
        chance: Callable[[], float],
        look: Callable[[], None],
        say: Callable[[str], None],
    ) -> None:
        """Get ready; nothing is sent yet."""
        self._store, self._handover, self._line = store, handover, line
        self._folder, self._known, self._clock, self._chance = folder, known, clock, chance
        self._look, self._say = look, say
        self._wake, self._stop = threading.Event(), False
        self._tries = 0
        self._stuck = 0  # the number of the last one tried since the first could not be taken
        self._bad = ""  # what it said of that
        self._said = ""
        self._taken, self._ask_after = False, 0.0
        self._thread = threading.Thread(target=self._run, name="to-hub", daemon=True)

    def start(self) -> None:
        """Begin to send."""
        self._thread.start()

    def wake(self) -> None:
        """Say that there is something to send."""
        self._wake.set()

    def stop(self, seconds: float = 35.0) -> None:
        """End after what is under way."""
        self._stop = True
        self._wake.set()
        if self._thread.is_alive():
            self._thread.join(seconds)
        self._line.close()

    def _run(self) -> None:
        while not self._stop:
            try:
                wait = self.step()
            except Exception as fault:  # noqa: BLE001 - the outermost ring: said, and tried again
                self._tell(f"Nothing was sent, by a fault of ours ({name_fault(fault)}).")
                wait = GAP_LONGEST_SECONDS
            if wait:
                self._wake.wait(wait)
                self._wake.clear()

    def step(self) -> float:
        """Send one survey; give how many seconds to wait before the next."""
        try:
            with self._store().snapshot() as tx:
                one = tx.first_outgoing()
                later = None if one is None else tx.first_outgoing(max(self._stuck, one.number))
        except StoreError:
            return GAP_LONGEST_SECONDS
        if one is None:
            self._tell_of_readiness()
            return IDLE_SECONDS
        try:
            answer = self._send(one.body)
        except HubError as error:
            wait = self._failed(error, one)
            if not self._stuck or not _is_bad(error):
                return wait
            if later is None:
                self._stuck = one.number  # all that wait were tried: once more from the next
                return wait
            return self._try_past(later)
        return self._took(one, answer)

    def _try_past(self, later: Outgoing) -> float:
        """Send one of those that come after one that is not taken; give how long to wait."""
        try:
            answer = self._send(later.body)
        except HubError as error:
            return self._failed(error, later)
        return self._took(later, answer)

    def _took(self, one: Outgoing, answer: Answer) -> float:
        """The hub has a survey; what was kept before it and is still here it cannot take."""
        now = self._clock.now()
        try:
            with self._store().transaction() as tx:
                for bad in tx.outgoing_before(one.number):
                    self._handover.set_aside(tx, bad, self._bad, now)
                self._handover.taken(tx, one, now)
        except StoreError:
            return GAP_FIRST_SECONDS  # it is sent again, and counts once
        if self._stuck:
            self._tell(f"A survey is not sent any more: {self._bad}")
        self._tries, self._stuck, self._taken = 0, 0, True
        self._tell("")
        if answer.look:
            self._look()
        if answer.renew:
            self._renew()
        return 0.0

    def _tell_of_readiness(self) -> None:
        """Tell how this box is prepared, when the hub does not know; that it did not is no trouble.

        Only after the hub took a survey of this run: then it knows by whom it is told.
        """
        now = self._clock.now()
        if not self._taken or self._clock.monotonic() < self._ask_after:
            return
        try:
            with self._store().snapshot() as tx:
                tells = self._handover.telling(tx, now, self._known.token)
            if tells is None:
                return
            self._line.post(PATH, tells.body, self._known.token)
            with self._store().transaction() as tx:
                self._handover.told(tx, tells.mark, now)
        except (HubError, StoreError) as error:
            if isinstance(error, HubError) and _is_bad(error):
                self._say(f"Hub: How this box is prepared is not taken in: {error}")
            self._ask_after = self._clock.monotonic() + ASK_AGAIN.total_seconds()

    def _send(self, body: bytes) -> Answer:
        """Send with the newer token when there is one; the old one ends when that works."""
        if len(body) > MOST_SENT:
            raise Refused(Why.TOO_LARGE, f"A parcel has at most {MOST_SENT} bytes.")
        if self._known.next_token:
            try:
                answer = self._line.post("/box/surveys", body, self._known.next_token)
            except Refused as refused:
                if refused.why is not Why.NOT_KNOWN:
                    raise
            else:
                self._keep(replace(self._known, token=self._known.next_token, next_token=""))
                return answer
        return self._line.post("/box/surveys", body, self._known.token)

    def _failed(self, error: HubError, one: Outgoing) -> float:
        """Remember why, and give how long to wait."""
        why = error.why if isinstance(error, Refused) else None
        if why in _LET_IN_NO_MORE and self._has_joined_anew():
            return 0.0
        self._tries += 1
        sentence = f"{error}"
        enough = self._tries >= BAD_TRIES or why is Why.TOO_LARGE
        try:
            with self._store().transaction() as tx:
                self._handover.not_taken(tx, sentence, refuses=why in _FOR_GOOD)
                if _is_bad(error) and self._stuck:
                    self._stuck = max(self._stuck, one.number)
                elif _is_bad(error) and enough and self._handover.to_the_bones(tx, one):
                    self._tries = 0
                elif _is_bad(error) and enough:
                    self._stuck, self._bad = one.number, sentence
        except StoreError:
            return GAP_LONGEST_SECONDS
        self._tell(sentence)
        return gap_after(self._tries, self._chance())

    def _has_joined_anew(self) -> bool:
        """Take over what ``midwatch join`` brought while this runs; True when there is something.

        So a watch need not be started again because its box joined again.
        """
        try:
            known = credentials.load(self._folder)
        except ValueError:
            return False
        if known is None or known.url != self._known.url or known.token == self._known.token:
            return False
        self._known = known
        return True

    def _renew(self) -> None:
        """Make a new token, keep it, and let the hub know its hash; in that order."""
        fresh = self._known.next_token or new_token()
        if not self._keep(replace(self._known, next_token=fresh)):
            return
        try:
            self._line.post(
                "/box/token", pack(Renewal(token_hash=hash_of(fresh))), self._known.token
            )
        except HubError:
            return  # asked again with the next survey

    def _keep(self, known: Credentials) -> bool:
        try:
            credentials.save(self._folder, known)
        except OSError:
            return False
        self._known = known
        return True

    def _tell(self, sentence: str) -> None:
        """Say on the terminal or in the log when something changes between box and hub."""
        if sentence == self._said:
            return
        self._said = sentence
        self._say(f"Hub: {sentence}" if sentence else "The hub takes the surveys in.")
