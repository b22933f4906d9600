"""What the tree of a ZFS pool bears."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pytest

from tests.readers.pools.zfs_texts import Row, drive, group, row, scan
from tests.readers.pools.zfs_texts import as_json as said
from watcher.facts.margin import full_margin_of, margin_of, without
from watcher.facts.pool import MemberState, Role
from watcher.readers.pools import zfs_json
from watcher.readers.pools.zfs_tree import Built, build


def built(rows: Sequence[Row], **more: Any) -> Built:
    (status,) = zfs_json.parse(said(rows, **more))
    return build(status, lambda member, _: member)


def margins(rows: Sequence[Row], **more: Any) -> tuple[int | None, int]:
    tree = built(rows, **more).tree
    assert tree is not None
    return margin_of(tree), full_margin_of(tree)


@pytest.mark.parametrize("count", [2, 3, 4])
def test_a_mirror_of_n_bears_all_but_one(count: int) -> None:
    """REFERENCES 4.30: zpoolconcepts(7), "a mirror with N disks can withstand N-1"."""
    drives = [f"sd{i}" for i in range(count)]
    assert margins(group("mirror-0", *drives)) == (count - 1, count - 1)


@pytest.mark.parametrize("parity", [1, 2, 3])
@pytest.mark.parametrize("name", ["raidz{}-0", "draid{}:4d:9c:1s-0"])
def test_parity_bears_its_number(name: str, parity: int) -> None:
    """REFERENCES 4.30: zpoolconcepts(7), "can withstand P device failures"."""
    drives = [f"sd{i}" for i in range(9)]
    for lost in range(parity + 2):
        rows = group(
            name.format(parity),
            *[drive(d, "FAULTED" if i < lost else "ONLINE") for i, d in enumerate(drives)],
        )
        assert margins(rows) == (max(parity - lost, -1), parity)


@pytest.mark.parametrize(
    ("word", "state"),
    [
        ("ONLINE", MemberState.GOOD),
        ("DEGRADED", MemberState.GOOD),
        ("FAULTED", MemberState.FAILED),
        ("OFFLINE", MemberState.OFFLINE),
        ("REMOVED", MemberState.MISSING),
        ("UNAVAIL", MemberState.MISSING),
        ("DREAMING", MemberState.UNKNOWN),
    ],
)
def test_each_word_has_one_meaning(word: str, state: MemberState) -> None:
    """REFERENCES 4.29: zpoolconcepts(7), device states; OFFLINE is by command."""
    tree = built(group("mirror-0", "sda", drive("sdb", word))).tree
    assert tree is not None
    assert [part.state for part in tree.parts] == [MemberState.GOOD, state]  # type: ignore[union-attr]


def test_a_stripe_of_mirrors_is_as_strong_as_its_weakest() -> None:
    pair = group("mirror-0", "sda", "sdb")
    triple = group("mirror-1", "sdc", "sdd", "sde")
    assert margins([*pair, *triple]) == (1, 1)
    hurt = group("mirror-0", "sda", drive("sdb", "UNAVAIL"))
    assert margins([*hurt, *triple]) == (0, 1)


def test_drives_that_stand_alone_bear_nothing() -> None:
    assert margins([drive("sda", depth=1)]) == (0, 0)
    assert margins([drive("sda", depth=1), *group("mirror-1", "sdb", "sdc")]) == (0, 0)


def test_special_and_dedup_vdevs_are_part_of_the_pool() -> None:
    """zpoolconcepts(7), "Special Allocation Class": their loss is that of the pool."""
    raidz = group("raidz2-0", "sda", "sdb", "sdc", "sdd")
    assert margins(raidz) == (2, 2)
    assert margins(raidz, sections={"special": group("mirror-1", "sde", "sdf")}) == (1, 1)
    assert margins(raidz, sections={"special": [drive("sde", depth=1)]}) == (0, 0)
    assert margins(raidz, sections={"dedup": [drive("sde", depth=1)]}) == (0, 0)


def test_logs_caches_and_spares_are_not_part_of_the_margin() -> None:
    sections = {
        "logs": [drive("sdf", "FAULTED", depth=1)],
        "cache": [drive("sdg", "UNAVAIL", depth=1)],
        "spares": [drive("sdh", "AVAIL", depth=1)],
    }
    raidz = group("raidz1-0", "sda", "sdb", "sdc")
    assert margins(raidz, sections=sections) == (1, 1)
    roles = [(member.name, member.role) for member in built(raidz, sections=sections).others]
    assert roles == [("sdh", Role.SPARE), ("sdf", Role.LOG), ("sdg", Role.CACHE)]


GOING = scan("RESILVER", "SCANNING")
FILLED = scan("RESILVER", "FINISHED")
BROKEN_OFF = scan("RESILVER", "CANCELED")


def slot(name: str, *drives: Row) -> list[Row]:
    return [row(1, "raidz1-0", "DEGRADED"), drive("sda"), drive("sdb"), row(2, name), *drives]


@pytest.mark.parametrize(
    ("name", "old", "stats", "margin"),
    [
        *(
            (name, *case)
            for name in ("replacing-2", "spare-2")
            for case in (
                ("UNAVAIL", GOING, 0),  # the old one is gone, the new one not yet full
                ("ONLINE", GOING, 1),  # the old one still holds its share
                ("UNAVAIL", BROKEN_OFF, 0),  # REFERENCES 4.32: a canceled resilver proves nothing
                ("UNAVAIL", None, 0),  # nothing tells that it was ever filled
            )
        ),
        ("spare-2", "UNAVAIL", FILLED, 1),
        ("replacing-2", "UNAVAIL", FILLED, 0),  # else the old one would be taken out
    ],
)
def test_a_slot_counts_once_and_with_the_drive_that_holds_its_data(
    name: str, old: str, stats: dict[str, Any] | None, margin: int
) -> None:
    rows = slot(name, drive("sdc", old, depth=3), drive("sdd", depth=3))
    assert margins(rows, scan=stats) == (margin, 1)
    members = built(rows, scan=stats)
    assert len(members.others) == 1


def test_a_slot_of_a_mirror_does_not_make_it_stronger_than_built() -> None:
    rows = [
        row(1, "mirror-0"), drive("sda"), row(2, "replacing-1"),
        drive("sdb", depth=3), drive("sdc", depth=3),
    ]  # fmt: skip
    assert margins(rows, scan=GOING) == (1, 1)


def test_a_drive_that_came_back_is_not_relied_on_while_it_is_filled() -> None:
    rows = group("raidz1-0", "sda", "sdb", drive("sdc", remark="resilvering"))
    assert margins(rows, scan=GOING) == (0, 1)
    assert margins(rows, scan=FILLED) == (1, 1)  # the trace of the last one stays in the JSON


def test_what_was_removed_from_a_pool_holds_nothing() -> None:
    rows = [row(1, "indirect-0"), *group("mirror-1", "sda", "sdb")]
    assert margins(rows) == (1, 1)


def test_a_group_that_is_not_known_bears_nothing() -> None:
    text = said(group("raidz2-0", "sda", "sdb", "sdc", "sdd"))
    (status,) = zfs_json.parse(text.replace('"raidz"', '"novelty"'))
    made = build(status, lambda member, _: member)
    assert made.tree is not None
    assert (margin_of(made.tree), len(made.notes)) == (0, 1)


def test_layouts_are_told_in_the_trades_terms() -> None:
    pair, other = group("mirror-0", "sda", "sdb"), group("mirror-1", "sdc", "sdd")
    assert built(pair).layout == "mirror"
    assert built([*pair, *other]).layout == "2 × mirror"
    assert built(group("raidz2-0", "a", "b", "c")).layout == "raidz2"
    assert built(group("draid2:4d:9c:1s-0", "a", "b", "c")).layout == "draid2"
    assert built([drive("sda", depth=1)]).layout == "single drive"
    assert built(pair, sections={"special": other}).layout == "mirror, special mirror"


def test_members_can_be_struck_out() -> None:
    tree = built([*group("mirror-0", "sda", "sdb"), *group("mirror-1", "sdc", "sdd")]).tree
    assert tree is not None
    assert margin_of(without(tree, ["sda", "sdc"])) == 0
    assert margin_of(without(tree, ["sda", "sdb"])) == -1
    assert without(tree, []) == tree
