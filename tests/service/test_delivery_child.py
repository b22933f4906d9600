"""The daemon's end of the delivery: it is kept running, woken, and ends in good order."""

from __future__ import annotations

import os
import signal
import sys
from pathlib import Path

import pytest

from tests.lab.receivers import wait_until
from watcher.service.delivery_child import DeliveryChild, delivery_command


def child(code: str) -> DeliveryChild:
    return DeliveryChild((sys.executable, "-S", "-c", code), os.environ)


def test_the_command_names_store_and_settings_and_no_secret() -> None:
    assert delivery_command("/s.db", "/c.yaml")[1:] == (
        *("-m", "watcher.service.delivery_main", "--store", "/s.db"),
        *("--config", "/c.yaml"),
    )
    assert "--config" not in delivery_command("/s.db", None)


def test_it_is_told_what_happens_and_ends_with_its_input(tmp_path: Path) -> None:
    heard = tmp_path / "heard"
    made = child(f"import sys; open({str(heard)!r}, 'w').write(sys.stdin.read())")
    assert made.ensure(0.0) is None
    made.wake()
    made.reload()
    assert made.stop(10)
    assert heard.read_text() == "wake\nreload\n"


def test_one_that_dies_is_started_again_with_growing_gaps() -> None:
    made = child("import sys; sys.exit(3)")
    now = 0.0
    gaps = []
    for _ in range(8):
        made.ensure(now)
        pid = made.pid
        assert pid is not None
        os.waitid(os.P_PID, pid, os.WEXITED | os.WNOWAIT)
        ended = made.ensure(now)
        assert ended is not None
        assert ended.status == 3
        assert made.pid is None, "its gap is not over"
        gaps.append(ended.retry_at - now)
        now = ended.retry_at
    assert gaps == [1, 2, 4, 8, 16, 32, 60, 60]


def test_one_that_lived_long_begins_anew() -> None:
    made = child("import sys; sys.stdin.read()")
    made.ensure(0.0)
    for now in (100.0, 200.0):
        assert made.pid is not None
        os.kill(made.pid, signal.SIGKILL)
        os.waitid(os.P_PID, made.pid, os.WEXITED | os.WNOWAIT)
        ended = made.ensure(now)
        assert ended is not None
        assert (ended.status, ended.retry_at - now) == (-signal.SIGKILL, 1.0)
        made.ensure(now + 1)
    assert made.stop(10)


def test_one_that_does_not_end_is_killed() -> None:
    made = child(
        "import signal, sys, time; signal.signal(signal.SIGTERM, signal.SIG_IGN)\n"
        "while True: signal.pause()"
    )
    made.ensure(0.0)
    pid = made.pid
    assert not made.stop(0.2)
    assert not Path(f"/proc/{pid}").exists()
    assert made.stop()


def test_a_stuck_one_never_holds_up_the_daemon() -> None:
    """Its pipe fills up; what does not fit is dropped, since the delivery looks by itself too."""
    made = child("import signal\nwhile True: signal.pause()")
    made.ensure(0.0)
    for _ in range(50_000):
        made.wake()
    assert not made.stop(0.2)


def test_the_interrupt_of_a_terminal_does_not_reach_it() -> None:
    made = child("import sys; sys.stdin.read()")
    made.ensure(0.0)
    assert made.pid is not None
    assert wait_until(lambda: os.getpgid(made.pid or 0) == made.pid, 5)
    assert os.getpgid(made.pid) != os.getpgid(0)
    assert made.stop(10)


@pytest.mark.parametrize("word", ["wake", "reload"])
def test_a_word_to_a_dead_one_is_harmless(word: str) -> None:
    made = child("pass")
    getattr(made, word)()
    made.ensure(0.0)
    assert made.pid is not None
    os.waitid(os.P_PID, made.pid, os.WEXITED | os.WNOWAIT)
    getattr(made, word)()
    assert made.stop(5)
