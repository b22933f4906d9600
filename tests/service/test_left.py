"""What has left: heard in whole lines only, bounded, and nobody waits for the other."""

from __future__ import annotations

import os
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.service.left import MOST_REMEMBERED, Left, Teller

AT = datetime(2031, 3, 6, 2, 12, 0, 123456, tzinfo=UTC)
IDS = st.integers(0, (1 << 64) - 1).map(lambda number: f"{number:016x}")
TIMES = st.datetimes(datetime(2020, 1, 1), datetime(2100, 1, 1)).map(  # noqa: DTZ001
    lambda at: at.replace(tzinfo=UTC)
)


@pytest.fixture(name="pipe")
def a_pipe() -> Iterator[tuple[int, int]]:
    hears, says = os.pipe()
    os.set_blocking(hears, False)
    yield hears, says
    for end in (hears, says):
        try:
            os.close(end)
        except OSError:
            continue


def test_what_is_told_is_heard(pipe: tuple[int, int]) -> None:
    hears, says = pipe
    left, teller = Left(), Teller(says)
    left.read(hears)
    assert left.messages == {}
    assert teller.tell("0123456789abcdef", AT)
    assert teller.tell("fedcba9876543210", AT + timedelta(seconds=1))
    left.read(hears)
    assert left.messages == {
        "0123456789abcdef": AT,
        "fedcba9876543210": AT + timedelta(seconds=1),
    }


def test_a_daemon_that_does_not_listen_holds_up_no_delivery(pipe: tuple[int, int]) -> None:
    """What does not fit is not told; what was told is whole."""
    hears, says = pipe
    teller, told = Teller(says), 0
    while teller.tell(f"{told:016x}", AT):
        told += 1
    assert told > MOST_REMEMBERED
    left = Left()
    left.read(hears)
    assert list(left.messages) == [f"{n:016x}" for n in range(told - MOST_REMEMBERED, told)]


def test_a_daemon_that_is_gone_holds_up_no_delivery(pipe: tuple[int, int]) -> None:
    hears, says = pipe
    os.close(hears)
    assert not Teller(says).tell("0123456789abcdef", AT)


@given(st.lists(st.tuples(IDS, TIMES), max_size=8), st.data())
def test_however_it_is_cut_only_whole_lines_are_believed(
    said: list[tuple[str, datetime]], data: st.DataObject
) -> None:
    hears, says = os.pipe()
    for message_id, at in said:
        assert Teller(says).tell(message_id, at)
    os.close(says)
    with os.fdopen(hears, "rb") as pipe:
        whole = pipe.read()
    end = data.draw(st.integers(0, len(whole)))
    left, place = Left(), 0
    while place < end:
        step = data.draw(st.integers(1, end - place))
        left.hear(whole[place : place + step])
        place += step
    lines = whole[:end].count(b"\n")
    assert left.messages == dict(said[:lines])
    left.begin_anew()
    left.hear(whole)
    assert set(left.messages) == {message_id for message_id, _ in said}


@given(st.lists(st.binary(max_size=80), max_size=8))
def test_nonsense_is_heard_without_harm_and_bounded(pieces: list[bytes]) -> None:
    left = Left()
    for piece in pieces:
        left.hear(piece)
    left.hear(b"x" * 100_000)
    left.hear(b"0123456789abcdef 1\n")
    assert left.messages.keys() <= {"0123456789abcdef"} or all(
        len(name) == 16 for name in left.messages
    )
    left.hear(b"0123456789abcdef 1\n")
    assert "0123456789abcdef" in left.messages


@pytest.mark.parametrize(
    "line",
    [
        b"0123456789abcdef\n",
        b"0123456789abcde 1\n",
        b"0123456789ABCDEF 1\n",
        b"0123456789abcdef -1\n",
        b"0123456789abcdef 999999999999999999\n",
        b"0123456789abcdef 1 \n",
    ],
)
def test_a_line_of_another_form_is_no_message(line: bytes) -> None:
    left = Left()
    left.hear(line)
    assert left.messages == {}


def test_the_latest_are_remembered() -> None:
    left = Left()
    for number in range(MOST_REMEMBERED + 5):
        left.hear(f"{number:016x} {number}\n".encode())
        left.hear(f"{0:016x} {number}\n".encode())  # said again: it stays
    assert len(left.messages) == MOST_REMEMBERED
    assert f"{0:016x}" in left.messages
    assert f"{1:016x}" not in left.messages
