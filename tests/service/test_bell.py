"""The bell rings for what is grave, once, and not for noise."""

from __future__ import annotations

import json
from datetime import UTC, datetime

from watcher.service.bell import APART_SECONDS, JOURNAL_FROM_NOW, JournalBell, KernelBell

BOOTED = datetime(2026, 3, 2, tzinfo=UTC)


class Ring:
    """A kernel ring that holds what a test puts into it."""

    def __init__(self) -> None:
        self.records: list[bytes] = []
        self.said = 0
        self.broken = False

    def say(self, text: str) -> None:
        self.said += 1
        self.records.append(f"3,{self.said},{self.said}000000,-;{text}\n".encode())

    def take(self, most: int) -> tuple[bytes, ...]:
        if self.broken:
            raise OSError(5, "gone")
        taken, self.records = self.records[:most], self.records[most:]
        return tuple(taken)


def bell(ring: Ring) -> KernelBell:
    return KernelBell(lambda: ring, boot="b", booted_at=BOOTED)


BAD_SECTOR = "critical medium error, dev sdb, sector 4711 op 0x0:(READ) flags 0x0"


def test_it_rings_once_for_a_bad_sector() -> None:
    ring = Ring()
    one = bell(ring)
    assert not one.rings(0.0)
    ring.say(BAD_SECTOR)
    assert one.rings(5.0)
    assert not one.rings(500.0)


def test_what_was_there_before_is_left_to_the_first_survey() -> None:
    ring = Ring()
    ring.say(BAD_SECTOR)
    assert not bell(ring).rings(0.0)


def test_a_storm_rings_once_in_half_a_minute() -> None:
    ring = Ring()
    one = bell(ring)
    rang = 0
    for second in range(300):
        ring.say(BAD_SECTOR)
        rang += one.rings(float(second))
    assert rang == 300 / APART_SECONDS


def test_noise_and_a_dead_ring_do_not_ring() -> None:
    ring = Ring()
    one = bell(ring)
    ring.say("usb 1-1: new high-speed USB device number 5 using xhci_hcd")
    assert not one.rings(0.0)
    ring.broken = True
    assert not one.rings(100.0)
    assert one.is_deaf


def test_without_rights_there_is_no_bell() -> None:
    def forbidden() -> Ring:
        raise PermissionError(1, "not permitted")

    assert KernelBell(forbidden, boot="b", booted_at=BOOTED).is_deaf


class Following:
    """A program that follows the journal."""

    def __init__(self) -> None:
        self.text = ""
        self.ended: str | None = None
        self.stopped = False

    def say(self, text: str) -> None:
        entry = {"MESSAGE": text, "__CURSOR": "s=1", "__REALTIME_TIMESTAMP": "1772409600000000"}
        self.text += json.dumps(entry) + "\n"

    def take(self) -> str:
        text, self.text = self.text, ""
        return text

    def stop(self) -> None:
        self.stopped = True


def test_the_journal_rings_for_what_is_grave_as_the_ring_does() -> None:
    following = Following()
    one = JournalBell(lambda: following)
    following.say("usb 1-1: new high-speed USB device number 5 using xhci_hcd")
    assert not one.rings(0.0)
    following.say(BAD_SECTOR)
    assert one.rings(5.0)
    assert not one.rings(500.0)
    following.say(BAD_SECTOR)
    assert one.rings(501.0)
    following.say(BAD_SECTOR)
    assert not one.rings(502.0)
    assert one.rings(501.0 + APART_SECONDS)


def test_nonsense_in_the_journal_rings_no_bell_and_ends_it_not() -> None:
    following = Following()
    one = JournalBell(lambda: following)
    following.text = "{not json\n"
    assert not one.rings(0.0)
    following.say(BAD_SECTOR)
    assert one.rings(1.0)


def test_a_journal_that_is_no_longer_followed_rings_once_more_and_is_let_go() -> None:
    following = Following()
    one = JournalBell(lambda: following)
    following.say(BAD_SECTOR)
    following.ended = "it ended with 1"
    assert one.rings(0.0)
    assert one.is_deaf
    assert following.stopped
    assert not one.rings(100.0)


def test_without_a_journal_there_is_no_bell() -> None:
    def missing() -> Following:
        raise FileNotFoundError(2, "no journalctl")

    assert JournalBell(missing).is_deaf
    assert "--follow" in JOURNAL_FROM_NOW
