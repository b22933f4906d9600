"""The daemon's end of the delivery: it is kept running, woken, and ends in good order."""

from __future__ import annotations

import os
import signal
import sys
from datetime import UTC, datetime
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
    assert delivery_command("/s.db", None, to_the_end=True)[-1] == "--to-the-end"


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
    for gap in (1, 2, 4, 8, 16, 32, 60, 60):
        made.ensure(now)
        pid = made.pid
        assert pid is not None
        os.waitid(os.P_PID, pid, os.WEXITED | os.WNOWAIT)
        assert made.ensure(now) == 3
        now += gap
        assert made.ensure(now - 0.5) is None
        assert made.pid is None, "its gap is not over"


def test_one_that_lived_long_begins_anew() -> None:
    made = child("import sys; sys.stdin.read()")
    made.ensure(0.0)
    for now in (100.0, 200.0):
        assert made.pid is not None
        os.kill(made.pid, signal.SIGKILL)
        os.waitid(os.P_PID, made.pid, os.WEXITED | os.WNOWAIT)
        assert made.ensure(now) == -signal.SIGKILL
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


SAYS = "import os, sys\npipe = int(sys.argv[sys.argv.index('--left') + 1])\n"
ONE, TWO, THREE = "1" * 16, "2" * 16, "3" * 16


def test_what_has_left_is_heard_to_its_last_word() -> None:
    """Also what it said after its input had closed, which is when it finishes."""
    made = child(
        SAYS + f"os.write(pipe, b'{ONE} 1000000\\n')\n"
        f"sys.stdin.read()\nos.write(pipe, b'{TWO} 2000000\\n')"
    )
    made.ensure(0.0)
    assert wait_until(lambda: made.ensure(0.0) is None and ONE in made.left, 10)
    assert made.stop(10)
    assert dict(made.left) == {
        ONE: datetime(1970, 1, 1, 0, 0, 1, tzinfo=UTC),
        TWO: datetime(1970, 1, 1, 0, 0, 2, tzinfo=UTC),
    }


def test_one_that_is_killed_while_it_says_what_has_left_hurts_nobody() -> None:
    """The half line is no message, neither by itself nor with the first line of the next one."""
    made = child(SAYS + f"os.write(pipe, b'{ONE} 1000000\\n{TWO} 20')\nos.kill(os.getpid(), 9)")
    made.ensure(0.0)
    assert made.pid is not None
    os.waitid(os.P_PID, made.pid, os.WEXITED | os.WNOWAIT)
    assert made.ensure(0.0) is not None
    assert list(made.left) == [ONE]
    made.ensure(60.0)
    assert made.pid is not None
    os.waitid(os.P_PID, made.pid, os.WEXITED | os.WNOWAIT)
    assert made.ensure(60.0) is not None
    assert list(made.left) == [ONE]


def test_one_that_does_not_end_is_heard_before_it_is_killed() -> None:
    made = child(
        SAYS + f"import signal\nos.write(pipe, b'{THREE} 1\\n')\nwhile True: signal.pause()"
    )
    made.ensure(0.0)
    assert wait_until(lambda: made.ensure(0.0) is None and THREE in made.left, 10)
    assert not made.stop(0.2)
    assert list(made.left) == [THREE]


def test_no_pipe_is_left_open_however_often_it_is_started() -> None:
    made = child("import sys; sys.exit(3)")
    before = len(list(Path("/proc/self/fd").iterdir()))
    for now in range(0, 600, 60):
        made.ensure(float(now))
        assert made.pid is not None
        os.waitid(os.P_PID, made.pid, os.WEXITED | os.WNOWAIT)
        assert made.ensure(float(now)) is not None
    nowhere = DeliveryChild(("/nowhere/at/all",), os.environ)
    with pytest.raises(OSError, match="nowhere"):
        nowhere.ensure(0.0)
    assert len(list(Path("/proc/self/fd").iterdir())) == before


@pytest.mark.parametrize("word", ["wake", "reload"])
def test_a_word_to_a_dead_one_is_harmless(word: str) -> None:
    made = child("pass")
    getattr(made, word)()
    made.ensure(0.0)
    assert made.pid is not None
    os.waitid(os.P_PID, made.pid, os.WEXITED | os.WNOWAIT)
    getattr(made, word)()
    assert made.stop(5)
