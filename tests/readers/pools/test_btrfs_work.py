"""What btrfs counts and works on, parsed strictly."""

from __future__ import annotations

import contextlib
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.lab.step_host import kept_step
from tests.readers.pools.btrfs_texts import UUID, scrub, stats
from watcher.readers.errors import CannotParse
from watcher.readers.pools.btrfs_work import (
    Balance,
    DeviceErrors,
    Going,
    Mount,
    Replacing,
    Scrub,
    parse_balance,
    parse_device_stats,
    parse_mounts,
    parse_replace,
    parse_scrub,
    parse_writable,
    unescaped,
)

LEFT = " out of about 4 chunks balanced (2 considered), "
PARSERS: list[Any] = [
    parse_device_stats, parse_scrub, parse_replace, parse_balance, parse_mounts,
    parse_writable,
]  # fmt: skip
WORDS = (
    "[/dev/sda].write_io_errs ", "UUID: x", "Status: ", "running", "Error summary: ", "7",
    "  Corrected: ", "Never started", "16.0% done, ", " write errs, ", " uncorr. read errs",
    "No balance found on '/b1'", "Balance on '/b1' is running", " btrfs rw 0 0", "99999999999%",
)  # fmt: skip


@given(st.one_of(st.text(), st.lists(st.sampled_from([*WORDS, "\n", " "])).map("".join)))
def test_any_text_gives_a_value_or_cannot_parse(text: str) -> None:
    for parse in PARSERS:
        with contextlib.suppress(CannotParse):
            parse(text)


def test_five_counters_are_read_for_each_device() -> None:
    text = stats(["/dev/sda", "devid:2"], write_io=11, flush_io=2)
    quiet = {"write": 0, "read": 0, "flush": 0, "corruption": 0, "generation": 0}
    first, last = parse_device_stats(text)
    assert first == DeviceErrors(device="/dev/sda", **quiet)
    assert last == DeviceErrors(device="devid 2", **{**quiet, "write": 11, "flush": 2})
    assert (first.total, last.total) == (0, 13)


def test_a_lost_or_doubled_counter_is_found() -> None:
    """Five counters a device: REFERENCES 4.28, btrfs-progs Documentation/btrfs-device.rst."""
    lines = stats(["/dev/sda", "/dev/sdb"]).splitlines(keepends=True)
    assert len(lines) == 2 * 5
    for at in range(len(lines)):
        with pytest.raises(CannotParse):
            parse_device_stats("".join(lines[:at] + lines[at + 1 :]))
        with pytest.raises(CannotParse):
            parse_device_stats("".join([*lines[: at + 1], *lines[at:]]))


def test_a_finished_scrub_tells_when_it_began_and_what_it_found() -> None:
    assert parse_scrub(scrub(corrected=16, uncorrectable=3)) == Scrub(
        uuid=UUID,
        going=Going.FINISHED,
        started=datetime(2026, 2, 28, 2, 0, tzinfo=UTC),
        corrected=16,
        uncorrectable=3,
    )


def test_a_running_scrub_tells_how_far_it_is_and_never_above_all() -> None:
    assert parse_scrub(scrub(status="running")).fraction == 0.5
    seen = parse_scrub(kept_step("btrfs", "07-replace-running")["b1-scrub-status.txt"])
    assert (seen.going, seen.fraction) == (Going.RUNNING, 1.0)  # it printed 119.90%


def test_no_scrub_yet_is_told_as_never() -> None:
    text = kept_step("btrfs", "01-healthy")["b1-scrub-status.txt"]
    assert parse_scrub(text).going is Going.NEVER


@pytest.mark.parametrize("word", ["aborted", "interrupted"])
def test_a_scrub_that_did_not_end_is_not_a_finished_one(word: str) -> None:
    assert parse_scrub(scrub(status=word)).going is Going.STOPPED


def test_an_unknown_scrub_status_is_refused() -> None:
    with pytest.raises(CannotParse, match="'pondering' is not known"):
        parse_scrub(scrub(status="pondering"))


def test_a_scrub_that_contradicts_itself_is_refused() -> None:
    with pytest.raises(CannotParse, match="contradicts"):
        parse_scrub(scrub() + "  Uncorrectable:  8\n")


TAIL = ", 1 write errs, 2 uncorr. read errs\n"


@pytest.mark.parametrize(
    ("text", "going", "fraction"),
    [
        ("16.0% done" + TAIL, Going.RUNNING, 0.16),
        ("Started on 25.Nov 06:48:23, finished on 25.Nov 06:48:36" + TAIL, Going.FINISHED, None),
        ("Started on 25.Nov 06:48:23, canceled on 25.Nov 06:48:36 at 3.5%" + TAIL,
         Going.STOPPED, 0.035),
        ("Started on 25.Nov 06:48:23, suspended on 25.Nov 06:48:36 at 3.5%" + TAIL,
         Going.PAUSED, 0.035),
    ],
)  # fmt: skip
def test_a_replacement_is_told_in_all_its_states(
    text: str, going: Going, fraction: float | None
) -> None:
    """Running and finished as run; canceled and suspended from memory of btrfs-progs' source."""
    seen = parse_replace(text)
    assert seen == Replacing(
        going=going, fraction=pytest.approx(fraction), write_errors=1, lost_reads=2
    )


def test_a_replacement_that_never_was() -> None:
    assert parse_replace("Never started\n") == Replacing(going=Going.NEVER)


@pytest.mark.parametrize(
    ("text", "balance"),
    [
        ("No balance found on '/b 1'\n", Balance(going=Going.NEVER)),
        ("Balance on '/b1' is running\n1" + LEFT + " 75% left\n",
         Balance(going=Going.RUNNING, fraction=0.25)),
        ("Balance on '/b1' is paused\n0" + LEFT + "100% left\n",
         Balance(going=Going.PAUSED, fraction=0.0)),
        ("Balance on '/b1' is running, cancel requested\n", Balance(going=Going.RUNNING)),
    ],
)  # fmt: skip
def test_a_balance_is_told_with_how_much_is_done(text: str, balance: Balance) -> None:
    """From memory of btrfs-balance(8); the first as run."""
    assert parse_balance(text) == balance


def test_mounts_keep_their_blanks_and_tell_read_only() -> None:
    text = "/dev/sda /mnt/my\\040pool btrfs ro,relatime 0 0\n/dev/vda / ext4 rw 0 0\n"
    assert parse_mounts(text) == (Mount(source="/dev/sda", target="/mnt/my pool", read_only=True),)
    assert unescaped("a\\011b\\134c") == "a\tb\\c"


def test_a_filesystem_is_writable_by_its_own_options_not_by_the_mounts() -> None:
    """The layout is that of proc(5), with its example's tags; inside systemd's ProtectSystem=strict
    every mount says "ro" and every filesystem what it is (seen in a Debian 12 guest)."""
    text = (
        "36 35 98:0 / /mnt2 ro,noatime master:1 - ext3 /dev/root rw,errors=continue\n"
        "37 35 0:41 /sub /mnt/my\\040pool ro,relatime - btrfs /dev/sda ro,subvolid=5\n"
        "38 35 0:42 / /srv rw,relatime shared:7 master:2 - btrfs /dev/sdb rw,subvol=/\n"
    )
    assert parse_writable(text) == {"/mnt2", "/srv"}
    with pytest.raises(CannotParse):
        parse_writable("36 35 98:0 / /mnt2 ro")
