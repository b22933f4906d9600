"""Which kernel log is read."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime

import pytest

from watcher.demo.story import new_box
from watcher.facts.drive import Unread
from watcher.readers.errors import CannotRead
from watcher.readers.kernel_log import Position
from watcher.readers.kernel_source import KernelLog, boot_id, booted_at
from watcher.readers.recorded import RecordedHost

NOW = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
BARE = RecordedHost(
    programs={},
    files={"/proc/uptime": "3600.50 1.0\n", "/proc/sys/kernel/random/boot_id": "b-1\n"},
)


class Ring:
    def __init__(self, records: Sequence[bytes]) -> None:
        self.records = list(records)

    def take(self, most: int) -> tuple[bytes, ...]:
        taken, self.records = tuple(self.records[:most]), self.records[most:]
        return taken


BAD = b"3,7,1000000,-;critical medium error, dev sdb, sector 4711 op 0x0:(READ) flags 0x0\n"


def test_the_journal_comes_first() -> None:
    batch = KernelLog("auto", ring=lambda: Ring([BAD])).read(new_box(), None, NOW)
    assert batch.position.source == "journal"


def test_without_a_journal_the_ring_is_read_and_kept_to() -> None:
    log = KernelLog("auto", ring=lambda: Ring([BAD]))
    first = log.read(BARE, None, NOW)
    assert first.position.source == "kmsg"
    assert len(first.lines) == 1
    assert log.read(BARE, first.position, NOW).lines == ()


def test_a_position_of_another_source_is_not_used() -> None:
    log = KernelLog("kmsg", ring=lambda: Ring([BAD]))
    old = Position(source="journal", cursor="s=1;i=9")
    assert len(log.read(BARE, old, NOW).lines) == 1


def test_where_nothing_can_be_read_the_first_reason_is_told() -> None:
    with pytest.raises(CannotRead):
        KernelLog("auto").read(BARE, None, NOW)
    with pytest.raises(CannotRead) as told:
        KernelLog("file").read(BARE, None, NOW)
    assert told.value.why is Unread.VANISHED


class Forbidden(Ring):
    def take(self, most: int) -> tuple[bytes, ...]:
        raise PermissionError(1, f"no {most} for you")


def test_a_log_that_may_not_be_read_is_told_before_one_that_is_not_there() -> None:
    with pytest.raises(CannotRead) as told:
        KernelLog("auto", ring=lambda: Forbidden([])).read(BARE, None, NOW)
    assert told.value.why is Unread.FORBIDDEN
    assert "root" in told.value.remedy


def test_none_is_off() -> None:
    assert KernelLog("none").is_off
    assert not KernelLog("auto").is_off


def test_the_time_of_boot_comes_from_the_uptime() -> None:
    assert booted_at(BARE, NOW) == datetime(2026, 3, 2, 6, 59, 59, 500_000, tzinfo=UTC)
    assert boot_id(BARE) == "b-1"
    empty = RecordedHost(programs={}, files={})
    assert boot_id(empty) == ""
    with pytest.raises(CannotRead):
        booted_at(empty, NOW)
