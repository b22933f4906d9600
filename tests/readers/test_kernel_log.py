"""Reading the journal without losing or doubling a line; positions."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.facts.drive import Unread
from watcher.readers.errors import CannotParse, CannotRead
from watcher.readers.host import Ended, Ran
from watcher.readers.kernel_lines.setting import Line
from watcher.readers.kernel_log import (
    SOURCE,
    Position,
    journal_command,
    parse_journal,
    read_journal,
)

NOW = datetime(2026, 11, 25, 13, 30, tzinfo=UTC)
UNC = "ata3.00: error: { UNC }"
CAPTURE = Path(__file__).parent / "kernel_captures" / "md_raid5-04-failing.jsonl"


def entry(message: object, number: int = 1, **more: object) -> str:
    return (
        json.dumps(
            {
                "__CURSOR": f"s=21cc;i={number}",
                "__REALTIME_TIMESTAMP": "1342540861416409",
                "MESSAGE": message,
                **more,
            }
        )
        + "\n"
    )


class FakeHost:
    """Answers one program with one answer, and keeps what was asked."""

    def __init__(self, **answer: object) -> None:
        self.answer = answer
        self.asked: list[tuple[str, ...]] = []

    def run(
        self, argv: Sequence[str], *, limit_seconds: float = 30.0, lane: str | None = None
    ) -> Ran:
        assert limit_seconds > 0
        assert lane == SOURCE
        self.asked.append(tuple(argv))
        return Ran(**{"argv": tuple(argv), "ended": Ended.EXITED, **self.answer})  # type: ignore[arg-type]

    def read_text(self, path: str) -> str:
        raise FileNotFoundError(path)

    def list_dir(self, path: str) -> tuple[str, ...]:
        raise FileNotFoundError(path)

    def real_path(self, path: str) -> str:
        return path

    def exists(self, path: str) -> bool:
        raise AssertionError(path)


# -- the journal


def test_a_journal_entry_is_dated_to_the_microsecond() -> None:
    # the example of systemd's docs/JOURNAL_EXPORT_FORMATS.md: 2012-07-17 16:01:01.416409 UTC
    batch = parse_journal(entry(UNC, _SOURCE_MONOTONIC_TIMESTAMP="1500000"))
    at = datetime(2012, 7, 17, 16, 1, 1, 416409, tzinfo=UTC)
    assert batch.lines == (Line(text=UNC, at=at, seconds=at.timestamp(), since_boot=1.5),)
    assert batch.position == Position(source="journal", cursor="s=21cc;i=1")


def test_the_two_times_of_the_example_agree_with_its_cursor() -> None:
    # same example: __CURSOR has t=4c508a72423d9 (real time) and m=4fc72436e (monotonic) in hex
    assert int("4c508a72423d9", 16) == 1342540861416409
    assert int("4fc72436e", 16) == 21415215982


@pytest.mark.parametrize(
    ("message", "texts"),
    [
        # JOURNAL_EXPORT_FORMATS.md, JSON: binary data as an array of numbers, a field that occurs
        # more than once as an array, too large a field as null
        ([*UNC.encode(), 0xFF], (UNC + "�",)),
        ([UNC, UNC], (UNC, UNC)),
        ("sdc: rw=1\nsdc: limit=0", ("sdc: rw=1", "sdc: limit=0")),
        (
            "md6_raid6: attempt to access beyond end of device\nsdc: limit=0",
            ("md6_raid6: attempt to access beyond end of device", "sdc: limit=0"),
        ),
    ],
)
def test_a_message_of_any_form_is_read(message: object, texts: tuple[str, ...]) -> None:
    assert tuple(line.text for line in parse_journal(entry(message)).lines) == texts


def test_a_message_too_large_to_be_shown_is_counted() -> None:
    batch = parse_journal(entry(None) + entry(UNC, 2))
    assert (len(batch.lines), batch.unreadable) == (1, 1)


def test_a_cut_entry_is_counted_and_hides_no_neighbour() -> None:
    text = entry(UNC, 1) + entry(UNC, 2)[:60] + "\n" + entry(UNC, 3)
    batch = parse_journal(text)
    assert (len(batch.lines), batch.unreadable) == (2, 1)
    assert batch.position.cursor == "s=21cc;i=3"


def test_an_entry_cut_at_the_end_is_read_again_next_time() -> None:
    text = entry(UNC, 1) + entry(UNC, 2)[:60]
    assert parse_journal(text).position.cursor == "s=21cc;i=1"


def test_no_news_keeps_the_position() -> None:
    before = Position(source="journal", cursor="s=1")
    assert parse_journal("", before).position == before
    assert parse_journal("-- No entries --\n", before).position == before


@pytest.mark.parametrize("text", ["Failed to open", '{"MESSAGE":"x"', "{}\n{}", "[1]\n"])
def test_an_answer_without_one_entry_cannot_be_parsed(text: str) -> None:
    with pytest.raises(CannotParse):
        parse_journal(text)


@given(st.text(max_size=200))
def test_any_text_parses_or_cannot(text: str) -> None:
    try:
        parse_journal(text)
    except CannotParse:
        return


@given(st.integers(0, 20_000), st.integers(0, 40))
def test_a_cut_capture_is_never_read_as_more_than_the_whole(start: int, cut: int) -> None:
    whole = CAPTURE.read_text(encoding="utf-8")
    texts = [line.text for line in parse_journal(whole).lines]
    damaged = whole[:start] + whole[start + cut :]
    try:
        batch = parse_journal(damaged)
    except CannotParse:
        return
    assert len(batch.lines) <= len(texts)
    assert len(batch.lines) + batch.unreadable >= len(texts) - 3


def test_the_first_look_reads_this_boot_and_later_ones_go_on_from_the_cursor() -> None:
    assert "--boot" in journal_command(None)
    later = journal_command(Position(source="journal", cursor="s=1"))
    assert "--cursor=s=1" in later
    assert "--boot" not in later  # what came before a crash is not lost
    assert "_TRANSPORT=kernel" in later


def test_a_journal_is_read_through_the_host() -> None:
    host = FakeHost(stdout=entry(UNC), stderr="Journal file x is truncated, ignoring file.\n")
    batch = read_journal(host, None)
    assert [line.text for line in batch.lines] == [UNC]
    assert batch.doubts == ("Journal file x is truncated, ignoring file.",)
    assert host.asked == [journal_command(None)]


def test_more_than_fits_is_read_in_pieces() -> None:
    host = FakeHost(ended=Ended.TOO_LONG, stdout=entry(UNC, 1) + entry(UNC, 2)[:40])
    batch = read_journal(host, None)
    assert (batch.more, batch.position.cursor, len(batch.lines)) == (True, "s=21cc;i=1", 1)


@pytest.mark.parametrize(
    ("answer", "why"),
    [
        ({"ended": Ended.MISSING}, Unread.TOOL_MISSING),
        ({"ended": Ended.TIMED_OUT}, Unread.HUNG),
        ({"ended": Ended.TOO_LONG}, Unread.GARBLED),
        (
            {"stderr": "Hint: You are currently not seeing messages from other users"},
            Unread.FORBIDDEN,
        ),
        ({"status": 1, "stderr": "No journal files were found."}, Unread.VANISHED),
        ({}, Unread.VANISHED),  # seen on a machine without a journal: status 0, not a word
        ({"stdout": "-- No entries --\n"}, Unread.VANISHED),
        ({"status": 1, "stderr": "Failed to seek to cursor: Invalid argument"}, Unread.GARBLED),
        ({"status": 1}, Unread.GARBLED),
    ],
)
def test_a_journal_that_cannot_be_read_says_why_and_what_to_do(
    answer: dict[str, object], why: Unread
) -> None:
    with pytest.raises(CannotRead) as caught:
        read_journal(FakeHost(**answer), None)
    assert caught.value.why is why
    assert caught.value.remedy


def test_the_entry_at_the_position_is_told_once() -> None:
    before = Position(source="journal", cursor="s=21cc;i=1")
    host = FakeHost(stdout=entry(UNC, 1) + entry(UNC, 2))
    batch = read_journal(host, before)
    assert (len(batch.lines), batch.position.cursor, batch.doubts) == (1, "s=21cc;i=2", ())
    quiet = read_journal(FakeHost(stdout=entry(UNC, 1)), before)
    assert (quiet.lines, quiet.position) == ((), before)


def test_a_journal_that_is_gone_is_not_taken_for_no_news() -> None:
    with pytest.raises(CannotRead):
        read_journal(FakeHost(), Position(source="journal", cursor="s=21cc;i=1"))


def test_a_journal_that_forgot_our_place_says_so() -> None:
    batch = read_journal(FakeHost(stdout=entry(UNC, 9)), Position(source="journal", cursor="s=1"))
    assert len(batch.lines) == 1
    assert "no longer holds the place" in batch.doubts[0]


# -- positions


@given(
    st.builds(
        Position,
        source=st.sampled_from(["journal", "kmsg", "file"]),
        cursor=st.text(max_size=20),
        boot=st.text(max_size=20),
        sequence=st.integers(-1, 2**63),
        inode=st.integers(0, 2**63),
        offset=st.integers(0, 2**63),
    )
)
def test_a_position_survives_being_stored(position: Position) -> None:
    assert Position.from_text(position.to_text()) == position


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[]",
        "{}",
        '{"source":"moon"}',
        '{"source":"file","offset":"7"}',
        '{"source":"file","offset":true}',
        '{"source":"journal","cursor":5}',
    ],
)
def test_a_damaged_position_cannot_be_parsed(text: str) -> None:
    with pytest.raises(CannotParse):
        Position.from_text(text)
