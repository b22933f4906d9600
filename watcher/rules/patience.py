"""Rules about waiting: who gives up first over a bad sector, and whom a pool waited for very long.

A drive without a limit may try one sector for minutes. The kernel gives the command up before, and
resets a drive that does not answer while it tries; what does not come back from that is out of its
pool, whole, for a sector that the pool could have mended. A drive that gives up first reports the
sector, and the pool writes it anew from its other members.
"""

from __future__ import annotations

import shlex
from collections.abc import Iterator
from typing import Final

from watcher.facts.drive import Medium, Recovery
from watcher.facts.finding import Finding, Urgency
from watcher.facts.pool import Pool, PoolKind, Protection, Remark
from watcher.rules.look import Found, Look, fact, finding_about, looks, steps
from watcher.rules.pool import pool_finding, quote
from watcher.rules.rule import Kind, Rule
from watcher.rules.tuning import Threshold, Tuning
from watcher.rules.view import View

RULE: Final = "kernel-gives-up-first"

LONG_ENOUGH: Final = Threshold(
    name="seconds",
    value=180,
    unit="seconds that the kernel waits for a drive without a limit",
    source="common practice, no source: three minutes outlast the tries of most disks",
)

MENDS_ITSELF: Final = frozenset({PoolKind.MD, PoolKind.LVM, PoolKind.ZFS, PoolKind.BTRFS})
"""Kinds of pools that write a sector anew from their other members while they are at work."""

SOONER: Final = (
    "As root, with the drive's name for NAME: `smartctl -l scterc,70,70 /dev/NAME` has it give up "
    "after 7 seconds, and the pool mends the sector from its other drives. Where it refuses, "
    "`echo 180 > /sys/block/NAME/device/timeout` has the kernel wait for three minutes. Neither "
    "touches data. Both are forgotten at a restart, so have it done at each start."
)
LATER: Final = (
    "As root, with the drive's name for NAME: `echo 180 > /sys/block/NAME/device/timeout` has the "
    "kernel wait for three minutes. It touches no data, and is forgotten at a restart, so have it "
    "done at each start."
)
LAST_CHANCE: Final = (
    f"{LATER} Set no shorter time in the drive while its pool has no margin: its long tries may be "
    "the last chance to read a sector."
)


def _pool_of(look: Look) -> Pool | None:
    """Give the pool that could mend a bad sector of the drive, first one that has no margin now."""
    if look.view is None:
        return None
    drive = look.reading.identity.drive
    pools = [
        pool
        for pool in look.view.pools_of(drive)
        if pool.kind in MENDS_ITSELF
        and pool.full_margin
        and any(drive in member.drives for member in pool.in_tree)
    ]
    return min(pools, key=lambda pool: pool.margin or 0, default=None)


def _says(told: Recovery) -> str:
    """Say how long the drive tries by itself."""
    if told.limit_milliseconds is not None:
        return f"{told.limit_milliseconds / 1000:g} seconds"
    return "no limit is set" if told.knows_limit else "no limit, and none can be set"


def kernel_gives_up_first(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find members of pools that may try a bad sector for longer than the kernel waits."""
    for look in looks(view, tuning):
        found = _found(look)
        if found is not None:
            yield finding_about(view, RULE, look.reading.identity.drive, found)


def _found(look: Look) -> Found | None:
    """Look at one drive."""
    told = look.reading.recovery
    if told is None or told.kernel_seconds is None:
        return None  # not told: SAS and NVMe drives, drives behind controllers
    if look.reading.identity.medium is Medium.FLASH:
        return None
    pool = _pool_of(look)
    if pool is None:
        return None
    limit = told.limit_milliseconds
    if limit is None:
        waits_enough = told.kernel_seconds >= look.limit(RULE, LONG_ENOUGH)
    else:
        waits_enough = told.kernel_seconds * 1000 > limit
    if waits_enough:
        return None
    short = pool.protection is not Protection.WHOLE and not pool.margin
    tries = "without a limit" if limit is None else f"for {limit / 1000:g} seconds"
    return Found(
        urgency=Urgency.NOTE,
        sentence=(
            f"The drive may try a bad sector {tries}, and the kernel waits for "
            f"{told.kernel_seconds} seconds: for one such sector its pool could lose the "
            "whole drive."
        ),
        next_step=LAST_CHANCE if short else SOONER if told.knows_limit else LATER,
        evidence=(
            fact("the drive tries a bad sector for", _says(told)),
            fact("the kernel waits for", told.kernel_seconds, unit="seconds"),
        ),
        bears_on_margin=False,
        level=1,
    )


def member_slow(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find members that took very long over some operations, by their pool's own count."""
    del tuning
    for pool in view.pools:
        notes = [note for note in pool.notes if note.remark is Remark.MEMBER_SLOW]
        if not notes:
            continue
        slow = {note.member for note in notes}
        members = tuple(member for member in pool.members if member.name in slow)
        names = [", ".join(map(view.label_of, m.drives)) or m.name for m in members]
        yield pool_finding(
            view,
            "member-slow-inside-pool",
            pool,
            urgency=Urgency.NOTE,
            sentence=f"The pool {pool.name} had to wait very long for the answer of a member.",
            next_step=(
                f"It concerns {'; '.join(names) or ', '.join(sorted(map(str, slow)))}. Look at the "
                "drive's counters and the kernel log, and check its cable and power. Disks with "
                "shingled tracks do so under long writing. `zpool clear "
                f"{shlex.quote(pool.name)}` sets the pool's counts to zero, to see new ones."
            ),
            evidence=tuple(quote(note) for note in notes),
            level=max(steps(note.amount or 1) for note in notes),
            members=members,
        )


RULES: Final = (
    Rule(
        name=RULE,
        kind=Kind.DRIVE,
        sentence="A drive of a pool may try a bad sector for longer than the kernel waits.",
        reads=(
            "the drive's limit for error recovery (SCT), daily",
            "/sys/block/NAME/device/timeout of the kernel",
        ),
        thresholds=(LONG_ENOUGH,),
        urgency="to know.",
        what_to_do="Let the drive give up sooner, or the kernel wait longer; at each start.",
        usual_cause="A disk that is made to stand alone; about one in four has no limit set.",
        quiet_when=(
            "The drive is flash, is in no pool that can mend a sector, or does not tell: SAS and "
            "NVMe drives and those behind controllers do not, and are not judged. In a pool "
            "without margin long tries are right."
        ),
        sources=(
            "smartctl(8), option -l scterc: for RAID typically set to 70,70 (7 seconds)",
            "smartctl_reports (open): of 15,727 disks that tell it, 3,707 have no limit set",
            "common practice, no source, for what the kernel and the pool then do",
        ),
        check=kernel_gives_up_first,
    ),
    Rule(
        name="member-slow-inside-pool",
        kind=Kind.POOL,
        sentence="A pool had to wait very long for a member.",
        reads=("remark member-slow: slow operations that ZFS counted",),
        thresholds=(),
        urgency="to know. Grows with every doubling.",
        what_to_do="Look at the drive's counters and the log; check its cable and power.",
        usual_cause="A drive that repeats its reads, a bad cable, or shingled tracks when writing.",
        quiet_when="The count is zero or not told.",
        sources=("zpool-status(8), option -s; zfs(4), zio_slow_io_ms: 30 seconds (from memory)",),
        check=member_slow,
    ),
)
