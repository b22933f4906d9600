"""The kernel's facts about one array."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.readers.pools.boxes import HEALTHY, four, sysfs
from watcher.readers.errors import CannotParse, CannotRead
from watcher.readers.pools.md_sysfs import (
    ARRAY_STATES,
    MEMBER_WORDS,
    SYNC_ACTIONS,
    MemberTold,
    parse_array,
    parse_member,
    read_array,
    usual_uuid,
)
from watcher.readers.recorded import RecordedHost


def test_the_words_of_array_state_are_the_handbook_s() -> None:
    """Source: Linux Documentation/admin-guide/md.rst, array_state; "broken" since Linux 5.4."""
    told = "clear inactive suspended readonly read-auto clean active write-pending active-idle"
    assert {*told.split(), "broken"} == ARRAY_STATES


def test_the_words_of_sync_action_are_the_handbook_s() -> None:
    """Source: md.rst, sync_action; "frozen" and "reshape" from the same file."""
    told = "resync recover idle check repair reshape frozen"
    assert set(told.split()) == SYNC_ACTIONS


def test_the_words_of_a_member_hold_the_handbook_s() -> None:
    """Source: md.rst, dev-XXX/state: the list may grow, so unknown words are kept."""
    told = "faulty in_sync writemostly blocked spare write_error want_replacement replacement"
    assert set(told.split()) <= MEMBER_WORDS


@pytest.mark.parametrize(
    ("value", "done", "total", "delayed"),
    [
        ("20232 / 323584", 20232, 323584, False),  # our own run
        ("none", None, None, False),
        ("delayed", None, None, True),
        ("0 / 323584", 0, 323584, False),
    ],
)
def test_progress_is_in_sectors_or_absent(
    value: str, done: int | None, total: int | None, delayed: bool
) -> None:
    """Source: md.rst, sync_completed: sectors done and to do, or none, or delayed."""
    told = parse_array({"sync_completed": value})
    assert (told.done_sectors, told.total_sectors, told.delayed) == (done, total, delayed)


def test_a_running_reshape_tells_new_and_old() -> None:
    told = parse_array({"raid_disks": "5 (4)", "layout": "2 (5)", "level": "raid6 (raid5)"})
    assert (told.wanted, told.layout, told.level) == (5, 2, "raid6")


@pytest.mark.parametrize(
    "files",
    [
        {"degraded": "some"},
        {"degraded": "-1"},
        {"degraded": "9" * 5000},
        {"sync_completed": "5 of 9"},
        {"sync_completed": "9 / 5"},
        {"raid_disks": "4 ("},
        {"mismatch_cnt": "1.5"},
    ],
)
def test_numbers_that_are_none_are_refused(files: dict[str, str]) -> None:
    with pytest.raises(CannotParse):
        parse_array(files)


@pytest.mark.parametrize("attribute", ["array_state", "sync_action"])
def test_an_unknown_word_is_kept(attribute: str) -> None:
    assert parse_array({attribute: "sideways"}).unknown == (f"{attribute}=sideways",)


def test_a_member_tells_slot_errors_and_bad_blocks() -> None:
    told = parse_member(
        "sdb",
        {
            "state": "in_sync,write_error",
            "slot": "1",
            "errors": "16",
            "recovery_start": "none",
            "bad_blocks": "100 8\n2000 16",
            "unacknowledged_bad_blocks": "",
            "size": "161792",
        },
    )
    assert told == MemberTold(
        name="sdb",
        words=frozenset({"in_sync", "write_error"}),
        slot=1,
        errors=16,
        bad_sectors=24,
        bad_ranges=((100, 8), (2000, 16)),
        size_kib=161792,
    )


@pytest.mark.parametrize(
    "files",
    [
        {},
        {"state": "in_sync"},
        {"state": "", "slot": "x"},
        {"state": "in_sync", "slot": "0", "bad_blocks": "7"},
    ],
)
def test_a_member_that_cannot_be_read_is_refused(files: dict[str, str]) -> None:
    with pytest.raises(CannotParse):
        parse_member("sdb", files)


WORDS = st.sampled_from(sorted(HEALTHY)) | st.text(max_size=12)


@given(st.dictionaries(WORDS, st.text(max_size=30)), st.dictionaries(WORDS, st.text(max_size=30)))
def test_any_files_are_read_or_refused(array: dict[str, str], member: dict[str, str]) -> None:
    try:
        parse_array(array, (parse_member("sda", {"state": "x", "slot": "1", **member}),))
    except CannotParse:
        return


@pytest.mark.parametrize(
    "text", ["ce391fe7-343f-770f-00b6-873b4fac137a", "CE391FE7:343F770F:00B6873B:4FAC137A"]
)
def test_a_uuid_is_one_however_it_is_written(text: str) -> None:
    assert usual_uuid(text) == "ce391fe7:343f770f:00b6873b:4fac137a"


@pytest.mark.parametrize("text", ["", "none", "0" * 32, "ce391fe7"])
def test_what_is_no_uuid_is_none(text: str) -> None:
    assert usual_uuid(text) is None


def test_the_whole_folder_is_read() -> None:
    told = read_array(RecordedHost(files=sysfs(four())), "md0")
    assert (told.array_state, told.degraded, told.wanted) == ("clean", 0, 4)
    assert [(m.name, m.slot) for m in told.members] == [
        ("sda", 0),
        ("sdb", 1),
        ("sdc", 2),
        ("sdd", 3),
    ]
    assert told.uuid == "ce391fe7:343f770f:00b6873b:4fac137a"


def test_an_array_without_a_folder_is_not_an_empty_one() -> None:
    with pytest.raises(CannotRead):
        read_array(RecordedHost(), "md0")


def test_a_file_that_may_not_be_read_is_told() -> None:
    host = RecordedHost(files=sysfs(four()), denied=["/sys/block/md0/md/degraded"])
    with pytest.raises(CannotRead, match="may not be read"):
        read_array(host, "md0")


class Broken(RecordedHost):
    """A box whose files of one name answer with an error of the device."""

    bad = ""

    def read_text(self, path: str) -> str:
        if path.endswith(f"/{self.bad}"):
            raise OSError(19, "No such device")
        return super().read_text(path)


def test_a_member_that_leaves_while_it_is_read_is_not_half_read() -> None:
    host = Broken(files=sysfs(four()))
    host.bad = "slot"
    with pytest.raises(CannotRead, match="No such device"):
        read_array(host, "md0")
    host.bad = "errors"
    assert [m.errors for m in read_array(host, "md0").members] == [None] * 4


def test_a_member_whose_folder_is_empty_has_just_left() -> None:
    host = RecordedHost(files=sysfs(four()), folders={"/sys/block/md0/md/dev-sde": ()})
    assert len(read_array(host, "md0").members) == 4


def test_a_list_of_bad_blocks_that_fills_its_page_may_be_cut_in_its_last_line() -> None:
    """A file of sysfs ends at 4,096 bytes: a drive with many bad places must not blind us."""
    files = {"state": "in_sync", "slot": "0"}
    lines = [f"{1_000_000 + 100 * n} 8" for n in range(500)]
    cut = "\n".join(lines)[:4095]
    told = parse_member("sda", {**files, "bad_blocks": cut})
    whole = cut.count("\n") + (1 if cut.splitlines()[-1] in lines else 0)
    assert told.bad_sectors == 8 * whole
    with pytest.raises(CannotParse):
        parse_member("sda", {**files, "bad_blocks": "100 8\n12"})
