"""The words between the halves: whole, versioned, bounded, or refused."""

from __future__ import annotations

import json
import os
import pwd
import socket
import struct
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.service.half_world import BOX, NOW
from watcher.demo.story import new_box
from watcher.readers.kernel_log import Position
from watcher.readers.survey import Looking, Surveyor
from watcher.service.half_words import (
    LONGEST_REQUEST_BYTES,
    Busy,
    Closed,
    Done,
    Failed,
    Listen,
    Look,
    OddWords,
    Reload,
    Ring,
    Seen,
    frame,
    read_answer,
    read_request,
    receive,
    user_at,
    user_here,
    user_of_name,
    write_answer,
    write_request,
)

box = new_box()
TAKEN = Surveyor(box, Looking(box=BOX)).take("attic/1", box.now)
LOOK = Look(
    survey="attic/1",
    now=NOW,
    position=Position(source="journal", cursor="s=9"),
    deep=True,
    pools=TAKEN.survey.pools,
)


def test_every_word_comes_back_as_it_was_sent() -> None:
    """A whole survey of the demo box among them."""
    for request in (LOOK, Look(survey="x", now=NOW), Listen(), Reload()):
        assert read_request(write_request(request)[4:]) == request
    for answer in (Seen(taken=TAKEN), Busy(), Failed(sentence="why"), Done(), Ring()):
        assert read_answer(write_answer(answer)[4:]) == answer


@pytest.mark.parametrize(
    "change",
    [
        {"version": 2},
        {"kind": "run"},
        {"survey": ""},
        {"survey": "x" * 301},
        {"now": "yesterday"},
        {"position": {"source": 3}},
        {"pools": [{"pool": "x"}]},
        {"deep": "perhaps"},
    ],
)
def test_another_version_another_word_or_a_wrong_value_is_refused(
    change: dict[str, object],
) -> None:
    fields = json.loads(write_request(LOOK)[4:])
    with pytest.raises(OddWords):
        read_request(json.dumps(fields | change).encode())


def test_an_answer_is_no_request_and_the_other_way_round() -> None:
    with pytest.raises(OddWords):
        read_request(write_answer(Busy())[4:])
    with pytest.raises(OddWords):
        read_answer(write_request(LOOK)[4:])


@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_refused(body: bytes) -> None:
    for read in (read_request, read_answer):
        with pytest.raises(OddWords):
            read(body)


WHOLE = write_answer(Seen(taken=TAKEN))[4:]


@given(st.integers(0, len(WHOLE) - 1), st.integers(0, 255))
def test_a_survey_with_one_byte_changed_is_a_survey_or_refused(at: int, byte: int) -> None:
    try:
        answer = read_answer(WHOLE[:at] + bytes([byte]) + WHOLE[at + 1 :])
    except OddWords:
        return
    assert isinstance(answer, Seen)


@given(st.integers(0, len(WHOLE) - 1))
def test_a_survey_that_was_cut_is_refused(at: int) -> None:
    with pytest.raises(OddWords):
        read_answer(WHOLE[:at])


def test_deeply_nested_json_is_refused() -> None:
    with pytest.raises(OddWords):
        read_request(b'{"a":' * 100_000 + b"1" + b"}" * 100_000)


def test_what_is_too_long_is_neither_sent_nor_taken() -> None:
    with pytest.raises(OddWords):
        frame(b"x" * 11, 10)
    ours, theirs = socket.socketpair()
    with ours, theirs:
        theirs.sendall(struct.pack("!I", LONGEST_REQUEST_BYTES + 1))
        with pytest.raises(OddWords, match="at most"):
            receive(ours, LONGEST_REQUEST_BYTES, time.monotonic() + 5)


def test_a_message_that_is_empty_cut_or_late_is_none() -> None:
    for sent, error in ((b"\0\0\0\0", OddWords), (b"\0\0\0\5abc", Closed), (b"\0\0", Closed)):
        ours, theirs = socket.socketpair()
        with ours:
            theirs.sendall(sent)
            theirs.close()
            with pytest.raises(error):
                receive(ours, 100, time.monotonic() + 5)
    ours, theirs = socket.socketpair()
    with ours, theirs:
        theirs.sendall(b"\0\0\0\5abc")
        with pytest.raises(TimeoutError):
            receive(ours, 100, time.monotonic() + 0.05)


def test_who_is_at_the_other_end_is_told_by_the_kernel() -> None:
    ours, theirs = socket.socketpair()
    with ours, theirs:
        assert user_at(ours) == os.geteuid() == user_here()


def test_a_user_has_a_number_or_is_not_there() -> None:
    assert user_of_name(pwd.getpwuid(0).pw_name) == 0
    with pytest.raises(KeyError, match="no-such-user"):
        user_of_name("no-such-user")
