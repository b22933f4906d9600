"""Starting and stopping self-tests, by the exit bits of smartctl(8)."""

import pytest

from watcher.readers.drive_target import DriveTarget
from watcher.readers.host import Ended, Ran
from watcher.readers.recorded import RecordedHost
from watcher.readers.self_test import (
    refusal_of,
    start_command,
    start_self_test,
    stop_command,
    stop_self_test,
)

TARGET = DriveTarget(node="/dev/sdz", device_type="sat")


def test_the_drive_is_addressed_as_it_is_read() -> None:
    assert start_command(TARGET) == ("smartctl", "-t", "long", "-d", "sat", "/dev/sdz")
    assert stop_command(TARGET) == ("smartctl", "-X", "-d", "sat", "/dev/sdz")


@pytest.mark.parametrize("status", [0, 8, 64, 128, 64 | 128 | 32])
def test_what_the_drive_says_of_its_health_is_no_refusal(status: int) -> None:
    host = RecordedHost(programs={start_command(TARGET): (status, "Testing has begun.\n", "")})
    assert start_self_test(host, TARGET) == ""


@pytest.mark.parametrize("status", [1, 2, 4, 4 | 64])
def test_a_command_that_was_not_done_says_why(status: int) -> None:
    said = "smartctl 7.3\nCopyright\n\nSelf-test not supported\n"
    host = RecordedHost(programs={stop_command(TARGET): (status, said, "")})
    assert stop_self_test(host, TARGET) == "Self-test not supported"


def test_a_missing_or_hung_program_is_a_refusal() -> None:
    assert "not installed" in start_self_test(RecordedHost(), TARGET)
    assert "no answer" in refusal_of(Ran(argv=("smartctl",), ended=Ended.TIMED_OUT))
    assert "status 4" in refusal_of(Ran(argv=("smartctl",), ended=Ended.EXITED, status=4))
