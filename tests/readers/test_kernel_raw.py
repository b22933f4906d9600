"""Reading the ring and log files without losing or doubling a line."""

from __future__ import annotations

import errno
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.facts.drive import Unread
from watcher.readers.errors import CannotRead
from watcher.readers.kernel_lines.setting import Line
from watcher.readers.kernel_log import Position
from watcher.readers.kernel_prefix import Dating
from watcher.readers.kernel_raw import (
    BLOCK_BYTES,
    parse_kmsg,
    read_file,
    read_kmsg,
)

NOW = datetime(2026, 11, 25, 13, 30, tzinfo=UTC)
DATING = Dating(now=NOW)
UNC = "ata3.00: error: { UNC }"


# -- the ring


def record(sequence: int, text: str = UNC) -> bytes:
    return (
        f"3,{sequence},{sequence * 1000000},-;{text}\n SUBSYSTEM=scsi\n DEVICE=+scsi:2\n".encode()
    )


def test_a_record_is_a_line_and_its_device_notes_are_none() -> None:
    batch = parse_kmsg([record(7)], Position(source="kmsg", boot="b"), NOW)
    assert batch.lines == (
        Line(text=UNC, at=NOW + timedelta(seconds=7), seconds=7.0, since_boot=7.0),
    )
    assert batch.position == Position(source="kmsg", boot="b", sequence=7)


def test_records_are_told_once_and_lost_ones_are_counted() -> None:
    start = Position(source="kmsg", boot="b", sequence=5)
    batch = parse_kmsg([record(4), record(5), record(6), record(9)], start, NOW)
    assert (len(batch.lines), batch.lost, batch.position.sequence) == (2, 2, 9)


def test_a_garbled_record_is_counted() -> None:
    odd = [b"\xff\xfe", b"3,x,1,-;a", "3,7²,1,-;a".encode()]
    batch = parse_kmsg([*odd, record(1)], Position(source="kmsg"), NOW)
    assert (len(batch.lines), batch.unreadable) == (1, 3)


class FakeRing:
    """Gives prepared records, or raises."""

    def __init__(self, *records: bytes, error: OSError | None = None) -> None:
        self.records = records
        self.error = error

    def take(self, most: int) -> tuple[bytes, ...]:
        if self.error:
            raise self.error
        return self.records[:most]


def test_a_position_of_an_earlier_boot_does_not_count() -> None:
    old = Position(source="kmsg", boot="before", sequence=900)
    batch = read_kmsg(FakeRing(record(3)), old, boot="now", booted_at=NOW)
    assert len(batch.lines) == 1
    assert batch.position == Position(source="kmsg", boot="now", sequence=3)
    again = read_kmsg(FakeRing(record(3)), batch.position, boot="now", booted_at=NOW)
    assert again.lines == ()


@pytest.mark.parametrize(
    ("error", "why"),
    [
        (PermissionError(errno.EPERM, "no"), Unread.FORBIDDEN),
        (FileNotFoundError(errno.ENOENT, "no"), Unread.VANISHED),
    ],
)
def test_a_ring_that_cannot_be_read_says_why(error: OSError, why: Unread) -> None:
    with pytest.raises(CannotRead) as caught:
        read_kmsg(FakeRing(error=error), None, boot="b", booted_at=NOW)
    assert caught.value.why is why
    assert caught.value.remedy


@given(st.lists(st.binary(max_size=60), max_size=8))
def test_any_records_are_read(records: list[bytes]) -> None:
    parse_kmsg(records, Position(source="kmsg"), NOW)


# -- a file


class FakeLog:
    """Files by inode, in memory; ``name`` is the one the path stands for."""

    def __init__(self, name: int, **files: bytes) -> None:
        self.name = name
        self.files = {int(key[1:]): value for key, value in files.items()}
        self.error: OSError | None = None

    def inode(self) -> int:
        if self.error:
            raise self.error
        return self.name

    def read(self, inode: int, offset: int, most: int) -> bytes | None:
        data = self.files.get(inode)
        if data is None or len(data) < offset:
            return None
        return data[offset : offset + most]


def row(number: int) -> bytes:
    return f"Nov 25 13:22:01 box kernel: [{number}.0] ata{number}.00: error: {{ UNC }}\n".encode()


def texts(lines: tuple[Line, ...]) -> list[str]:
    return [line.text for line in lines]


def test_a_file_is_read_on_from_where_it_was_left_and_only_in_whole_lines() -> None:
    log = FakeLog(1, f1=row(1) + row(2)[:20])
    first = read_file(log, "/var/log/kern.log", None, DATING)
    assert texts(first.lines) == ["ata1.00: error: { UNC }"]
    log.files[1] = row(1) + row(2) + row(3)
    second = read_file(log, "/var/log/kern.log", first.position, DATING)
    assert texts(second.lines) == ["ata2.00: error: { UNC }", "ata3.00: error: { UNC }"]
    assert read_file(log, "/var/log/kern.log", second.position, DATING).lines == ()


def test_a_rotation_loses_nothing() -> None:
    log = FakeLog(1, f1=row(1))
    first = read_file(log, "x", None, DATING)
    log.files = {1: row(1) + row(2), 9: row(3)}
    log.name = 9
    second = read_file(log, "x", first.position, DATING)
    assert texts(second.lines) == ["ata2.00: error: { UNC }", "ata3.00: error: { UNC }"]
    assert second.position == Position(source="file", inode=9, offset=len(row(3)))
    assert second.doubts == ()


def test_an_old_file_that_is_gone_is_said() -> None:
    log = FakeLog(9, f9=row(3))
    batch = read_file(log, "x", Position(source="file", inode=1, offset=5), DATING)
    assert texts(batch.lines) == ["ata3.00: error: { UNC }"]
    assert batch.doubts == ("The log file was rotated away before its end was read.",)


def test_a_file_emptied_in_place_is_read_from_its_start() -> None:
    log = FakeLog(1, f1=row(3))
    batch = read_file(log, "x", Position(source="file", inode=1, offset=5000), DATING)
    assert texts(batch.lines) == ["ata3.00: error: { UNC }"]


def test_a_long_file_is_read_in_batches_of_bounded_size(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("watcher.readers.kernel_raw.MOST_LINES", 100)
    monkeypatch.setattr("watcher.readers.kernel_raw.BLOCK_BYTES", 1000)
    log = FakeLog(1, f1=b"".join(row(number) for number in range(1000)))
    position, found, batches = None, [], 0
    while True:
        batch = read_file(log, "x", position, DATING)
        assert len(batch.lines) <= 200
        found += texts(batch.lines)
        position, batches = batch.position, batches + 1
        if not batch.more:
            break
    assert found == [f"ata{number}.00: error: {{ UNC }}" for number in range(1000)]
    assert batches >= 5


def test_a_line_without_an_end_cannot_block_the_reader() -> None:
    log = FakeLog(1, f1=b"x" * (BLOCK_BYTES + 10) + b"\n" + row(2))
    assert texts(read_file(log, "x", None, DATING).lines)[-1] == "ata2.00: error: { UNC }"


@pytest.mark.parametrize(
    ("error", "why"),
    [
        (FileNotFoundError(errno.ENOENT, "no"), Unread.VANISHED),
        (PermissionError(errno.EACCES, "no"), Unread.FORBIDDEN),
        (OSError(errno.EIO, "Input/output error"), Unread.VANISHED),
    ],
)
def test_a_file_that_cannot_be_read_says_why(error: OSError, why: Unread) -> None:
    log = FakeLog(1)
    log.error = error
    with pytest.raises(CannotRead) as caught:
        read_file(log, "/var/log/kern.log", None, DATING)
    assert caught.value.why is why
    assert "/var/log/kern.log" in caught.value.detail
    assert caught.value.remedy
