"""More processes at a hub's door: kept running, heard, and gone with the hub."""

from __future__ import annotations

import os
import signal
import socket
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager

from watcher.hub.helpers import RESTART_SECONDS, Helpers, helper_command

WAITS = "import sys; sys.stdin.buffer.read()"
TELLS = "import sys; print('odd'); print('told', flush=True); sys.stdin.buffer.read()"
DIES = "raise SystemExit(7)"


class Heard:
    """What the hub is told."""

    def __init__(self) -> None:
        self.woken = threading.Event()
        self.said: list[str] = []


@contextmanager
def helpers(heard: Heard, code: str, count: int = 2) -> Iterator[Helpers]:
    with socket.socket() as listening:
        made = Helpers(
            [sys.executable, "-c", code],
            count,
            listening=listening.fileno(),
            environ=dict(os.environ),
            wake=heard.woken.set,
            trouble=heard.said.append,
        )
        try:
            yield made
        finally:
            made.stop()


def test_the_command_names_socket_and_settings_and_no_secret() -> None:
    assert helper_command("hub.yaml", 7)[1:] == (
        "-m", "watcher.cli.helper", "--listening", "7", "--config", "hub.yaml",
    )  # fmt: skip
    assert "--config" not in helper_command(None, 7)


def test_as_many_run_as_were_asked_for_and_all_end_with_the_hub() -> None:
    heard = Heard()
    with helpers(heard, WAITS, count=2) as made:
        made.ensure(0.0)
        first = made.pids
        made.ensure(1.0)
        assert made.pids == first
        assert len(set(first)) == 2
    assert made.pids == ()
    assert heard.said == []


def test_what_a_helper_decided_wakes_the_delivery() -> None:
    heard = Heard()
    with helpers(heard, TELLS, count=1) as made:
        made.ensure(0.0)
        assert heard.woken.wait(30)


def test_one_that_died_is_told_of_and_started_again_after_a_gap() -> None:
    heard = Heard()
    with helpers(heard, WAITS, count=1) as made:
        made.ensure(0.0)
        (first,) = made.pids
        os.kill(first, signal.SIGKILL)
        os.waitid(os.P_PID, first, os.WEXITED | os.WNOWAIT)
        made.ensure(1.0)
        assert made.pids == ()
        assert "ended by itself (status -9)" in heard.said[0]
        made.ensure(1.0 + RESTART_SECONDS)
        assert len(made.pids) == 1
        assert made.pids != (first,)


def test_a_program_that_is_not_there_is_said_and_tried_again_later() -> None:
    heard = Heard()
    with socket.socket() as listening:
        made = Helpers(
            ["/nowhere/at/all"],
            1,
            listening=listening.fileno(),
            environ={},
            wake=heard.woken.set,
            trouble=heard.said.append,
        )
        made.ensure(0.0)
        made.ensure(1.0)
        assert len(heard.said) == 1
        made.ensure(RESTART_SECONDS)
        assert len(heard.said) == 2


def test_each_is_told_to_read_the_settings_again() -> None:
    heard = Heard()
    echo = "import sys; print({b'reload\\n': 'told'}[sys.stdin.buffer.readline()], flush=True)"
    with helpers(heard, f"{echo}; sys.stdin.buffer.read()", count=1) as made:
        made.ensure(0.0)
        made.reload()
        assert heard.woken.wait(30)
