"""The half that looks: answers those who may ask, one look at a time, and nobody else."""

from __future__ import annotations

import os
import socket
import time
from pathlib import Path

import pytest

from tests.service.half_world import NOW, running
from watcher.service import half_reader
from watcher.service.half_reader import open_socket, users_of
from watcher.service.half_words import (
    LONGEST_ANSWER_BYTES,
    Answer,
    Busy,
    Done,
    Failed,
    Listen,
    Look,
    Reload,
    Request,
    Ring,
    Seen,
    read_answer,
    receive,
    write_request,
)


def caller(path: Path) -> socket.socket:
    sock = socket.socket(socket.AF_UNIX)
    sock.connect(str(path))
    return sock


def answer(sock: socket.socket) -> Answer:
    return read_answer(receive(sock, LONGEST_ANSWER_BYTES, time.monotonic() + 15))


def is_hung_up(sock: socket.socket) -> bool:
    try:
        return sock.recv(1) == b""
    except ConnectionResetError:  # it did not even read all
        return True


def ask(sock: socket.socket, request: Request) -> Answer:
    sock.sendall(write_request(request))
    return answer(sock)


def test_a_look_is_answered_with_what_was_seen(tmp_path: Path) -> None:
    with running(tmp_path / "r") as reader, caller(reader.path) as sock:
        seen = ask(sock, Look(survey="attic/7", now=NOW, deep=True, pools=()))
        assert isinstance(seen, Seen)
        assert (seen.taken.survey.survey, seen.taken.survey.taken_at) == ("attic/7", NOW)
        assert reader.eyes.remembered == [()]
        assert reader.eyes.asked == [("attic/7", None, True)]


def test_a_fault_while_looking_is_an_answer(tmp_path: Path) -> None:
    with running(tmp_path / "r") as reader, caller(reader.path) as sock:
        reader.eyes.fault = RuntimeError("nobody thought of this")
        failed = ask(sock, Look(survey="a", now=NOW))
        assert isinstance(failed, Failed)
        assert "nobody thought of this" in failed.sentence
        reader.eyes.fault = None
        assert isinstance(ask(sock, Look(survey="b", now=NOW)), Seen)


def test_busy_is_said_during_a_long_look_and_two_looks_never_overlap(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(half_reader, "BUSY_EVERY_SECONDS", 0.05)
    with running(tmp_path / "r") as reader, caller(reader.path) as one, caller(reader.path) as two:
        reader.eyes.go_on.clear()
        assert isinstance(ask(one, Look(survey="a", now=NOW)), Busy)
        assert isinstance(ask(two, Look(survey="b", now=NOW)), Busy)
        assert [name for name, _, _ in reader.eyes.asked] == ["a"]
        reader.eyes.go_on.set()
        for sock in (one, two):
            last = answer(sock)
            while isinstance(last, Busy):
                last = answer(sock)
            assert isinstance(last, Seen)


def test_a_caller_that_leaves_during_a_look_hinders_nobody(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(half_reader, "BUSY_EVERY_SECONDS", 0.05)
    with running(tmp_path / "r") as reader:
        reader.eyes.go_on.clear()
        with caller(reader.path) as sock:
            sock.sendall(write_request(Look(survey="a", now=NOW)))
            assert reader.eyes.begun.wait(10)
        reader.eyes.go_on.set()
        with caller(reader.path) as sock:
            last = ask(sock, Look(survey="b", now=NOW))
            while isinstance(last, Busy):
                last = answer(sock)
            assert isinstance(last, Seen)


def test_a_stranger_is_turned_away_unheard(tmp_path: Path) -> None:
    with running(tmp_path / "r", frozenset({os.geteuid() + 1})) as reader:
        with caller(reader.path) as sock:
            assert sock.recv(1) == b""
        assert reader.eyes.asked == []
        assert "turned away" in reader.said[0]


@pytest.mark.parametrize("odd", [b"\0\0\0\2{}", b"\xff\xff\xff\xff", b"GET / HTTP/1.1\r\n\r\n"])
def test_odd_words_end_the_call_and_nothing_else(tmp_path: Path, odd: bytes) -> None:
    with running(tmp_path / "r") as reader:
        with caller(reader.path) as sock:
            sock.sendall(odd)
            assert is_hung_up(sock)
        with caller(reader.path) as sock:
            assert isinstance(ask(sock, Look(survey="a", now=NOW)), Seen)
        assert len(reader.said) == 1


def test_settings_are_read_again_when_asked_and_a_refusal_is_told(tmp_path: Path) -> None:
    with running(tmp_path / "r") as reader, caller(reader.path) as sock:
        assert ask(sock, Reload()) == Done()
        reader.settings_fault = "line 3: no"
        assert ask(sock, Reload()) == Failed(sentence="line 3: no")
        assert reader.reloads == 2


def test_a_listener_hears_the_bell(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(half_reader, "LISTEN_SECONDS", 0.05)
    with running(tmp_path / "r") as reader, caller(reader.path) as sock:
        assert ask(sock, Listen()) == Done()
        reader.grave.set()
        assert answer(sock) == Ring()


def test_only_so_many_callers_are_let_in(tmp_path: Path) -> None:
    with running(tmp_path / "r") as reader:
        socks = [caller(reader.path) for _ in range(half_reader.MOST_CALLERS)]
        for sock in socks:
            assert ask(sock, Reload()) == Done()
        with caller(reader.path) as more:
            assert more.recv(1) == b""
        for sock in socks:
            sock.close()


def test_the_socket_is_for_its_group_and_an_old_one_is_replaced(tmp_path: Path) -> None:
    path = tmp_path / "r"
    open_socket(path).close()  # its name stays behind
    second = open_socket(path)
    assert path.stat().st_mode & 0o777 == 0o660
    with pytest.raises(FileExistsError):
        open_socket(path)
    second.close()


def test_a_file_that_is_no_socket_is_left_alone(tmp_path: Path) -> None:
    """A slip of the pen in a path must not cost root a file."""
    path = tmp_path / "letter.txt"
    path.write_text("keep me")
    with pytest.raises(FileExistsError, match="no socket"):
        open_socket(path)
    assert path.read_text() == "keep me"


def test_root_and_we_ourselves_may_always_ask() -> None:
    assert users_of([7]) == {0, 7, os.geteuid()}
