"""Time-zero tables of what only the kernel log tells: late drives, filesystems, volumes."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.rules.build import (
    BOX,
    T0,
    all_rules,
    drive,
    event,
    identity,
    of,
    past,
    pool,
    reading,
    unread,
    urgency,
    view,
)
from watcher.facts.drive import Protocol, Unread
from watcher.facts.identity import PoolId, Subject, SubjectKind, about_drive, about_pool
from watcher.facts.kernel_event import Category, KernelEvent
from watcher.facts.pool import PoolKind
from watcher.rules.log import FAULTS, FILESYSTEMS, LATE, VOLUMES

C, FS, P = Category.CONTROLLER, Category.FILESYSTEM, Category.POOL
BTRFS = PoolId("btrfs:tank")


@pytest.mark.parametrize(
    ("what", "lines", "expected"),
    [
        ("command-timeout", 2, None),  # a spin-up
        ("command-timeout", 3, "this-week"),
        ("device-was-reset", 3, "this-week"),
        ("drive-fault", 1, "this-week"),
        ("controller-down", 1, "this-week"),
        ("port-reset", 50, None),  # tells only what was done about something else
        ("io-failed", 50, None),
    ],
)
def test_late_answers_count_by_threes_and_faults_at_once(
    what: str, lines: int, expected: str | None
) -> None:
    seen = view(reading("a"), recent=(event("a", C, what=what, count=lines),))
    assert urgency("log-says-controller", seen) == expected


def test_late_answers_of_one_kind_and_another_add_up() -> None:
    recent = (event("a", C, what="command-timeout"), event("a", C, what="device-reset", count=2))
    (found,) = of("log-says-controller", view(reading("a"), recent=recent))
    assert found.evidence[-1].value == "3"
    assert found.level == 2


def test_the_cheap_things_come_before_the_drive() -> None:
    """A drive in a slot has a seat and no cable."""
    recent = (event("a", C, what="command-timeout", count=9),)
    (found,) = of("log-says-controller", view(reading("a"), recent=recent))
    assert found.next_step.index("cable") < found.next_step.index("replacement")
    slotted = reading("a", who=identity("a", protocol=Protocol.NVME))
    for rule, what, category in (
        ("log-says-controller", "controller-down", C),
        ("drive-comes-and-goes", "device-gone", Category.GONE),
    ):
        (found,) = of(rule, view(slotted, recent=(event("a", category, what=what),)))
        assert "seat" in found.next_step
        assert "cable" not in found.next_step


def test_a_survivor_that_stops_answering_in_a_bare_pool_is_for_now() -> None:
    seen = view(reading("a"), pools=(pool(lost="c"),), recent=(event("a", C, what="drive-fault"),))
    assert urgency("log-says-controller", seen) == "now"


def test_a_drive_that_gives_no_reading_is_told_all_the_same() -> None:
    seen = view(
        unread=(unread("a", Unread.HUNG),), recent=(event("a", C, what="command-timeout", count=5),)
    )
    assert urgency("log-says-controller", seen) == "this-week"


@pytest.mark.parametrize(
    ("what", "expected"),
    [
        ("fs-read-only", "today"),
        ("fs-stopped", "today"),
        ("fs-damaged", "today"),
        ("fs-data-lost", "today"),
        ("fs-checksum-wrong", "this-week"),
        ("fs-io-failed", "this-week"),
        ("fs-bad-copy-repaired", "note"),
        ("fs-routine", None),
    ],
)
def test_a_filesystem_is_as_urgent_as_what_it_says(what: str, expected: str | None) -> None:
    seen = view(reading("a"), recent=(event("a", FS, what=what),))
    assert urgency("log-says-filesystem", seen) == expected


def test_of_all_that_a_filesystem_says_the_gravest_counts() -> None:
    recent = (
        event("a", FS, what="fs-bad-copy-repaired", count=4),
        event("a", FS, what="fs-io-failed", count=2),
        event("a", FS, what="fs-read-only"),
    )
    (found,) = of("log-says-filesystem", view(reading("a"), recent=recent))
    assert found.urgency.value == "today"
    assert found.sentence == (
        "A filesystem (sda) stopped accepting writes or cannot be used, to protect what it holds."
    )
    assert found.evidence[-1].value == "7"


def test_a_filesystem_over_several_drives_belongs_to_their_pool() -> None:
    """The kernel names one of its drives; blaming that one would send a person to the wrong bay."""
    line = "BTRFS warning (device sda): csum failed root 5 ino 257 off 131072"
    one = replace(event("a", FS, what="fs-checksum-wrong"), line=line)
    home = pool(key=BTRFS, kind=PoolKind.BTRFS, layout="raid1")
    (found,) = of("log-says-filesystem", view(reading("a"), pools=(home,), recent=(one,)))
    assert (found.subject, found.label, found.drives) == (about_pool(BTRFS), "pool tank", ())
    thin = pool(key=BTRFS, kind=PoolKind.BTRFS, layout="raid1", lost="c")
    assert urgency("log-says-filesystem", view(pools=(thin,), recent=(one,))) == "now"


def told_as(worse: str) -> str:
    """Give the gravest of what was said and a read or write that failed."""
    return next(what for what in FILESYSTEMS if what in {worse, "fs-io-failed"})


@pytest.mark.parametrize("lost", ["", "c"])
def test_what_a_filesystem_could_not_reach_holds_up_no_all_clear_once_its_pool_is_whole(
    lost: str,
) -> None:
    """A drive was pulled and replaced within the hour; its lines stay recent for a day."""
    line = "BTRFS error (device sda): bdev /dev/sda errs: wr 9, rd 0, flush 0, corrupt 0, gen 0"
    one = replace(event("a", FS, what="fs-io-failed"), line=line)
    home = pool(key=BTRFS, kind=PoolKind.BTRFS, layout="raid1", lost=lost)
    seen = view(pools=(home,), recent=(one,))
    assert urgency("log-says-filesystem", seen) == ("now" if lost else "note")
    for worse in ("fs-damaged", "fs-cannot-read"):
        seen = view(pools=(home,), recent=(one, replace(one, what=worse)))
        told = of("log-says-filesystem", seen)
        assert told[0].urgency.value == ("now" if lost else FILESYSTEMS[told_as(worse)][0].value)


def _nobody(what: str, category: Category, device: str) -> KernelEvent:
    return KernelEvent(at=T0, category=category, what=what, device=device, line="a line")


def test_what_stands_on_nothing_known_is_told_of_the_box() -> None:
    """A filesystem on a mapper's device: nobody knows its drive, and it is damaged all the same."""
    (found,) = of("log-says-filesystem", view(recent=(_nobody("fs-damaged", FS, "dm-3"),)))
    assert found.subject == Subject(kind=SubjectKind.BOX, key=BOX)
    assert "dm-3" in found.sentence


@pytest.mark.parametrize("device", ["sdb", "sdb1"])
def test_what_the_kernel_says_of_a_drive_that_left_is_not_told_of_the_box(device: str) -> None:
    """Its name stands for nothing any more; planned work on the drive then covers it."""
    late = (_nobody("fs-io-failed", FS, device),)
    here = reading("a")
    (found,) = of("log-says-filesystem", view(here, pasts=(past("b"),), recent=late))
    assert found.subject == about_drive(drive("b"))
    retired = view(here, pasts=(past("b", in_use=False),), recent=late)
    assert of("log-says-filesystem", retired) == []
    (new,) = of("log-says-filesystem", view(reading("b"), pasts=(past("b"),), recent=late))
    assert new.subject.kind is SubjectKind.BOX, "one that is here has a name of its own"
    two = (past("b"), replace(past("c"), node="/dev/sdb"))
    (unsure,) = of("log-says-filesystem", view(here, pasts=two, recent=late))
    assert unsure.subject.kind is SubjectKind.BOX


@pytest.mark.parametrize(
    ("what", "category", "expected"),
    [
        ("adapter-pool-degraded", P, "today"),
        ("volume-full", P, "today"),
        ("volume-read-only", P, "today"),
        ("cache-failed", P, "today"),
        ("adapter-fault", C, "this-week"),
        ("member-failed", P, None),  # the pool's own stack tells it
    ],
)
def test_volumes_and_controllers_are_told_where_nothing_else_tells(
    what: str, category: Category, expected: str | None
) -> None:
    assert urgency("log-says-volume", view(recent=(_nobody(what, category, "253:4"),))) == expected


def test_every_grave_kind_of_line_is_heard_by_some_rule() -> None:
    """What is neither here nor in a rule of its own would be read, kept and never told."""
    for what in (*FILESYSTEMS, *VOLUMES, *FAULTS):
        category = C if what in FAULTS else FS if what in FILESYSTEMS else P
        seen = view(reading("a"), recent=(event("a", category, what=what),))
        assert {rule for rule in all_rules(seen) if rule.startswith("log-says")}, what
    assert LATE.isdisjoint(FAULTS)


def test_a_drive_that_reports_a_fault_of_its_own_among_others_is_told_as_that() -> None:
    recent = (event("a", C, what="controller-down"), event("a", C, what="drive-fault"))
    (both,) = of("log-says-controller", view(reading("a"), recent=recent))
    assert both.sentence == "The drive reported a fault inside itself."
    (down,) = of("log-says-controller", view(reading("a"), recent=recent[:1]))
    assert down.sentence == "The drive did not answer the system in time, and had to be reset."
    quiet = event("a", C, what="port-reset", count=50)
    (told,) = of("log-says-controller", view(reading("a"), recent=(*recent, quiet)))
    assert told.evidence[-1].value == "2", "what only tells of something else is not counted"


def test_a_whole_pool_speaks_for_its_own_lines_and_for_no_other_pool() -> None:
    whole = replace(pool("ab", kind=PoolKind.BTRFS, key=BTRFS), name="tank")
    short = replace(
        pool("cd", lost="d", kind=PoolKind.BTRFS, key=PoolId("btrfs:barn")), name="barn"
    )
    lines = tuple(
        replace(event(x, FS, what="fs-io-failed"), line="BTRFS error (device sdx)") for x in "ac"
    )
    found = of("log-says-filesystem", view(reading("a"), pools=(whole, short), recent=lines))
    assert {f.label: f.urgency for f in found} == {"pool tank": "note", "pool barn": "now"}
    assert {f.pool for f in found} == {BTRFS, PoolId("btrfs:barn")}
    assert all(f.drives == () for f in found)
    strange = replace(lines[0], subject=about_pool(PoolId("btrfs:gone")))
    (lone,) = of("log-says-filesystem", view(pools=(whole,), recent=(strange,)))
    assert (lone.label, lone.urgency) == ("pool btrfs:gone", "this-week")


def test_only_a_mended_copy_is_told_as_no_loss_and_the_filesystem_is_named() -> None:
    mended = event("a", FS, what="fs-bad-copy-repaired")
    (found,) = of("log-says-filesystem", view(reading("a"), recent=(mended,)))
    assert found.next_step.startswith("Nothing is lost.")
    assert found.sentence == "A filesystem (sda) met a bad copy and wrote it anew from a good one."
    assert found.drives == (drive("a"),)
    nameless = replace(mended, what="fs-damaged", device="")
    (found,) = of("log-says-filesystem", view(reading("a"), recent=(nameless,)))
    assert found.next_step.startswith("See first that a copy")
    assert found.sentence.startswith("A filesystem ")
    assert "()" not in found.sentence
