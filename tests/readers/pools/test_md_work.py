"""What an array is busy with, and how a first build is told from a rebuild."""

from __future__ import annotations

from datetime import timedelta

import pytest

from tests.readers.pools.boxes import NOW, HandBlocks, box, four, line, mdstat, sysfs
from watcher.facts.identity import PoolId
from watcher.facts.margin import judge_pool
from watcher.facts.pool import Pool, PoolKind, Work, WorkKind, WorkState
from watcher.readers.pools.md_members import seat
from watcher.readers.pools.md_stat import parse_mdstat
from watcher.readers.pools.md_sysfs import read_array
from watcher.readers.pools.md_work import could_be_first, work_of

ALL = "sdd[4] sdc[2] sdb[1] sda[0]"
BAR = "[==>....]  {} = 50.0% (80896/161792) finish=0.1min speed=8000K/sec"
FILLING = four(sdd=("3", "spare"))


def past(work: Work | None) -> Pool:
    return judge_pool(
        pool=PoolId("md:x"),
        name="md0",
        kind=PoolKind.MD,
        layout="raid5",
        observed_at=NOW,
        tree=None,
        work=work,
    )


def work(
    up: str,
    told: dict[str, tuple[str, str]] | None,
    *,
    members: str = ALL,
    bar: str = "",
    age: timedelta | None = None,
    previous: Pool | None = None,
    **attributes: str,
) -> Work | None:
    text = mdstat(line(members, up, more=bar))
    listing = parse_mdstat(text)[0]
    array = None if told is None else read_array(box(text, sysfs(told, **attributes)), "md0")
    seats = seat(listing, array, HandBlocks())
    if age is not None:
        assert could_be_first(listing, array, seats)
    return work_of(listing, array, seats, age=age, previous=previous)


def test_nothing_going_on_is_nothing() -> None:
    assert work("UUUU", four()) is None
    assert work("UUUU", None) is None


@pytest.mark.parametrize(
    ("action", "word", "kind"),
    [
        ("check", "check", WorkKind.SCRUB),
        ("repair", "resync", WorkKind.REPAIR),
        ("resync", "resync", WorkKind.RESYNC),
        ("reshape", "reshape", WorkKind.RESHAPE),
    ],
)
def test_sysfs_names_the_work_and_the_summary_measures_it(
    action: str, word: str, kind: WorkKind
) -> None:
    """The summary writes "resync" for a repair too."""
    assert work("UUUU", four(), bar=BAR.format(word), sync_action=action) == Work(
        kind=kind,
        done_fraction=0.5,
        done_bytes=80896 * 1024,
        total_bytes=161792 * 1024,
        rate_bytes_per_second=8000 * 1024,
    )


def test_the_summary_alone_is_enough() -> None:
    found = work("U_UU", None, bar=BAR.format("recovery"))
    assert found is not None
    assert (found.kind, found.done_fraction) == (WorkKind.REBUILD, 0.5)


def test_sysfs_alone_is_enough_and_counts_in_sectors() -> None:
    found = work(
        "UUU_",
        FILLING,
        sync_action="recover",
        sync_completed="80896 / 323584",
        sync_speed="6304",
    )
    assert found == Work(
        kind=WorkKind.REBUILD,
        done_fraction=0.25,
        done_bytes=80896 * 512,
        total_bytes=323584 * 512,
        rate_bytes_per_second=6304 * 1024,
    )


@pytest.mark.parametrize("completed", ["none", "delayed"])
def test_work_that_has_not_begun_has_no_fraction(completed: str) -> None:
    found = work("UUU_", FILLING, sync_action="recover", sync_completed=completed)
    assert found is not None
    assert found.done_fraction is None
    assert found.state is (WorkState.WAITING if completed == "delayed" else WorkState.RUNNING)


def test_a_drop_to_zero_at_the_end_is_not_a_restart() -> None:
    """Source: Linux commit 9973f0fa7d20: sync_completed could read 0 when a sync had ended."""
    before = past(Work(kind=WorkKind.REBUILD, done_fraction=0.98, done_bytes=980, total_bytes=1000))
    found = work(
        "UUU_", FILLING, sync_action="recover", sync_completed="0 / 323584", previous=before
    )
    assert found is not None
    assert found.done_fraction is None
    fresh = work("UUU_", FILLING, sync_action="recover", sync_completed="0 / 323584")
    assert fresh is not None
    assert fresh.done_fraction == 0


def test_recover_where_nothing_is_filled_is_believed_the_second_time_only() -> None:
    """Source: md.rst, sync_action: it may flash "recover" when no recovery is possible."""
    missing = {name: where for name, where in four().items() if name != "sdd"}
    members = "sdc[2] sdb[1] sda[0]"
    first = work("UUU_", missing, members=members, sync_action="recover")
    assert first is None
    running = past(Work(kind=WorkKind.REBUILD))
    second = work("UUU_", missing, members=members, sync_action="recover", previous=running)
    assert second == Work(kind=WorkKind.REBUILD, state=WorkState.WAITING)


@pytest.mark.parametrize("word", ["DELAYED", "PENDING"])
def test_queued_work_waits(word: str) -> None:
    found = work("UUUU", four(), bar=f"\tresync={word}", sync_action="idle")
    assert found is not None
    assert (found.kind, found.state) == (WorkKind.RESYNC, WorkState.WAITING)


def test_work_on_another_machine_runs_unmeasured() -> None:
    found = work("UUUU", four(), bar="\tresync=REMOTE", sync_action="idle")
    assert found == Work(kind=WorkKind.RESYNC)


def test_frozen_repairs_pause_at_the_least_filled_member() -> None:
    told = four(sdc=("2", "spare"), sdd=("3", "spare"))
    text = mdstat(line(ALL, "UU__"))
    files = sysfs(told, sync_action="frozen")
    files["/sys/block/md0/md/dev-sdc/recovery_start"] = "161792\n"
    files["/sys/block/md0/md/dev-sdd/recovery_start"] = "80896\n"
    listing = parse_mdstat(text)[0]
    array = read_array(box(text, files), "md0")
    assert work_of(listing, array, seat(listing, array, HandBlocks())) == Work(
        kind=WorkKind.REBUILD,
        state=WorkState.PAUSED,
        done_fraction=0.25,
        done_bytes=80896 * 512,
        total_bytes=323584 * 512,
    )


def test_frozen_with_nothing_to_do_is_no_work() -> None:
    assert work("UUUU", four(), sync_action="frozen") is None
    dirty = work("UUUU", four(), sync_action="frozen", resync_start="0")
    assert dirty == Work(kind=WorkKind.RESYNC, state=WorkState.PAUSED)
    unsized = work("UUU_", FILLING, sync_action="frozen", component_size="0")
    assert unsized == Work(kind=WorkKind.REBUILD, state=WorkState.PAUSED)


SECONDS_AT_THE_FLOOR = timedelta(seconds=80896 / 1000)
"""Source: kernel message "minimum _guaranteed_ speed: 1000 KB/sec/disk"."""


@pytest.mark.parametrize(
    ("age", "kind"),
    [
        (timedelta(seconds=10), WorkKind.FIRST_BUILD),
        (SECONDS_AT_THE_FLOOR + timedelta(minutes=5), WorkKind.FIRST_BUILD),
        (SECONDS_AT_THE_FLOOR + timedelta(minutes=6), WorkKind.REBUILD),
        (timedelta(days=400), WorkKind.REBUILD),
    ],
)
def test_a_first_build_is_as_old_as_its_array(age: timedelta, kind: WorkKind) -> None:
    """A new RAID5 shows [4/3] [UUU_] and "recovery", as a rebuild of its last member does."""
    found = work("UUU_", FILLING, bar=BAR.format("recovery"), age=age)
    assert found is not None
    assert found.kind is kind


def test_the_floor_of_a_sync_is_a_month_for_a_large_drive() -> None:
    """Source: kernel message, 1000 and 200000 KB/sec: 2,930,135,040 KB take 33.9 d and 4.07 h."""
    kib = 2_930_135_040
    assert timedelta(seconds=kib / 1000) / timedelta(days=1) == pytest.approx(33.9, abs=0.05)
    assert timedelta(seconds=kib / 200_000) / timedelta(hours=1) == pytest.approx(4.07, abs=0.005)


def test_without_its_age_a_build_counts_as_a_rebuild() -> None:
    found = work("UUU_", FILLING, bar=BAR.format("recovery"), sync_action="recover")
    assert found is not None
    assert found.kind is WorkKind.REBUILD


def test_a_first_build_stays_one_while_mdadm_is_silent() -> None:
    found = work(
        "UUU_",
        FILLING,
        bar=BAR.format("recovery"),
        previous=past(Work(kind=WorkKind.FIRST_BUILD)),
    )
    assert found is not None
    assert found.kind is WorkKind.FIRST_BUILD


@pytest.mark.parametrize(
    ("members", "up", "told"),
    [
        ("sde[5] sdc[2] sdb[1] sda[0]", "UUU_", {"sde": ("3", "spare")}),  # a later number
        ("sde[4] sdd[3] sdc[2] sda[0]", "U_UU", {"sde": ("1", "spare")}),  # not the last slot
        ("sde[4] sdd[3](F) sdc[2] sdb[1] sda[0]", "UUU_", {"sde": ("3", "spare")}),
    ],
)
def test_a_replaced_member_rules_a_first_build_out(
    members: str, up: str, told: dict[str, tuple[str, str]]
) -> None:
    text = mdstat(line(members, up, more=BAR.format("recovery")))
    listing = parse_mdstat(text)[0]
    rest = {m.name: (str(m.number), "in_sync") for m in listing.members if m.name not in told}
    array = read_array(box(text, sysfs({**rest, **told}, sync_action="recover")), "md0")
    seats = seat(listing, array, HandBlocks())
    assert not could_be_first(listing, array, seats)
    found = work_of(listing, array, seats, age=timedelta(seconds=1))
    assert found is not None
    assert found.kind is WorkKind.REBUILD


def test_a_first_resync_is_a_first_build_too() -> None:
    told = {f"sd{letter}": (str(i), "in_sync") for i, letter in enumerate("abcd")}
    members = "sdd[3] sdc[2] sdb[1] sda[0]"
    young = timedelta(seconds=10)
    found = work("UUUU", told, members=members, bar=BAR.format("resync"), age=young)
    assert found is not None
    assert found.kind is WorkKind.FIRST_BUILD
    old = work("UUUU", told, members=members, bar=BAR.format("resync"), age=timedelta(days=3))
    assert old is not None
    assert old.kind is WorkKind.RESYNC
