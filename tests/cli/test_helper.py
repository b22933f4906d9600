"""A helper at a hub's door, as a real process that answers alone on an inherited socket."""

from __future__ import annotations

import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.hub.stage import look, parcel
from watcher.hub.enrolment import hash_of, invite, join
from watcher.hub.helpers import TOLD, helper_command
from watcher.hub.line import Line
from watcher.hub.wire import Joining, pack
from watcher.service.clock import SystemClock
from watcher.store.database import open_store

TOKEN = "token-of-the-press-0123456789"


@contextmanager
def helper(folder: Path) -> Iterator[tuple[subprocess.Popen[bytes], int]]:
    settings = folder / "hub.yaml"
    settings.write_text(f"box_name: workshop\nstate_directory: {folder}\n")
    with socket.create_server(("127.0.0.1", 0)) as listening:
        port = listening.getsockname()[1]
        with subprocess.Popen(
            helper_command(str(settings), listening.fileno()),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            pass_fds=(listening.fileno(),),
        ) as process:
            listening.close()
            try:
                yield process, port
            finally:
                process.kill()


@pytest.mark.slow
def test_a_helper_takes_surveys_tells_of_messages_and_ends_with_the_hub(tmp_path: Path) -> None:
    now = SystemClock().now()
    with open_store(tmp_path / "midwatch.db", now=now) as store:
        with store.transaction() as tx:
            code = invite(tx, "Harbour", "press", now)
            join(tx, Joining(code=code, box="press", token_hash=hash_of(TOKEN)), now)
        with helper(tmp_path) as (process, port):
            assert process.stdin is not None
            assert process.stdout is not None
            line = Line(f"http://127.0.0.1:{port}")
            for number, lost in ((1, 0), (2, 3)):
                body = pack(parcel(look(number, lost=lost)))
                assert line.post("/box/surveys", body, TOKEN).taken == f"look-{number}"
            line.close()
            assert process.stdout.readline() == TOLD
            process.stdin.close()
            assert process.wait(30) == 0
            with socket.socket() as free:
                free.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
                free.bind(("127.0.0.1", port))  # whoever comes after the hub gets the port
                free.listen()
        with store.snapshot() as tx:
            assert len(tx.db.rows("SELECT 1 FROM survey")) == 2


def test_without_a_store_or_a_socket_it_says_so_and_ends(tmp_path: Path) -> None:
    settings = tmp_path / "hub.yaml"
    settings.write_text(f"box_name: workshop\nstate_directory: {tmp_path}/none\n")
    done = subprocess.run(
        [sys.executable, "-m", "watcher.cli.helper", "--listening", "0", "--config", settings],
        capture_output=True,
        text=True,
        stdin=subprocess.DEVNULL,
        check=False,
    )
    assert done.returncode == 3
    assert "cannot work" in done.stderr
