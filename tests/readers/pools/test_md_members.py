"""Who sits in which slot, and whether that counts."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.readers.pools.boxes import NOW, HandBlocks, box, four, line, mdstat, sysfs
from watcher.facts.identity import DriveId, PoolId
from watcher.facts.margin import judge_pool
from watcher.facts.pool import Member, MemberState, Pool, PoolKind, RedundancySet, Role
from watcher.readers.pools.md_members import Seats, seat
from watcher.readers.pools.md_stat import parse_mdstat
from watcher.readers.pools.md_sysfs import read_array


def seats(
    members: str,
    up: str,
    told: dict[str, tuple[str, str]] | None = None,
    *,
    gone: frozenset[str] = frozenset(),
    previous: Pool | None = None,
) -> Seats:
    text = mdstat(line(members, up))
    listing = parse_mdstat(text)[0]
    array = read_array(box(text, sysfs(told)), "md0") if told is not None else None
    return seat(listing, array, HandBlocks(gone=gone), previous)


def shown(found: Seats) -> list[str]:
    return [f"{member.name} {member.state}" for member in found.slots]


ALL = "sdd[4] sdc[2] sdb[1] sda[0]"


@pytest.mark.parametrize("told", [four(), None])
def test_members_in_step_sit_in_their_slots(told: dict[str, tuple[str, str]] | None) -> None:
    found = seats(ALL, "UUUU", told)
    assert shown(found) == ["sda good", "sdb good", "sdc good", "sdd good"]
    assert (found.lost, found.filling, found.others, found.gone) == (0, (), (), ())
    assert found.slots[3].drives == (DriveId("drive-sdd"),)


@pytest.mark.parametrize("told", [four(sdb=("none", "faulty")), None])
def test_a_failed_member_is_shown_where_it_sat(told: dict[str, tuple[str, str]] | None) -> None:
    found = seats("sdd[4] sdc[2] sdb[1](F) sda[0]", "U_UU", told)
    assert shown(found) == ["sda good", "sdb failed", "sdc good", "sdd good"]


def test_a_failed_member_whose_slot_was_taken_stands_apart() -> None:
    told = four(sdb=("none", "faulty"), sde=("1", "spare"))
    found = seats("sde[5] sdd[4] sdc[2] sdb[1](F) sda[0]", "U_UU", told)
    assert shown(found) == ["sda good", "sde rebuilding", "sdc good", "sdd good"]
    assert [(m.name, m.state) for m in found.others] == [("sdb", MemberState.FAILED)]
    assert [m.name for m in found.filling] == ["sde"]


@pytest.mark.parametrize("told", [True, False])
def test_spares_and_journals_stand_beside_the_slots(told: bool) -> None:
    extra = {"sde": ("none", "spare"), "sdf": ("none", "journal")} if told else None
    members = {**four(), **extra} if extra else None
    found = seats("sdf[6](J) sde[5](S) sdd[4] sdc[2] sdb[1] sda[0]", "UUUU", members)
    assert found.lost == 0
    assert sorted((m.name, m.role, m.state) for m in found.others) == [
        ("sde", Role.SPARE, MemberState.SPARE),
        ("sdf", Role.JOURNAL, MemberState.GOOD),
    ]


def test_a_failed_journal_takes_no_empty_slot() -> None:
    told = {**{n: w for n, w in four().items() if n != "sdb"}, "sdf": ("journal", "faulty,journal")}
    found = seats("sdf[6](J)(F) sdd[4] sdc[2] sda[0]", "U_UU", told)
    assert shown(found)[1] == "slot 1 missing"
    assert [(m.name, m.state) for m in found.others] == [("sdf", MemberState.FAILED)]


def test_a_replacement_does_not_count_before_it_takes_over() -> None:
    told = four(sdb=("1", "in_sync,want_replacement"), sde=("1", "spare,replacement"))
    found = seats("sde[5](R) sdd[4] sdc[2] sdb[1] sda[0]", "UUUU", told)
    assert shown(found) == ["sda good", "sdb good", "sdc good", "sdd good"]
    assert [m.name for m in found.filling] == ["sde"]


def test_a_replacement_in_step_does_not_push_out_the_original() -> None:
    told = four(sde=("1", "in_sync,replacement"))
    found = seats("sde[5](R) sdd[4] sdc[2] sdb[1] sda[0]", "UUUU", told)
    assert shown(found)[1] == "sdb good"


@pytest.mark.parametrize(
    ("up", "words"), [("U_UU", "in_sync"), ("UUUU", "spare"), ("U_UU", "spare")]
)
def test_the_worse_of_two_witnesses_is_believed(up: str, words: str) -> None:
    found = seats(ALL, up, four(sdb=("1", words)))
    assert shown(found)[1] == "sdb rebuilding"


def test_a_member_with_no_word_we_know_is_unknown() -> None:
    assert shown(seats(ALL, "UUUU", four(sdb=("1", "sideways"))))[1] == "sdb unknown"


@pytest.mark.parametrize("told", [four(), None])
def test_a_device_that_is_gone_is_missing_whatever_the_array_says(
    told: dict[str, tuple[str, str]] | None,
) -> None:
    found = seats(ALL, "UUUU", told, gone=frozenset({"sdb"}))
    assert shown(found)[1] == "sdb missing"
    assert found.gone == ("sdb",)


def test_an_empty_slot_is_a_missing_member() -> None:
    told = {name: where for name, where in four().items() if name != "sdb"}
    found = seats("sdd[4] sdc[2] sda[0]", "U_UU", told)
    assert shown(found) == ["sda good", "slot 1 missing", "sdc good", "sdd good"]


def test_without_sysfs_numbers_above_the_slots_fill_what_is_left() -> None:
    assert shown(seats("sdf[6] sde[5] sdc[2] sda[0]", "UUUU")) == [
        "sda good",
        "sde good",
        "sdc good",
        "sdf good",
    ]
    assert shown(seats("sdf[6] sde[5] sdc[2] sda[0]", "U_UU")) == [
        "sda good",
        "sdf rebuilding",
        "sdc good",
        "sde good",
    ]


def test_the_order_of_the_list_does_not_matter() -> None:
    orders = ["sdd[4] sdc[2] sdb[1](F) sda[0]", "sda[0] sdb[1](F) sdc[2] sdd[4]"]
    for told in (four(sdb=("none", "faulty")), None):
        first, second = (seats(order, "U_UU", told) for order in orders)
        assert first == second


def test_members_of_an_inactive_array_are_unknown() -> None:
    text = mdstat("md0 : inactive sdb[1](S) sda[0](S)\n      327680 blocks super 1.2\n       ")
    found = seat(parse_mdstat(text)[0], None, HandBlocks())
    assert shown(found) == ["sda unknown", "sdb unknown"]


def before(*names: str) -> Pool:
    parts = tuple(
        Member(name=name, state=MemberState.GOOD, drives=(DriveId(f"old-{name}"),))
        for name in names
    )
    return judge_pool(
        pool=PoolId("md:x"),
        name="md0",
        kind=PoolKind.MD,
        layout="raid5",
        observed_at=NOW,
        tree=RedundancySet(name="raid5", bears=1, parts=parts),
    )


def test_the_drive_that_left_a_slot_is_remembered() -> None:
    told = {name: where for name, where in four().items() if name != "sdb"}
    found = seats("sdd[4] sdc[2] sda[0]", "U_UU", told, previous=before("sda", "sdb", "sdc", "sdd"))
    assert shown(found)[1] == "sdb missing"
    assert found.slots[1].drives == (DriveId("old-sdb"),)


def test_a_gone_device_keeps_the_drive_it_was() -> None:
    found = seats(
        ALL, "UUUU", four(), gone=frozenset({"sdb"}), previous=before("sda", "sdb", "sdc", "sdd")
    )
    assert found.slots[1].drives == (DriveId("old-sdb"),)
    assert found.slots[0].drives == (DriveId("drive-sda"),)


def test_a_drive_that_works_elsewhere_in_the_array_is_not_called_missing() -> None:
    told = {name: where for name, where in four().items() if name != "sdb"}
    old = before("sda", "sdb", "sdc", "sdd")
    assert old.tree is not None
    moved = tuple(
        replace(m, drives=(DriveId("drive-sda"),)) if m.name == "sdb" else m for m in old.members
    )
    previous = replace(old, tree=RedundancySet(name="raid5", bears=1, parts=moved))
    found = seats("sdd[4] sdc[2] sda[0]", "U_UU", told, previous=previous)
    assert shown(found)[1] == "slot 1 missing"
    assert found.slots[1].drives == ()


def test_a_past_of_another_shape_is_not_used() -> None:
    told = {name: where for name, where in four().items() if name != "sdb"}
    found = seats("sdd[4] sdc[2] sda[0]", "U_UU", told, previous=before("sda", "sdb"))
    assert found.slots[1].drives == ()


def test_a_replacement_without_sysfs_is_not_relied_on() -> None:
    found = seats("sde[5](R) sdd[4] sdc[2] sdb[1] sda[0]", "UUUU")
    assert shown(found) == ["sda good", "sdb good", "sdc good", "sdd good"]
    assert [m.state for m in found.others] == [MemberState.REBUILDING]


def test_more_members_than_slots_leave_the_last_beside_them() -> None:
    found = seats("sde[5] sdd[4] sdc[2] sdb[1] sda[0]", "UUUU")
    assert [m.name for m in found.others] == ["sde"]
    assert found.others[0].state is MemberState.REBUILDING
