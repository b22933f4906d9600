"""The bell rings for what is grave, once, and not for noise."""

from __future__ import annotations

from datetime import UTC, datetime

from watcher.service.bell import APART_SECONDS, KernelBell

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
