"""Talking to systemd over a real socket."""

from __future__ import annotations

import socket
from pathlib import Path

from watcher.service.supervisor import Supervisor


def test_words_arrive_at_a_file_socket(tmp_path: Path) -> None:
    """READY and STATUS arrive as one datagram."""
    path = tmp_path / "notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        listener.bind(str(path))
        supervisor = Supervisor.from_environment({"NOTIFY_SOCKET": str(path)})
        assert supervisor.ready("watching 3 drives")
        assert listener.recv(200) == b"READY=1\nSTATUS=watching 3 drives"


def test_words_arrive_at_an_abstract_socket() -> None:
    """A name that begins with @ is an abstract one."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        listener.bind("\0midwatch-test-notify")
        assert Supervisor(address="@midwatch-test-notify").alive("ok")
        assert listener.recv(200).startswith(b"WATCHDOG=1")


def test_nobody_asked_or_nobody_listens(tmp_path: Path) -> None:
    """Without a socket, with an odd one or a dead one nothing is raised."""
    assert not Supervisor.from_environment({}).ready("x")
    assert not Supervisor.from_environment({"NOTIFY_SOCKET": "odd"}).ready("x")
    assert not Supervisor(address=str(tmp_path / "none")).stopping()
