"""The real ends of the kernel log, against real files, pipes and children."""

from __future__ import annotations

import os
import select
from datetime import UTC, datetime
from pathlib import Path

import pytest

from watcher.readers.kernel_follow import ChildFollow, KernelRing, RealLogFile
from watcher.readers.kernel_prefix import Dating
from watcher.readers.kernel_raw import read_file

DATING = Dating(now=datetime(2026, 11, 25, tzinfo=UTC))


def wait_for(child: ChildFollow) -> None:
    """Wait until the child has written or ended."""
    select.select([child._descriptor], [], [], 10)


def take_all(child: ChildFollow, wanted: str) -> str:
    text = ""
    for _ in range(100):
        wait_for(child)
        text += child.take()
        if wanted in text:
            break
    return text


def test_a_child_gives_whole_lines_and_never_waits(tmp_path: Path) -> None:
    more = tmp_path / "more"
    os.mkfifo(more)
    child = ChildFollow(["sh", "-c", f"printf 'one\\ntw'; cat '{more}'"])
    assert take_all(child, "one\n") == "one\n"
    assert child.take() == ""
    more.write_text("o\n", encoding="utf-8")
    assert take_all(child, "two\n") == "two\n"
    child.stop()


def test_a_child_that_ends_says_so() -> None:
    child = ChildFollow(["sh", "-c", "echo last; exit 3"])
    assert take_all(child, "last\n") == "last\n"
    child._child.wait(timeout=10)
    assert child.ended == "it ended with 3"
    child.stop()


def test_a_child_is_running_until_it_is_stopped() -> None:
    child = ChildFollow(["sleep", "60"])
    assert child.ended is None
    child.stop()
    assert child.ended == "it was killed by signal 9"


def test_a_missing_program_is_an_error() -> None:
    with pytest.raises(FileNotFoundError):
        ChildFollow(["no-such-program-here"])


def test_a_ring_gives_each_record_once_and_never_waits(tmp_path: Path) -> None:
    pipe = tmp_path / "kmsg"
    os.mkfifo(pipe)
    ring = KernelRing(str(pipe))
    assert ring.take(10) == ()
    with pipe.open("wb", buffering=0) as writer:
        writer.write(b"6,1,1,-;a\n")
        assert ring.take(10) == (b"6,1,1,-;a\n",)
        assert ring.take(10) == ()
    ring.close()


@pytest.mark.skipif(
    not os.access("/dev/kmsg", os.R_OK), reason="/dev/kmsg may not be read on this machine"
)
def test_the_ring_of_this_machine_is_read() -> None:
    ring = KernelRing()
    records = ring.take(5)
    ring.close()
    assert all(record.split(b";", 1)[0].count(b",") >= 2 for record in records)


def test_a_rotated_file_is_found_by_its_inode(tmp_path: Path) -> None:
    path = tmp_path / "kern.log"
    path.write_text("[1.0] ata1.00: error: { UNC }\n", encoding="utf-8")
    log = RealLogFile(str(path))
    first = read_file(log, str(path), None, DATING)
    with path.open("a", encoding="utf-8") as file:
        file.write("[2.0] ata2.00: error: { UNC }\n")
    path.rename(tmp_path / "kern.log.1")
    (tmp_path / "kern.log.2.gz").write_bytes(b"")
    path.write_text("[3.0] ata3.00: error: { UNC }\n", encoding="utf-8")
    second = read_file(log, str(path), first.position, DATING)
    assert [line.text[:4] for line in (*first.lines, *second.lines)] == ["ata1", "ata2", "ata3"]


def test_a_file_that_is_gone_or_shorter_gives_none(tmp_path: Path) -> None:
    path = tmp_path / "kern.log"
    path.write_bytes(b"abc")
    log = RealLogFile(str(path))
    assert log.read(log.inode(), 1, 10) == b"bc"
    assert log.read(log.inode(), 9, 10) is None
    assert log.read(log.inode() + 12345, 0, 10) is None
