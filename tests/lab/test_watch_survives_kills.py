"""Kill -9 of the whole watch at random moments while drives come and go: every loss is told.

The daemon, its delivery and its sender are the real processes, the mail server is real. Each kill
falls into one of four moments, in turn, each reached by a condition and not by a pause:

* while it begins: at a random share of the time that a beginning takes on this machine;
* while it looks: at a random share of the time from a drive's loss to the word of it;
* when the word of a loss has just been written down;
* when the mail server has taken a message in and not confirmed it.

Half of the kills take the delivery and the sender along, as a power cut does. By hand:
``KILL_ROUNDS`` kills (10 when not given) drawn from ``KILL_SEED``, in lives of at most 25, each
over a fresh state folder: more than ten messages in ten minutes are a flood, and what is beyond
stands in line, in the book, where a kill does not reach it.
"""

from __future__ import annotations

import os
import random
import shutil
import threading
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from tests.lab.kill_place import LONGEST_WAIT, Ledger, Place, Victim
from tests.lab.receivers import Mailbox, free_port, mail_server, wait_until

SEED = int(os.environ.get("KILL_SEED", "20260302"))
ROUNDS = int(os.environ.get("KILL_ROUNDS", "10"))
ROUNDS_A_LIFE = 25
MOMENTS = ("accepted", "beginning", "decided", "looking")


@dataclass
class Account:
    """What happened in all lives."""

    kills: Counter[str] = field(default_factory=Counter)
    left: int = 0  # drives that the watch had seen and that went
    decided: int = 0  # messages
    arrived: int = 0
    cut_off: int = 0  # messages that had arrived, and a kill cut off the confirmation
    doubled: int = 0  # arrivals of a message that had arrived before
    in_line: int = 0  # losses that wait behind the flood limit at the end


class Life:
    """One state folder from its first start to the end, and the kills in between."""

    def __init__(self, folder: Path, chance: random.Random, account: Account, number: int) -> None:
        self.box, self.port = Mailbox(), free_port()
        self.place = Place(folder, self.port, first=10_000 + 1_000 * number)
        self.chance, self.account = chance, account
        self.left: list[str] = []
        self.may_come_again: Counter[str] = Counter()  # by message id
        self.begins_for = 2.0  # seconds; what was measured last
        self.looks_for = 1.0

    def live(self, rounds: int) -> None:
        """Die so often, then come to rest and compare."""
        with mail_server(self.box, self.port):
            for number in range(rounds):
                moment = MOMENTS[number % len(MOMENTS)]
                whole = moment == "accepted" or self.chance.random() < 0.5
                self._round(moment, whole=whole)
            last = Victim(self.place)
            try:
                last.await_watching()
                rested = wait_until(lambda: self._is_at_rest(self.place.ledger()), LONGEST_WAIT)
            finally:
                last.stop()
        self._compare(self.place.ledger(), rested=rested)

    def _round(self, moment: str, *, whole: bool) -> None:
        """Start the watch, wait for the moment, kill it there."""
        began = time.monotonic()
        victim = Victim(self.place)
        if moment == "beginning":
            threading.Event().wait(self.chance.random() * self.begins_for)
        else:
            victim.await_watching()
            self.begins_for = time.monotonic() - began
            self._lose_a_drive(victim, moment)
        victim.kill(whole=whole)
        had_arrived = set(self.box.ids)
        unsent = self.place.ledger().unsent
        if whole:
            self.may_come_again.update(unsent)
            self.account.cut_off += len(unsent & had_arrived)
        self.box.confirms.set()
        self.account.kills[f"{moment}, {'whole' if whole else 'watch alone'}"] += 1

    def _lose_a_drive(self, victim: Victim, moment: str) -> None:
        """Let a drive go that was seen, and come to the moment."""

        def seen() -> list[str]:
            known = self.place.ledger().drives
            return [serial for serial in self.place.here if serial in known]

        assert wait_until(lambda: bool(seen()), LONGEST_WAIT), victim.daemon.text
        gone = self.chance.choice(seen())
        before = self.place.ledger()
        if moment == "accepted":
            self.box.confirms.clear()
        self.left.append(gone)
        self.place.take_out(gone)
        self.place.add()
        began = time.monotonic()
        victim.daemon.look()

        def is_known() -> bool:
            return self.place.ledger().knows(gone)

        if moment == "looking":
            threading.Event().wait(self.chance.random() * self.looks_for)
            return
        assert wait_until(is_known, LONGEST_WAIT), victim.daemon.text
        self.looks_for = time.monotonic() - began
        if moment == "accepted" and self.place.ledger().ids > before.ids:
            arrived = len(before.ids & set(self.box.ids))
            assert wait_until(lambda: len(set(self.box.ids)) > arrived, LONGEST_WAIT)

    def _is_at_rest(self, ledger: Ledger) -> bool:
        return not ledger.unsent and all(ledger.knows(serial) for serial in self.left)

    def _compare(self, ledger: Ledger, *, rested: bool) -> None:
        """Hold what arrived against what was decided, and what was decided against what left."""
        counts = Counter(self.box.ids)
        unknown = [serial for serial in self.left if not ledger.knows(serial)]
        assert not unknown, f"lost: {unknown}"
        assert rested, f"not sent: {ledger.unsent}"
        assert ledger.ids <= set(counts), "a message was lost"
        assert set(counts) <= ledger.ids, "a message came from nowhere"
        for key, count in counts.items():
            allowed = 1 + self.may_come_again[key] + ledger.failed[key]
            assert count <= allowed, f"{key} came {count} times, its confirmation was not cut off"
        self.account.left += len(self.left)
        self.account.decided += len(ledger.ids)
        self.account.arrived += counts.total()
        self.account.doubled += counts.total() - len(counts)
        self.account.in_line += sum(not ledger.is_told(serial) for serial in self.left)


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("lsblk") is None, reason="lsblk is not installed")
def test_no_kill_of_the_watch_loses_or_doubles_a_message(tmp_path: Path) -> None:
    """Whatever was decided arrives, once for each key; every drive that left is told of.

    Again, under the same id, comes only what had no confirmation when the delivery was killed.
    """
    print(f"KILL_SEED={SEED} KILL_ROUNDS={ROUNDS}")
    chance, account = random.Random(SEED), Account()
    begins = range(0, ROUNDS, ROUNDS_A_LIFE)
    for number, begin in enumerate(begins):
        folder = tmp_path / f"life-{number}"
        folder.mkdir()
        Life(folder, chance, account, number).live(min(ROUNDS_A_LIFE, ROUNDS - begin))
        print(account, flush=True)
    assert account.kills.total() == ROUNDS
    assert account.cut_off >= len(begins), "no confirmation was cut off: nothing is proven"
    assert account.doubled, "a cut confirmation must bring the message again"
