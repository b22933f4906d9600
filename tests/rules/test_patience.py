"""Who gives up first over a bad sector: the drive, or the kernel that waits for it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.rules.build import identity, note, of, pool, reading, view
from watcher.facts.drive import DriveReading, Medium, Recovery
from watcher.facts.pool import Pool, PoolKind, Remark

RULE = "kernel-gives-up-first"
UNLIMITED = Recovery(limit_milliseconds=None)
UNLIMITABLE = Recovery(limit_milliseconds=None, knows_limit=False)
SEVEN = Recovery(limit_milliseconds=7_000)


def told(
    recovery: Recovery | None, waits: int | None = 30, medium: Medium = Medium.ROTATING
) -> DriveReading:
    """Give the reading of drive a."""
    if recovery is not None:
        recovery = replace(recovery, kernel_seconds=waits)
    return replace(reading("a", who=identity("a", medium=medium)), recovery=recovery)


def test_a_disk_that_may_try_for_longer_than_the_kernel_waits_is_noted() -> None:
    """Never more than a note: it is a habit of the box, and nothing has happened."""
    (found,) = of(RULE, view(told(UNLIMITED), pools=(pool(),)))
    assert found.urgency == "note"
    assert found.sentence == (
        "The drive may try a bad sector without a limit, and the kernel waits for 30 seconds: for "
        "one such sector its pool could lose the whole drive."
    )
    assert "smartctl -l scterc,70,70 /dev/NAME" in found.next_step
    assert "echo 180 > /sys/block/NAME/device/timeout" in found.next_step
    assert "at each start" in found.next_step


@pytest.mark.parametrize(
    ("recovery", "waits", "expected"),
    [
        (UNLIMITED, 179, True),
        (UNLIMITED, 180, False),  # common practice
        (UNLIMITABLE, 30, True),
        (SEVEN, 30, False),  # smartctl(8): typical for RAID
        (SEVEN, 7, True),
        (SEVEN, 8, False),
        (Recovery(limit_milliseconds=60_000), 30, True),  # of 47,644 open reports 52 say so
        (Recovery(limit_milliseconds=29_900), 30, False),
        (Recovery(limit_milliseconds=30_000), 30, True),
        (UNLIMITED, None, False),  # how long the kernel waits is not known
        (None, None, False),  # the drive does not tell
    ],
)
def test_the_longer_of_the_two_decides(
    recovery: Recovery | None, waits: int | None, expected: bool
) -> None:
    assert bool(of(RULE, view(told(recovery, waits), pools=(pool(),)))) is expected


def test_what_cannot_be_set_in_the_drive_is_not_advised() -> None:
    (found,) = of(RULE, view(told(UNLIMITABLE), pools=(pool(),)))
    assert "scterc" not in found.next_step
    assert "echo 180" in found.next_step


def test_in_a_pool_without_margin_the_drive_keeps_its_long_tries() -> None:
    """They may be the last chance to read a sector: then the kernel alone is to wait longer."""
    bare = pool(lost="c")
    assert bare.margin == 0
    (found,) = of(RULE, view(told(UNLIMITED), pools=(bare,)))
    assert found.urgency == "note"
    assert "scterc" not in found.next_step
    assert "last chance" in found.next_step


@pytest.mark.parametrize(
    "pools",
    [
        (),
        (pool("a", bears=0, layout="raid0"),),
        (pool(kind=PoolKind.FILE_PARITY),),
    ],
    ids=("no pool", "built without margin", "drives that stand alone"),
)
def test_where_no_pool_could_mend_the_sector_long_tries_are_right(pools: tuple[Pool, ...]) -> None:
    assert not of(RULE, view(told(UNLIMITED), pools=pools))


def test_flash_does_not_try_for_minutes() -> None:
    assert not of(RULE, view(told(UNLIMITED, medium=Medium.FLASH), pools=(pool(),)))
    assert of(RULE, view(told(UNLIMITED, medium=Medium.UNKNOWN), pools=(pool(),)))


def test_a_member_that_its_pool_waited_for_is_noted_and_grows_by_doublings() -> None:
    """No alarm: shingled disks do so by themselves, and an error is told by other rules."""
    levels = []
    for amount in (1, 2, 5):
        slow = note(Remark.MEMBER_SLOW, member="sdb1", amount=amount)
        (found,) = of("member-slow-inside-pool", view(pools=(pool(notes=(slow,)),)))
        assert (found.urgency, found.drives) == ("note", ("wwn-b",))
        levels.append(found.level)
    assert levels == [1, 2, 3]
    assert not of("member-slow-inside-pool", view(pools=(pool(),)))
