"""Copies are recognised by real programs in a folder, and by recorded answers where those fail."""

from __future__ import annotations

import os
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.facts.readiness import CopyState, HowKnown
from watcher.readers.copies import (
    SIZE_COMMAND,
    CopyAsked,
    ThingAsked,
    parse_newest,
    parse_printed,
    parse_sizes,
    read_copy,
    read_size,
    read_things,
)
from watcher.readers.errors import CannotParse
from watcher.readers.host import Ended, Ran
from watcher.readers.recorded import RecordedHost
from watcher.readers.runner import RealHost

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)
DAY = timedelta(days=1)
HOST = RealHost()


def asked(how: HowKnown, *where: str, limit: float = 20.0) -> CopyAsked:
    return CopyAsked(name="nas", how=how, where=where, fresh_for=2 * DAY, limit_seconds=limit)


def made(path: Path, ago: timedelta, content: str = "x") -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(content)
    stamp = (NOW - ago).timestamp()
    os.utime(path, (stamp, stamp))
    return path


def test_the_newest_file_below_a_folder_says_when_the_copy_was_made(tmp_path: Path) -> None:
    made(tmp_path / "a" / "old", 9 * DAY)
    made(tmp_path / "b c" / "new\nline", DAY)
    seen = read_copy(HOST, asked(HowKnown.NEWEST_FILE, str(tmp_path)), NOW)
    assert seen.copied_at == NOW - DAY
    assert seen.state_at(NOW) is CopyState.FRESH


def test_an_empty_folder_holds_no_copy_and_a_missing_one_was_not_seen(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    empty = read_copy(HOST, asked(HowKnown.NEWEST_FILE, str(tmp_path / "empty")), NOW)
    assert empty.state_at(NOW) is CopyState.NEVER
    assert "mounted" in empty.detail
    gone = read_copy(HOST, asked(HowKnown.NEWEST_FILE, str(tmp_path / "gone")), NOW)
    assert gone.state_at(NOW) is CopyState.UNSEEN


def test_a_marker_file_tells_by_its_age(tmp_path: Path) -> None:
    marker = made(tmp_path / "done", 3 * DAY)
    seen = read_copy(HOST, asked(HowKnown.MARKER, str(marker)), NOW)
    assert seen.state_at(NOW) is CopyState.STALE
    never = read_copy(HOST, asked(HowKnown.MARKER, str(tmp_path / "never")), NOW)
    assert never.state_at(NOW) is CopyState.NEVER
    hidden = read_copy(HOST, asked(HowKnown.MARKER, str(tmp_path / "no" / "x")), NOW)
    assert hidden.state_at(NOW) is CopyState.UNSEEN


@pytest.mark.parametrize(
    ("script", "state"),
    [
        ("echo 2026-03-01T08:00:00+01:00", CopyState.FRESH),
        (f"echo {int((NOW - DAY).timestamp())}", CopyState.FRESH),
        ("true", CopyState.FRESH),
        ("echo 2026-02-01T08:00:00Z", CopyState.STALE),
        ("echo no backup >&2; exit 3", CopyState.NEVER),
        ("echo yesterday", CopyState.UNSEEN),
        ("echo 2026-03-01T08:00:00", CopyState.UNSEEN),
        ("echo 2027-03-01T08:00:00Z", CopyState.UNSEEN),
        ("echo 1; echo 2", CopyState.UNSEEN),
    ],
)
def test_a_command_tells_by_its_status_and_what_it_prints(script: str, state: CopyState) -> None:
    seen = read_copy(HOST, asked(HowKnown.COMMAND, "sh", "-c", script), NOW)
    assert seen.state_at(NOW) is state, seen.detail


def test_a_command_that_hangs_is_left_after_its_time() -> None:
    seen = read_copy(HOST, asked(HowKnown.COMMAND, "sleep", "30", limit=0.3), NOW)
    assert (seen.could_look, "no answer within" in seen.detail) == (False, True)
    missing = read_copy(HOST, asked(HowKnown.COMMAND, "/no/such/program"), NOW)
    assert "is not there" in missing.detail


def test_the_size_is_that_of_the_files(tmp_path: Path) -> None:
    made(tmp_path / "a" / "f", DAY, "12345")
    size, why = read_size(HOST, (str(tmp_path / "a"), str(tmp_path / "a" / "f")))
    assert why == ""
    assert size is not None
    assert size >= 5
    size, why = read_size(HOST, (str(tmp_path / "none"),))
    assert size is None
    assert "not known" in why


def test_a_size_that_is_known_in_part_is_not_known() -> None:
    argv = (*SIZE_COMMAND, "--", "/a")
    part = RecordedHost(programs={argv: (1, "7\t/a\n", "du: cannot read directory '/a/b'")})
    assert read_size(part, ("/a",))[0] is None
    slow = RecordedHost(programs={argv: Ran(argv=argv, ended=Ended.TIMED_OUT, seconds=120)})
    assert read_size(slow, ("/a",)) == (None, "Its size is not known: no answer within 120 s.")
    odd = RecordedHost(programs={argv: (0, "seven\t/a\n", "")})
    assert read_size(odd, ("/a",))[0] is None


def test_a_folder_that_could_be_read_in_part_counts_by_what_was_seen() -> None:
    argv = ("find", "/nas", "-xdev", "-type", "f", "-printf", "%T@\\n")
    stamp = (NOW - DAY).timestamp()
    part = RecordedHost(programs={argv: (1, f"{stamp}\n", "find: ‘/nas/x’: Permission denied")})
    assert read_copy(part, asked(HowKnown.NEWEST_FILE, "/nas"), NOW).copied_at == NOW - DAY
    blind = RecordedHost(programs={argv: (1, "", "find: ‘/nas’: Permission denied")})
    assert not read_copy(blind, asked(HowKnown.NEWEST_FILE, "/nas"), NOW).could_look


def test_everything_that_was_declared_is_looked_at(tmp_path: Path) -> None:
    photos = made(tmp_path / "photos" / "one", DAY)
    thing = ThingAsked(
        name="photos",
        paths=(str(photos.parent),),
        copies=(asked(HowKnown.COMMAND, "true"), asked(HowKnown.COMMAND, "false")),
    )
    seen = read_things(HOST, (thing,), NOW)
    (only,) = seen.things
    assert seen.seen_at == NOW
    assert only.bytes is not None
    assert [c.state_at(NOW) for c in only.copies] == [CopyState.FRESH, CopyState.NEVER]
    assert read_things(RecordedHost(), (), NOW).things == ()


@given(st.text(), st.integers(1, 3))
def test_any_text_is_read_or_refused(text: str, count: int) -> None:
    for parse in (
        lambda: parse_sizes(text, count),
        lambda: parse_newest(text),
        lambda: parse_printed(text, NOW),
    ):
        try:
            parse()
        except CannotParse:
            continue


def test_an_empty_answer_holds_no_time() -> None:
    assert parse_newest("") is None
    assert parse_printed(" \n", NOW) == NOW
    with pytest.raises(CannotParse):
        parse_newest("0x10\n")


@pytest.mark.parametrize("text", ["999999999999", "9999-12-31T23:59:59-10:00"])
def test_a_time_beyond_all_calendars_is_refused(text: str) -> None:
    with pytest.raises(CannotParse, match="time"):
        parse_printed(text, NOW)
