"""Prefixes of kernel log lines, and RFC 5424 severities."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.readers.kernel_lines.screen import pieces
from watcher.readers.kernel_prefix import (
    LONGEST,
    Dating,
    Severity,
    Stripped,
    read_block,
    read_line,
    split_priority,
    strip_prefix,
)

NOW = datetime(2026, 11, 25, 13, 30, tzinfo=UTC)
BOOTED = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
AT = datetime(2026, 11, 25, 13, 22, 1, tzinfo=UTC)
DATING = Dating(now=NOW)
TEXT = "ata3.00: error: { UNC }"


@pytest.mark.parametrize(
    ("line", "at", "since_boot"),
    [
        (TEXT, None, None),
        (f"[  123.456789] {TEXT}", None, 123.456789),
        (f"[  123.456789] [T12] {TEXT}", None, 123.456789),
        (f"[  123.456789][    C1] {TEXT}", None, 123.456789),
        (f"Nov 25 13:22:01 box kernel: {TEXT}", AT, None),
        (f"Nov 25 13:22:01 box kernel: [  123.456789] {TEXT}", AT, 123.456789),
        (f"Nov 25 13:22:01.000000 box kernel: {TEXT}", AT, None),
        (f"Nov 25 2026 13:22:01 box kernel: {TEXT}", AT, None),
        (f"2026-11-25T13:22:01+0000 box kernel: {TEXT}", AT, None),
        (f"2026-11-25T14:22:01+01:00 box kernel: [1.5] {TEXT}", AT, 1.5),
        (f"2026-11-25T13:22:01,000000+00:00 {TEXT}", AT, None),
        (f"<6>1 2026-11-25T13:22:01Z box kernel - - - {TEXT}", AT, None),
        (f"<3>[    1.500000] {TEXT}", None, 1.5),
        (f"[Wed Nov 25 13:22:01 2026] {TEXT}", AT, None),
        (f"kernel: {TEXT}", None, None),
    ],
)
def test_a_prefix_is_taken_off_and_dated(
    line: str, at: datetime | None, since_boot: float | None
) -> None:
    found = strip_prefix(line, DATING)
    assert found is not None
    assert (found.text, found.at, found.since_boot) == (TEXT, at, since_boot)


@pytest.mark.parametrize(
    "line",
    [
        "",
        "   \n",
        f"Nov 25 13:22:01 box sshd[12]: {TEXT}",
        f"2026-11-25T13:22:01+0000 box smartd[12]: {TEXT}",
    ],
)
def test_nothing_and_other_programs_give_nothing(line: str) -> None:
    assert strip_prefix(line, DATING) is None


def test_a_time_without_a_year_is_the_last_such_time() -> None:
    january = Dating(now=datetime(2027, 1, 3, tzinfo=UTC))
    found = strip_prefix(f"Dec 31 23:59:59 box kernel: {TEXT}", january)
    assert found is not None
    assert found.at == datetime(2026, 12, 31, 23, 59, 59, tzinfo=UTC)
    new_year = Dating(now=datetime(2026, 12, 31, 23, 50, tzinfo=UTC))
    found = strip_prefix(f"Jan  1 00:20:00 box kernel: {TEXT}", new_year)
    assert found is not None
    assert found.at == datetime(2027, 1, 1, 0, 20, tzinfo=UTC)


def test_a_leap_day_is_found_years_back() -> None:
    found = strip_prefix(f"Feb 29 10:00:00 box kernel: {TEXT}", DATING)
    assert found is not None
    assert found.at == datetime(2024, 2, 29, 10, 0, tzinfo=UTC)


def test_the_zone_of_a_time_without_one_is_an_argument() -> None:
    east = Dating(now=NOW, zone=timezone(timedelta(hours=2)))
    found = strip_prefix(f"Nov 25 13:22:01 box kernel: {TEXT}", east)
    assert found is not None
    assert found.at == AT - timedelta(hours=2)


def test_seconds_since_the_start_are_dated_when_the_start_is_known() -> None:
    found = strip_prefix(f"[   60.000000] {TEXT}", Dating(now=NOW, booted_at=BOOTED))
    assert found == Stripped(text=TEXT, at=BOOTED + timedelta(seconds=60), since_boot=60.0)


def test_a_record_of_the_kernel_ring_has_priority_and_time() -> None:
    # Documentation/ABI/testing/dev-kmsg: priority, sequence, microseconds, flags; message
    found = strip_prefix(f"6,339,5140900,-;{TEXT}", DATING)
    assert found == Stripped(text=TEXT, since_boot=5.1409, severity=Severity.INFORMATIONAL)


@pytest.mark.parametrize("head", ["6,1,999999999999999999,-;", "[999999999999.000000] "])
def test_a_time_that_no_calendar_has_loses_the_date_and_not_the_message(head: str) -> None:
    found = strip_prefix(f"{head}{TEXT}", Dating(now=NOW, booted_at=BOOTED))
    assert found is not None
    assert (found.text, found.at) == (TEXT, None)


def test_an_impossible_date_loses_the_date_and_not_the_message() -> None:
    found = strip_prefix(f"Feb 31 13:22:01 box kernel: {TEXT}", DATING)
    assert found is not None
    assert (found.text, found.at) == (TEXT, None)


@pytest.mark.parametrize(
    ("number", "facility", "severity"),
    [
        # RFC 5424 table 2 and section 6.2.1 (PRI = 8 x facility + severity); daemon.warning = 28,
        # local7.debug = 191, kern.emerg = 0, local4.notice = 165
        (0, 0, Severity.EMERGENCY),
        (28, 3, Severity.WARNING),
        (165, 20, Severity.NOTICE),
        (191, 23, Severity.DEBUG),
    ],
)
def test_a_priority_is_facility_and_severity(
    number: int, facility: int, severity: Severity
) -> None:
    assert split_priority(number) == (facility, severity)


def test_severities_have_the_numbers_of_the_standard() -> None:
    # RFC 5424 table 2; the same words and numbers are PRIORITY in systemd.journal-fields(7)
    assert [one.name.lower() for one in Severity] == [
        "emergency",
        "alert",
        "critical",
        "error",
        "warning",
        "notice",
        "informational",
        "debug",
    ]
    assert [int(one) for one in Severity] == list(range(8))


@pytest.mark.parametrize("number", [-1, 192, 999])
def test_a_priority_out_of_range_is_none(number: int) -> None:
    assert split_priority(number) is None


@given(st.text(max_size=200))
def test_any_text_is_taken_or_left(text: str) -> None:
    found = strip_prefix(text, DATING)
    assert found is None or found.text


@given(st.from_regex(r"[A-Z][a-z]{2} [ \d]\d \d\d:\d\d:\d\d box kernel: \[ *\d{1,14}\.\d+\] x"))
def test_any_number_in_a_prefix_is_taken_or_left(text: str) -> None:
    assert strip_prefix(text, Dating(now=NOW, booted_at=BOOTED)) is not None


def test_a_long_line_is_cut() -> None:
    found = strip_prefix("x" * 10_000, DATING)
    assert found is not None
    assert len(found.text) == LONGEST


def one_by_one(block: bytes) -> list[object]:
    whole = [line[:LONGEST].decode("utf-8", "replace") for line, *_ in pieces(block)]
    return [line for line in (read_line(one, DATING) for one in whole) if line is not None]


@given(st.binary(max_size=300))
def test_any_bytes_of_a_file_are_read(block: bytes) -> None:
    assert read_block(block, DATING) == one_by_one(block)


DATES = (
    b"Nov 25 13:22:01",
    b"Nov  5 13:22:01",
    b"Feb 29 13:22:01",
    b"Xyz 25 13:22:01",
    b"Nov 25 1",
)
SECONDS = (
    b"[  1.5] ",
    b"[123456789012.5] ",
    b"[1234567890123.5] ",
    b"[5.] ",
    b"[1.5][  T12] ",
    b"",
)
MESSAGES = (b"ata3.00: error: { UNC }", b"sd \xff\xe2", b" res 51/40:00", b"[sda] x\r", b"", b"\r")


@given(
    st.lists(
        st.tuples(
            st.sampled_from((*DATES, b"")),
            st.sampled_from((b" box kernel: ", b" box sshd[1]: ", b" ", b"")),
            st.sampled_from(SECONDS),
            st.sampled_from(MESSAGES),
            st.sampled_from((b"\n", b"\r\n", b"y" * LONGEST + b"\n")),
        ).map(b"".join),
        max_size=6,
    ).map(b"".join)
)
def test_the_short_way_through_a_block_reads_what_the_long_way_reads(block: bytes) -> None:
    assert read_block(block, DATING) == one_by_one(block)
