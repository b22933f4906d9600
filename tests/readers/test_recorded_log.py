"""The kernel's ring and a log file of a machine that is not here."""

from __future__ import annotations

import errno
from pathlib import Path

import pytest

from watcher.readers.kernel_follow import RealLogFile
from watcher.readers.recorded_log import (
    RecordedLogFile,
    RecordedRing,
    RecordingLogFile,
    RecordingRing,
)


class Broken:
    """A ring and a log file that cannot be read."""

    def take(self, most: int) -> tuple[bytes, ...]:
        raise PermissionError(errno.EPERM, "no", str(most))

    def inode(self) -> int:
        raise OSError(errno.EIO, "no")

    def read(self, inode: int, offset: int, most: int) -> bytes | None:
        raise OSError(errno.EIO, f"no {inode} {offset} {most}")


def test_records_come_once_and_in_order() -> None:
    ring = RecordedRing((b"1", b"2", b"3"))
    assert ring.take(2) == (b"1", b"2")
    assert ring.take(2) == (b"3",)
    assert ring.take(2) == ()


def test_what_a_ring_gave_is_kept() -> None:
    recording = RecordingRing(RecordedRing((b"1", b"2", b"3")))
    recording.take(2)
    recording.take(2)
    assert recording.kept == (b"1", b"2", b"3")


def test_refusals_come_again() -> None:
    ring = RecordingRing(Broken())
    with pytest.raises(PermissionError):
        ring.take(1)
    with pytest.raises(PermissionError):
        RecordedRing(ring.kept).take(1)
    log = RecordingLogFile(Broken())
    with pytest.raises(OSError, match="no"):
        log.read(1, 0, 1)
    with pytest.raises(OSError, match="no"):
        log.inode()
    for act in (RecordedLogFile(log.kept).inode, lambda: RecordedLogFile(log.kept).read(1, 0, 1)):
        with pytest.raises(OSError, match="error") as met:
            act()
        assert met.value.errno == errno.EIO


def test_a_log_file_is_kept_as_it_was_read(tmp_path: Path) -> None:
    path = tmp_path / "kern.log"
    path.write_bytes(b"one\ntwo\nthree\nfour")
    real = RealLogFile(str(path))
    recording = RecordingLogFile(real)
    inode = recording.inode()
    offset = 0
    while piece := recording.read(inode, offset, 6):
        whole = piece[: piece.rfind(b"\n") + 1]
        if not whole:
            break
        offset += len(whole)
    recorded = RecordedLogFile(recording.kept)
    assert recorded.read(recorded.inode(), 0, 100) == b"one\ntwo\nthree\n"
    assert recorded.read(99, 0, 100) is None


def test_a_line_longer_than_a_block_is_kept_whole() -> None:
    class Long:
        def inode(self) -> int:
            return 1

        def read(self, inode: int, offset: int, most: int) -> bytes | None:
            return (b"x" * 10)[offset : offset + most] if inode == 1 else None

    recording = RecordingLogFile(Long())
    assert recording.read(1, 0, 4) == b"xxxx"
    assert recording.read(1, 4, 4) == b"xxxx"
    assert recording.read(1, 8, 4) == b"xx"
    assert recording.read(2, 0, 4) is None
    assert recording.kept == b"xxxxxxxx"


def test_a_ring_that_failed_once_stays_failed() -> None:
    class Once:
        def __init__(self) -> None:
            self.calls = 0

        def take(self, most: int) -> tuple[bytes, ...]:
            self.calls += 1
            if self.calls == 1:
                raise OSError(errno.EIO, f"no {most}")
            return (b"1",)

    recording = RecordingRing(Once())
    with pytest.raises(OSError, match="no"):
        recording.take(1)
    assert recording.take(1) == (b"1",)
    assert recording.kept == errno.EIO
