"""Where the hub listens, and that it loses nothing when it is killed."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import sys
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from tests.hub.stage import EVERY, NOW, StillClock, look, parcel, shop
from tests.hub.test_intake import Woken
from tests.store import made
from watcher.hub.enrolment import hash_of, invite, join
from watcher.hub.errors import HubError
from watcher.hub.intake import Door
from watcher.hub.line import Line
from watcher.hub.server import BACKLOG, SPARE_FILES, DoorServer, Listening, Place
from watcher.hub.wire import Joining, pack
from watcher.service.clock import SystemClock
from watcher.store.database import Store, open_store


def test_without_a_certificate_it_listens_on_this_machine_only() -> None:
    with pytest.raises(ValueError, match="certificate"):
        Place(address="0.0.0.0", port=1)
    Place(address="0.0.0.0", port=1, certificate="hub.pem")
    Place(address="127.0.0.1", port=1)


def test_one_that_listens_no_more_leaves_the_socket_to_the_others() -> None:
    """Several processes share it: shut down by one, it would fail all the others at every turn."""
    said: list[str] = []
    with socket.create_server(("127.0.0.1", 0)) as shared:
        where = shared.getsockname()
        own = Listening(fileno=os.dup(shared.fileno()))
        door = Door(shop(), StillClock(), Woken(), said.append)
        server = DoorServer(
            door, Place(address=where[0], port=where[1]), said.append, listening=own
        )
        server.start()
        with closing(Line(f"http://127.0.0.1:{where[1]}")) as line, pytest.raises(HubError):
            line.post("/box/surveys", b"")
        server.listen_no_more()
        server.stop()
        with socket.create_connection(where, timeout=30):
            shared.settimeout(30)
            shared.accept()[0].close()
    assert said == []
    assert own.fileno() == -1, "closed here"


def test_calls_are_taken_one_at_a_time_and_as_many_may_wait_as_ever() -> None:
    """Of a socket that listens the kernel tells how many may wait (tcp(7), TCP_INFO: sacked)."""
    door = Door(shop(), StillClock(), Woken(), list[str]().append)
    server = DoorServer(door, Place(address="127.0.0.1", port=0), list[str]().append)
    server.start()
    with closing(Line(f"http://127.0.0.1:{server.port}")) as line, pytest.raises(HubError):
        line.post("/box/surveys", b"")  # it serves: asyncio has listened by its own number
    with closing(Listening(fileno=os.dup(server.listening))) as same:
        told = same.getsockopt(socket.IPPROTO_TCP, socket.TCP_INFO, 104)
    most = int(Path("/proc/sys/net/core/somaxconn").read_text())
    assert int.from_bytes(told[28:32], sys.byteorder) == min(BACKLOG, most)
    (taken,) = {each._backlog for each in server._server.servers}
    assert taken == 1
    server.stop()


HARD_TEST = """
import resource, sys
from watcher.hub.server import room_for_calls
resource.setrlimit(resource.RLIMIT_NOFILE, (min(1024, {hard}), {hard}))
print(room_for_calls(), *resource.getrlimit(resource.RLIMIT_NOFILE))
"""


@pytest.mark.parametrize(("hard", "calls", "files"), [(9999, 2000, 4256), (1024, 384, 1024)])
def test_calls_leave_files_for_the_store_however_few_may_be_open(
    hard: int, calls: int, files: int
) -> None:
    """The limits of a process can be lowered for good only, so it is another that tells."""
    done = subprocess.run(
        [sys.executable, "-c", HARD_TEST.format(hard=hard)],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert [int(word) for word in done.stdout.split()] == [calls, files, hard]
    assert 2 * calls <= files - SPARE_FILES


def start(folder: Path, port: int, processes: int = 1) -> subprocess.Popen[str]:
    """Start a real hub as a process, and wait until it listens."""
    settings = folder / "hub.yaml"
    settings.write_text(
        f"box_name: workshop\nstate_directory: {folder}\nshop:\n  listen_port: {port}\n"
        f"  processes: {processes}\n"
    )
    process = subprocess.Popen(
        [sys.executable, "-m", "watcher.cli", "--config", settings, "hub"],
        stdout=subprocess.PIPE, text=True, start_new_session=True,
    )  # fmt: skip
    assert process.stdout is not None
    assert "takes surveys in" in process.stdout.readline()
    return process


@pytest.mark.slow
@pytest.mark.parametrize("processes", [1, 3])
def test_a_hub_that_is_killed_while_boxes_send_and_one_from_a_backup_lose_and_double_nothing(
    tmp_path: Path, processes: int
) -> None:
    """Three boxes send until each survey was answered; the hub dies with signal 9 in between."""
    port = 20_000 + os.getpid() % 20_000
    tokens = {name: f"token-of-{name}-0123456789" for name in ("a", "b", "c")}
    now = SystemClock().now()
    with open_store(tmp_path / "midwatch.db", now=now) as store:
        _enrol_all(store, tokens)
    hub = start(tmp_path, port, processes)
    try:
        for number in range(1, 13):
            if number == 5:
                hub = _killed_in_the_middle(hub, tmp_path, port, tokens, processes)
            if number == 9:
                _stop(hub)
                shutil.copy(tmp_path / "midwatch.db", tmp_path / "backup.db")
                hub = start(tmp_path, port, processes)
            for place, name in enumerate(sorted(tokens)):
                _send(port, tokens[name], _survey(name, number, place))
        _stop(hub)
        restored = tmp_path / "restored"
        restored.mkdir()
        shutil.copy(tmp_path / "backup.db", restored / "midwatch.db")
        hub = start(restored, port, processes)
        for number in (8, 9, 10, 11, 12):  # what a box sends again is what was not answered
            for place, name in enumerate(sorted(tokens)):
                _send(port, tokens[name], _survey(name, number, place))
    finally:
        _stop(hub)
    for folder in (tmp_path, restored):
        with open_store(folder / "midwatch.db", now=now) as store, store.snapshot() as tx:
            rows = tx.db.rows("SELECT box, count(*) AS n FROM survey GROUP BY box ORDER BY box")
            doubled = tx.db.rows(
                "SELECT 1 FROM notice GROUP BY box, notice_key, target HAVING count(*) > 1"
            )
            kernel = tx.db.one("SELECT sum(count) AS n FROM event")["n"]
            order = tx.db.rows("SELECT box, taken_at FROM survey ORDER BY rowid")
        assert {row["box"]: row["n"] for row in rows} == dict.fromkeys(tokens, 12)
        assert list(doubled) == []
        assert kernel == 3
        for name in tokens:
            times = [row["taken_at"] for row in order if row["box"] == name]
            assert times == sorted(times)


def _enrol_all(store: Store, tokens: dict[str, str]) -> None:
    with store.transaction() as tx:
        for name, token in tokens.items():
            code = invite(tx, "Harbour", name, SystemClock().now())
            asked = Joining(code=code, box=name, token_hash=hash_of(token))
            join(tx, asked, SystemClock().now())


def _survey(name: str, number: int, place: int) -> bytes:
    events = (made.event(NOW + 5 * EVERY),) if number == 5 else ()
    survey = look(number, lost=int(number >= 5), first_drive=10 * place, events=events)
    return pack(parcel(replace(survey, survey=f"{name}-{number}"), sender=f"run-{name}"))


def _send(port: int, token: str, body: bytes) -> None:
    line = Line(f"http://127.0.0.1:{port}")
    try:
        assert line.post("/box/surveys", body, token).taken
    finally:
        line.close()


def _killed_in_the_middle(
    hub: subprocess.Popen[str],
    folder: Path,
    port: int,
    tokens: dict[str, str],
    processes: int,
) -> subprocess.Popen[str]:
    """Kill the hub while a survey is on its way, whose answer nobody hears."""
    line = Line(f"http://127.0.0.1:{port}")
    os.kill(hub.pid, signal.SIGKILL)
    try:
        line.post("/box/surveys", _survey("a", 5, 0), tokens["a"])
    except HubError:
        hub.wait(timeout=20)
    finally:
        line.close()
        _stop(hub)
    return start(folder, port, processes)


def _stop(hub: subprocess.Popen[str]) -> None:
    if hub.poll() is None:
        hub.terminate()
        hub.wait(timeout=60)
    if hub.stdout is not None:
        hub.stdout.close()
