"""The shape of an answer, and what pool readers share."""

from __future__ import annotations

import pytest

from tests.readers.pools.boxes import HandBlocks
from watcher.facts.drive import Unread
from watcher.facts.identity import DriveId, PoolId, about_pool
from watcher.facts.pool import Member, MemberState, Protection
from watcher.readers.errors import CannotParse, CannotRead, ReadError
from watcher.readers.pools.shape import (
    PoolsRead,
    UnseenBlocks,
    bare_name,
    blindness_of,
    cannot_open,
    mirror,
    on_device,
    parity,
    stripe,
    together,
    unknown_word,
)


@pytest.mark.parametrize(
    ("error", "why"),
    [
        (CannotRead("md", Unread.FORBIDDEN, "may not be read"), Unread.FORBIDDEN),
        (CannotRead("md", Unread.HUNG, "no answer"), Unread.HUNG),
        (CannotRead("md", Unread.VANISHED, "is not there"), Unread.VANISHED),
        (CannotParse("md", "was cut", line="md0 : act"), Unread.GARBLED),
        (CannotParse("md", "was cut"), Unread.GARBLED),
        (ReadError("odd"), Unread.GARBLED),
    ],
)
def test_every_failed_reading_becomes_a_blind_spot_with_a_remedy(
    error: ReadError, why: Unread
) -> None:
    spot = blindness_of("md", error, pool=PoolId("md:x"))
    assert (spot.source, spot.why, spot.subject) == ("md", why, about_pool(PoolId("md:x")))
    assert spot.detail
    assert spot.remedy


def test_the_reader_s_own_remedy_comes_first() -> None:
    error = CannotRead("lvm", Unread.TOOL_MISSING, "not installed", remedy="install lvm2")
    assert blindness_of("lvm", error).remedy == "install lvm2"


@pytest.mark.parametrize(
    ("error", "why"),
    [
        (PermissionError(), Unread.FORBIDDEN),
        (FileNotFoundError(), Unread.VANISHED),
        (OSError("input/output error"), Unread.GARBLED),
    ],
)
def test_a_file_that_cannot_be_opened_says_why(error: OSError, why: Unread) -> None:
    assert cannot_open("md", "/proc/mdstat", error).why is why


def test_answers_are_joined_in_order() -> None:
    spot = blindness_of("zfs", CannotParse("zfs", "x"))
    joined = together([PoolsRead(answered=("md",)), PoolsRead(blind=(spot,))])
    assert joined == PoolsRead(blind=(spot,), answered=("md",))


@pytest.mark.parametrize("state", list(MemberState))
def test_a_member_without_its_device_is_never_good(state: MemberState) -> None:
    member = Member(name="sdb", state=state, drives=(DriveId("old"),))
    put = on_device(member, "sdb", HandBlocks(gone=frozenset({"sdb"})))
    out = {MemberState.FAILED, MemberState.OFFLINE, MemberState.MISSING}
    assert put.state is (state if state in out else MemberState.MISSING)
    assert (put.node, put.drives) == (None, ())


@pytest.mark.parametrize("state", list(MemberState))
def test_a_member_on_a_device_that_the_kernel_gave_up_is_never_good(state: MemberState) -> None:
    """It keeps its drive: that is the one to look at."""
    put = on_device(Member(name="sdb", state=state), "sdb", HandBlocks(given_up=frozenset({"sdb"})))
    out = {MemberState.FAILED, MemberState.OFFLINE, MemberState.MISSING}
    assert put.state is (state if state in out else MemberState.MISSING)
    assert (put.node, put.drives) == ("/dev/sdb", (DriveId("drive-sdb"),))


def test_a_member_on_its_device_is_traced_to_its_drives() -> None:
    put = on_device(Member(name="sdb1", state=MemberState.GOOD), "sdb1", HandBlocks())
    assert (put.node, put.drives) == ("/dev/sdb1", (DriveId("drive-sdb1"),))


def test_blocks_that_could_not_be_listed_call_nothing_missing() -> None:
    put = on_device(Member(name="sdb", state=MemberState.GOOD), "sdb", UnseenBlocks())
    assert (put.state, put.drives) == (MemberState.GOOD, ())
    assert not UnseenBlocks().is_given_up("sdb")


def test_sets_bear_what_their_kind_bears() -> None:
    parts = tuple(Member(name=f"m{i}", state=MemberState.GOOD) for i in range(3))
    assert mirror("m", parts).bears == 2
    assert stripe("s", parts).bears == 0
    assert parity("p", 2, parts).bears == 2
    assert parity("p", 2, parts[:2]).bears == 1


def test_an_unknown_word_is_never_well() -> None:
    assert unknown_word("sysfs", "sideways" * 20).at_most is Protection.UNKNOWN
    assert bare_name("/dev/sdb1") == "sdb1"
