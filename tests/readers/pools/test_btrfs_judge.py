"""What the facts of a btrfs filesystem mean."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import permutations

import pytest

from tests.readers.pools.btrfs_texts import NOW, UUID
from watcher.facts.pool import (
    Member,
    MemberState,
    Pool,
    PoolKind,
    Protection,
    Remark,
    Work,
    WorkKind,
    WorkState,
)
from watcher.readers.pools.btrfs_judge import Seen, judge, layout_of
from watcher.readers.pools.btrfs_parse import BEARS, Device, Filesystem, Group
from watcher.readers.pools.btrfs_work import (
    Balance,
    DeviceErrors,
    Going,
    Mount,
    Replacing,
    Scrub,
)

MOUNT = Mount(source="/dev/sda", target="/b1", read_only=False)
QUIET = Scrub(uuid=UUID, going=Going.FINISHED)


def path(devid: int) -> str:
    return f"/dev/sd{chr(96 + devid)}"


def filesystem(count: int, missing: Sequence[int] = (), *, target: bool = False) -> Filesystem:
    """Make a filesystem of so many devices, some of them missing."""
    numbers = [*([0] if target else []), *range(1, count + 1)]
    return Filesystem(
        uuid=UUID,
        label="one",
        total_devices=len(numbers),
        devices=tuple(
            Device(
                devid=n,
                size_bytes=None if n in missing else 1 << 30,
                path=None if n in missing else (path(n) if n else "/dev/sdz"),
                missing=n in missing,
            )
            for n in numbers
        ),
        unlisted_missing=0,
    )


def group(kind: str, profile: str, holders: Sequence[str], used: int | None = 1 << 20) -> Group:
    return Group(kind=kind, profile=profile, used_bytes=used, holders=tuple(holders))


def groups(count: int, missing: Sequence[int] = (), **profiles: str) -> tuple[Group, ...]:
    """Make the groups of all kinds over all devices."""
    holders = ["missing" if n in missing else path(n) for n in range(1, count + 1)]
    words = {"data": "raid1", "metadata": "raid1", "system": "raid1"} | profiles
    return tuple(group(kind, profile, holders) for kind, profile in words.items())


def quiet(one: Filesystem, **last: int) -> tuple[DeviceErrors, ...]:
    """Make counters, all zero but those named of the last device."""
    zero = {"write": 0, "read": 0, "flush": 0, "corruption": 0, "generation": 0}
    names = [device.path or f"devid {device.devid}" for device in one.devices]
    return tuple(
        DeviceErrors(device=name, **(zero | (last if name == names[-1] else {}))) for name in names
    )


def judged(one: Filesystem, those: Sequence[Group] | None, **more: object) -> Pool:
    """Judge a mounted filesystem with nothing amiss but what is named."""
    plain = Seen(
        mount=MOUNT,
        groups=None if those is None else tuple(those),
        errors=quiet(one),
        scrub=QUIET,
        replacing=Replacing(going=Going.NEVER),
        balance=Balance(going=Going.NEVER),
    )
    seen = replace(plain, **more)  # type: ignore[arg-type] - the test names fields of Seen
    members = tuple(
        Member(
            name=f"devid {device.devid}",
            state=MemberState.MISSING
            if device.missing
            else (MemberState.GOOD if device.devid else MemberState.REBUILDING),
        )
        for device in one.devices
    )
    return judge(one, seen, members, observed_at=NOW)


def state(pool: Pool) -> tuple[Protection, int | None, int | None]:
    return (pool.protection, pool.margin, pool.full_margin)


WHOLE, THINNED, BARE = Protection.WHOLE, Protection.THINNED, Protection.BARE
BROKEN, UNKNOWN = Protection.BROKEN, Protection.UNKNOWN


@pytest.mark.parametrize(
    ("profile", "count", "expected"),
    [
        # per number of lost devices: protection and margin
        ("single", 2, [(BARE, 0), (BROKEN, 0)]),
        ("raid0", 3, [(BARE, 0), (BROKEN, 0)]),
        ("raid1", 2, [(WHOLE, 1), (BARE, 0), (BROKEN, 0)]),
        ("raid1", 3, [(WHOLE, 1), (BARE, 0), (BROKEN, 0)]),  # two copies however many devices
        ("raid1c3", 3, [(WHOLE, 2), (THINNED, 1), (BARE, 0), (BROKEN, 0)]),
        ("raid1c4", 4, [(WHOLE, 3), (THINNED, 2), (THINNED, 1), (BARE, 0), (BROKEN, 0)]),
        ("raid10", 4, [(WHOLE, 1), (BARE, 0), (BROKEN, 0)]),
        ("raid5", 3, [(WHOLE, 1), (BARE, 0), (BROKEN, 0)]),
        ("raid6", 4, [(WHOLE, 2), (THINNED, 1), (BARE, 0), (BROKEN, 0)]),
    ],
)
def test_each_profile_bears_what_it_bears(
    profile: str, count: int, expected: list[tuple[Protection, int]]
) -> None:
    """Source: mkfs.btrfs(8), PROFILES."""
    for lost, (protection, margin) in enumerate(expected):
        out = list(range(count, count - lost, -1))
        those = groups(count, out, data=profile, metadata=profile, system=profile)
        pool = judged(filesystem(count, out), those)
        assert state(pool) == (protection, margin, BEARS[profile]), lost


def test_the_weakest_kind_decides() -> None:
    """Data with one copy is lost with its device, however well the metadata is kept."""
    assert state(judged(filesystem(2), groups(2, data="single"))) == (BARE, 0, 0)
    mixed = judged(filesystem(3), groups(3, data="raid5", metadata="raid1c3", system="raid1c3"))
    assert (state(mixed), mixed.layout) == ((WHOLE, 1, 1), "raid5, metadata raid1c3")


def test_a_system_part_with_one_copy_leaves_nothing_over() -> None:
    """The chunk tree lies in it: without it nothing is found (btrfs(5), block group types)."""
    assert judged(filesystem(2), groups(2, system="single")).protection is BARE


def test_left_over_single_chunks_hold_the_pool_at_bare_and_name_the_balance() -> None:
    left = group("data", "single", [path(1)], used=0)
    pool = judged(filesystem(2), (*groups(2), left))
    assert state(pool) == (BARE, 0, 1)
    note = pool.noted(Remark.MIXED_PROFILES)
    assert note is not None
    assert note.text.endswith("btrfs balance start -dconvert=raid1,soft /b1")


def test_what_the_system_keeps_is_converted_with_the_metadata_and_without_force() -> None:
    """btrfs-balance(8): changing only the system type needs -f; otherwise it goes with -m."""
    alone = judged(filesystem(2), (*groups(2), group("system", "single", [path(1)])))
    note = alone.noted(Remark.MIXED_PROFILES)
    assert note is not None
    assert "balance start -f -sconvert=raid1,soft /b1" in note.text
    left = [group(kind, "single", [path(1)]) for kind in ("data", "metadata", "system")]
    note = judged(filesystem(2), (*groups(2), *left)).noted(Remark.MIXED_PROFILES)
    assert note is not None
    assert "balance start -dconvert=raid1,soft -mconvert=raid1,soft /b1" in note.text


def test_left_over_chunks_that_bear_some_thin_the_pool_only() -> None:
    left = group("data", "raid1", [path(1), path(2)])
    strong = groups(4, data="raid1c3", metadata="raid1c3", system="raid1c3")
    assert state(judged(filesystem(4), (*strong, left))) == (THINNED, 1, 2)


def test_used_single_chunks_on_a_lost_device_are_lost_data() -> None:
    left = group("data", "single", ["missing"])
    pool = judged(filesystem(2, [2]), (*groups(2, [2]), left))
    assert pool.protection is BROKEN
    assert pool.noted(Remark.DAMAGED_DATA) is not None
    empty = group("data", "single", ["missing"], used=0)
    assert judged(filesystem(2, [2]), (*groups(2, [2]), empty)).protection is BARE


def test_a_running_balance_is_told_in_the_place_of_advice() -> None:
    left = group("data", "single", [path(1)])
    going = Balance(going=Going.RUNNING, fraction=0.25)
    pool = judged(filesystem(2), (*groups(2), left), balance=going)
    note = pool.noted(Remark.MIXED_PROFILES)
    assert note is not None
    assert "a balance is running" in note.text
    assert pool.work == Work(kind=WorkKind.CONVERT, done_fraction=0.25)


def test_a_profile_that_is_not_known_is_never_called_whole() -> None:
    pool = judged(filesystem(2), groups(2, data="raid9"))
    assert pool.protection is not WHOLE
    assert pool.noted(Remark.UNKNOWN_WORD) is not None


def test_the_loss_of_a_device_that_holds_nothing_costs_no_margin() -> None:
    """A device that was added and not yet written to."""
    assert state(judged(filesystem(3, [3]), groups(2))) == (WHOLE, 1, 1)
    assert state(judged(filesystem(3, [3]), groups(3, [3]))) == (BARE, 0, 1)


def test_a_replacement_of_a_lost_device_leaves_the_pool_bare_until_it_is_done() -> None:
    one = filesystem(2, [2], target=True)
    going = Replacing(going=Going.RUNNING, fraction=0.16)
    pool = judged(one, groups(2, [2]), replacing=going)
    assert state(pool) == (BARE, 0, 1)
    assert pool.work == Work(kind=WorkKind.REBUILD, done_fraction=0.16)
    assert [m.state for m in pool.others] == [MemberState.REBUILDING]


def test_a_replacement_of_a_device_that_is_there_keeps_the_margin() -> None:
    going = Replacing(going=Going.PAUSED, fraction=0.5)
    pool = judged(filesystem(2, target=True), groups(2), replacing=going)
    assert state(pool) == (WHOLE, 1, 1)
    assert pool.work == Work(kind=WorkKind.REBUILD, state=WorkState.PAUSED, done_fraction=0.5)


def test_a_replacement_that_meets_unreadable_places_is_damage() -> None:
    lost = Replacing(going=Going.RUNNING, lost_reads=3)
    assert judged(filesystem(2, [2], target=True), groups(2, [2]), replacing=lost).protection is (
        BROKEN
    )


def test_uncorrectable_errors_are_damage_while_the_counters_stand() -> None:
    found = Scrub(uuid=UUID, going=Going.FINISHED, uncorrectable=8)
    one = filesystem(2)
    standing = judged(one, groups(2), scrub=found, errors=quiet(one, corruption=9))
    reset = judged(one, groups(2), scrub=found)
    assert standing.protection is BROKEN
    assert reset.protection is WHOLE
    for pool in (standing, reset):
        note = pool.noted(Remark.DAMAGED_DATA)
        assert note is not None
        assert note.amount == 8


def test_uncorrectable_errors_are_damage_when_the_counters_are_not_known() -> None:
    found = Scrub(uuid=UUID, going=Going.FINISHED, uncorrectable=8)
    assert judged(filesystem(2), groups(2), scrub=found, errors=None).protection is BROKEN


def test_corrected_errors_are_told_of_their_device_and_cost_no_margin() -> None:
    one = filesystem(2)
    pool = judged(one, groups(2), errors=quiet(one, corruption=16))
    note = pool.noted(Remark.MEMBER_ERRS)
    assert note is not None
    assert (pool.protection, note.member, note.amount) == (WHOLE, "devid 2", 16)


@pytest.mark.parametrize("counter", ["write", "flush", "generation"])
def test_a_device_that_missed_writes_is_not_relied_on(counter: str) -> None:
    """btrfs does not bring a device up to date that was away (common practice, no source)."""
    one = filesystem(2)
    pool = judged(one, groups(2), errors=quiet(one, **{counter: 1}))
    assert pool.protection is BARE
    assert pool.noted(Remark.REFRESH_NEEDED) is not None
    three = filesystem(3)
    strong = groups(3, data="raid1c3", metadata="raid1c3", system="raid1c3")
    assert state(judged(three, strong, errors=quiet(three, **{counter: 1}))) == (THINNED, 1, 2)


@pytest.mark.parametrize(
    ("profile", "count", "lost", "stale", "expected"),
    [
        ("raid1c3", 3, 1, 1, (BARE, 0, 2)),
        ("raid1c3", 3, 0, 2, (BARE, 0, 2)),
        ("raid6", 5, 1, 1, (BARE, 0, 2)),
        ("raid1c4", 4, 0, 2, (THINNED, 1, 3)),
        ("raid1c4", 4, 1, 1, (THINNED, 1, 3)),
        ("raid1c4", 4, 2, 1, (BARE, 0, 3)),
        ("raid1", 2, 0, 2, (BARE, 0, 1)),
    ],
)
def test_devices_that_missed_writes_cost_as_much_as_lost_ones_and_beside_them(
    profile: str, count: int, lost: int, stale: int, expected: tuple[Protection, int, int]
) -> None:
    """mkfs.btrfs(8), "PROFILES": every copy that is not there or out of date is one less."""
    missing = range(1, lost + 1)
    one = filesystem(count, missing)
    old = [path(n) for n in range(lost + 1, lost + stale + 1)]
    errors = tuple(replace(e, write=3) if e.device in old else e for e in quiet(one))
    those = groups(count, missing, data=profile, metadata=profile, system=profile)
    assert state(judged(one, those, errors=errors)) == expected


def test_the_counters_of_a_lost_device_are_no_case_of_their_own() -> None:
    one = filesystem(2, [2])
    pool = judged(one, groups(2, [2]), errors=quiet(one, write=11))
    assert pool.notes == ()
    assert pool.members[1].errors == 11


@pytest.mark.parametrize(
    ("count", "missing", "mounted", "protection"),
    [
        (2, [], True, UNKNOWN),
        (2, [2], True, BARE),
        (4, [4], True, UNKNOWN),  # at best raid1c4: two more could go, at worst all is lost
        (3, [2, 3], True, BARE),
        (3, [2, 3], False, BROKEN),
        (2, [1, 2], True, BROKEN),
    ],
)
def test_without_profiles_a_pool_is_no_better_than_its_best_case(
    count: int, missing: list[int], *, mounted: bool, protection: Protection
) -> None:
    mount = MOUNT if mounted else None
    pool = judged(filesystem(count, missing), None, mount=mount)
    assert pool.protection is protection
    assert pool.noted(Remark.FEW_CHECKS) is not None
    assert len(pool.members) == count


def test_what_could_not_be_seen_is_never_fine() -> None:
    assert judged(filesystem(2), groups(2), errors=None).protection is UNKNOWN
    assert judged(filesystem(2), groups(2), scrub=None).protection is UNKNOWN


def test_a_read_only_mount_is_told() -> None:
    read_only = replace(MOUNT, read_only=True)
    assert judged(filesystem(2), groups(2), mount=read_only).noted(Remark.READ_ONLY) is not None


def test_the_order_of_members_does_not_matter() -> None:
    one = filesystem(4, [3], target=True)
    those = groups(4, [3], data="raid6", metadata="raid1c3", system="raid1c3")
    seen = {
        state(judged(replace(one, devices=order), those)) for order in permutations(one.devices)
    }
    assert seen == {(THINNED, 1, 2)}


def test_name_and_layout_are_the_owners_and_the_trades() -> None:
    pool = judged(filesystem(2), groups(2))
    assert (pool.name, pool.kind, pool.layout, pool.node) == ("one", PoolKind.BTRFS, "raid1", "/b1")
    nameless = replace(filesystem(2), label=None)
    assert judged(nameless, groups(2)).name == "/b1"
    assert judged(nameless, groups(2), mount=None).name == UUID
    assert layout_of(groups(2, data="single")) == "single, metadata raid1"
