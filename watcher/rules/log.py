"""Rules about what the kernel log alone tells: drives that fail to answer, filesystems, volumes.

What a pool's own stack tells of its members is left to the rules about pools. A line stands for a
day: with none in 24 hours these rules fall silent, which is no proof that the cause is gone.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from types import MappingProxyType
from typing import Final

from watcher.facts.drive import DrivePast, Protocol
from watcher.facts.finding import Evidence, Finding, Urgency
from watcher.facts.identity import DriveId, PoolId, Subject, SubjectKind, about_drive, about_pool
from watcher.facts.kernel_event import Category, KernelEvent
from watcher.facts.pool import Pool, PoolKind, Protection
from watcher.rules.kernel import PRACTICE, lines_of, quoted
from watcher.rules.look import Found, Look, Needs, fact, lift, per_drive, steps
from watcher.rules.rule import Kind, Rule
from watcher.rules.tuning import Threshold, Tuning
from watcher.rules.view import View

FAULTS: Final = frozenset({"drive-fault", "controller-down"})
"""A drive that reports a fault inside itself, or stops so that the kernel must restart it."""

LATE: Final = frozenset(
    {
        *("command-timeout", "drive-not-answering", "device-reset", "device-was-reset"),
        *("device-aborted", "device-not-ready", "protocol-error", "command-refused"),
        *("host-bus-error", "bus-error", "transport-trouble"),
    }
)
"""Commands that came to nothing, and the resets that follow; each alone has innocent reasons."""

LATE_LINES: Final = Threshold(
    name="lines-per-day",
    value=3,
    unit="lines within 24 hours",
    source="our choice: one late answer comes with a spin-up or a busy controller",
)


def log_says_controller(look: Look) -> Found | None:
    """Find a drive that did not answer, was reset, or reported a fault of its own."""
    events = look.events(Category.CONTROLLER)
    faults = tuple(event for event in events if event.what in FAULTS)
    late = tuple(event for event in events if event.what in LATE)
    many = lines_of(late) >= max(look.limit("log-says-controller", LATE_LINES), 1)
    if not faults and not many:
        return None
    told = tuple(event for event in events if event.what in FAULTS | LATE)
    own = any(event.what == "drive-fault" for event in faults)
    return Found(
        urgency=Urgency.THIS_WEEK,
        sentence=(
            "The drive reported a fault inside itself."
            if own
            else "The drive did not answer the system in time, and had to be reset."
        ),
        next_step=(
            f"{cheap_things_first(look)} If it goes on, plan for a replacement: a drive that stops "
            "answering can drop out of its pool at any time."
        ),
        evidence=(*quoted(told), fact("lines in 24 hours", lines_of(told))),
        level=steps(lines_of(told)),
    )


def cheap_things_first(look: Look) -> str:
    """Say what to check before the drive is blamed; one that sits in a slot has no cable."""
    slot = look.reading.identity.protocol is Protocol.NVME
    what = "the seat of" if slot else "the power plug and the data cable of"
    return (
        "Check the cheap things first, powering down unless the bay is made for hot swap: "
        f"{what} {look.label}; then heat and firmware."
    )


_STOPPED: Final = (
    Urgency.TODAY,
    "stopped accepting writes or cannot be used, to protect what it holds",
)
_DAMAGED: Final = (Urgency.TODAY, "found damage in what it holds")
_WRONG: Final = (Urgency.THIS_WEEK, "read data that does not match its checksum")
_FAILED: Final = (Urgency.THIS_WEEK, "could not read or write below it")
_MENDED: Final = (Urgency.NOTE, "met a bad copy and wrote it anew from a good one")

FILESYSTEMS: Final[Mapping[str, tuple[Urgency, str]]] = MappingProxyType(
    {
        "fs-read-only": _STOPPED,
        "fs-stopped": _STOPPED,
        "fs-not-mounted": _STOPPED,
        "fs-data-lost": _DAMAGED,
        "fs-damaged": _DAMAGED,
        "fs-checksum-wrong": _WRONG,
        "fs-io-failed": _FAILED,
        "fs-cannot-read": _FAILED,
        "fs-unclear": (Urgency.NOTE, "reports an error"),
        "fs-bad-copy-repaired": _MENDED,
    }
)
"""What each kind of line means, the gravest first."""

_MOMENTARY: Final = frozenset({"fs-io-failed", "fs-unclear", "fs-bad-copy-repaired"})
"""What a pool with its margin has borne. A member that goes on failing is told by its pool's own
counters; a filesystem that could not be read is not, and keeps its weight."""

_FILESYSTEM_STEP: Final = (
    "See first that a copy of what matters exists, while it can still be read. Find the cause "
    "before any repair: the drive, its cable, its pool, memory (the lines say where). Check the "
    "filesystem only when it is unmounted, and do not restart in the hope that it helps."
)


def log_says_filesystem(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find filesystems that stopped, are damaged, or cannot reach their drives."""
    del tuning
    for subject, events in _by_place(view, FILESYSTEMS):
        kinds = {event.what for event in events}
        urgency, words = next(told for what, told in FILESYSTEMS.items() if what in kinds)
        names = ", ".join(dict.fromkeys(event.device for event in events if event.device))
        where = f" ({names})" if names else ""
        mended = words is _MENDED[1]
        if kinds <= _MOMENTARY and _is_whole(view, subject):
            # The pool itself has the last word: its drive was out, and its margin is back.
            urgency = Urgency.NOTE
        yield _finding(
            view,
            "log-says-filesystem",
            subject,
            events,
            urgency=urgency,
            sentence=f"A filesystem{where} {words}.",
            next_step=(
                "Nothing is lost. Run a scrub at a quiet time, and watch the drive it was on."
                if mended
                else _FILESYSTEM_STEP
            ),
        )


VOLUMES: Final[Mapping[str, tuple[Urgency, str]]] = MappingProxyType(
    {
        "adapter-pool-degraded": (
            Urgency.TODAY,
            "A disk controller reports that one of its own arrays lost a member.",
        ),
        "volume-damaged": (Urgency.TODAY, "The notes that a volume keeps of itself are damaged."),
        "volume-read-only": (Urgency.TODAY, "A volume stopped accepting writes."),
        "volume-full": (Urgency.TODAY, "A volume that promises more room than it has is full."),
        "cache-failed": (Urgency.TODAY, "A cache in front of a drive failed."),
        "adapter-fault": (Urgency.THIS_WEEK, "A disk controller failed and was reset."),
    }
)
"""Likewise for volumes and controllers, of which nothing else tells."""

_VOLUME_STEPS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "adapter-pool-degraded": "Look at the array with the controller's own tool: it tells which "
        "member is out. Check its cable and seat first, then replace it. Until then treat the "
        "array as one that can lose no drive.",
        "volume-full": "Make room in its pool or add to it: until then writes wait or fail.",
        "adapter-fault": "Check that the controller is cooled and well seated, with the power "
        "down, and whether its firmware has an update: all its drives are concerned.",
    }
)
_VOLUME_STEP: Final = (
    "Stop what writes to it, and see that a copy of what matters exists. Make an image before any "
    "repair, and find the cause first: the drive below it, or no room left."
)


def log_says_volume(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find volumes, caches and controllers' own arrays that are in trouble."""
    del tuning
    for subject, events in _by_place(view, VOLUMES):
        kinds = {event.what for event in events}
        what = next(what for what in VOLUMES if what in kinds)
        urgency, sentence = VOLUMES[what]
        yield _finding(
            view,
            "log-says-volume",
            subject,
            events,
            urgency=urgency,
            sentence=sentence,
            next_step=_VOLUME_STEPS.get(what, _VOLUME_STEP),
        )


def _by_place(
    view: View, whats: Mapping[str, object]
) -> Iterator[tuple[Subject, tuple[KernelEvent, ...]]]:
    """Give the recent events of some kinds by where they belong; the box where that is not known.

    A filesystem over several drives names one of them; it belongs to their pool. What the kernel
    says by a name that stands for nothing now is about the drive that had it last; of one that
    its owner retired nothing is told any more.
    """
    box = Subject(kind=SubjectKind.BOX, key=view.survey.box)
    found: dict[Subject, list[KernelEvent]] = {}
    for event in view.recent:
        if event.what not in whats:
            continue
        place = _pool_over(view, event) or event.subject
        if place is None and (left := _left_from(view, event.device)) is not None:
            if not left.in_use:
                continue
            place = about_drive(left.identity.drive)
        found.setdefault(place or box, []).append(event)
    for subject in sorted(found, key=str):
        yield subject, tuple(found[subject])


_PARTITION: Final = re.compile(r"([a-z]+)\d+|((?:nvme\d+n|mmcblk)\d+)p\d+")


def _left_from(view: View, device: str) -> DrivePast | None:
    """Give the drive that was last seen at a name of the kernel and is not here now, or None.

    None also where several were: it is not known which is meant.
    """
    found = _PARTITION.fullmatch(device)
    disk = next(filter(None, found.groups())) if found else device
    node = f"/dev/{disk}"
    left = [p for d, p in view.past.items() if p.node == node and d not in view.present]
    return left[0] if len(left) == 1 and disk else None


def _is_whole(view: View, subject: Subject) -> bool:
    """Tell whether it is about a pool that has all of a margin now."""
    return subject.kind is SubjectKind.POOL and any(
        pool.pool == subject.key and pool.full_margin and pool.protection is Protection.WHOLE
        for pool in view.survey.pools
    )


def _pool_over(view: View, event: KernelEvent) -> Subject | None:
    if event.subject is None or event.subject.kind is not SubjectKind.DRIVE:
        return None
    if "BTRFS" not in event.line:
        return None
    homes = view.pools_of(DriveId(event.subject.key))
    return next((about_pool(p.pool) for p in homes if p.kind is PoolKind.BTRFS), None)


def _finding(
    view: View,
    rule: str,
    subject: Subject,
    events: tuple[KernelEvent, ...],
    *,
    urgency: Urgency,
    sentence: str,
    next_step: str,
) -> Finding:
    """Build a finding about a drive, a pool or the box."""
    drive = DriveId(subject.key) if subject.kind is SubjectKind.DRIVE else None
    pool = _pool_of(view, subject)
    label = str(view.survey.box)
    if drive is not None:
        label = view.label_of(drive)
    elif subject.kind is SubjectKind.POOL:
        label = f"pool {pool.name if pool is not None else subject.key}"
    told = Evidence(what="lines in 24 hours", value=str(lines_of(events)))
    return Finding(
        rule=rule,
        subject=subject,
        label=label,
        urgency=urgency if pool is None else lift(urgency, (pool,)),
        sentence=sentence,
        next_step=next_step,
        observed_at=view.now,
        evidence=(*quoted(events), told),
        pool=PoolId(subject.key) if subject.kind is SubjectKind.POOL else None,
        drives=(drive,) if drive is not None else (),
        level=steps(lines_of(events)),
    )


def _pool_of(view: View, subject: Subject) -> Pool | None:
    if subject.kind is not SubjectKind.POOL:
        return None
    return next((pool for pool in view.pools if pool.pool == subject.key), None)


RULES: Final = (
    Rule(
        name="log-says-controller",
        kind=Kind.DRIVE,
        sentence="The drive did not answer the system in time, or reported a fault inside itself.",
        reads=("kernel log, category controller",),
        thresholds=(LATE_LINES,),
        urgency="this week, more in a pool short of margin. Grows with every doubling of lines.",
        what_to_do="Power plug, cable and seat first, then heat and firmware; then a replacement.",
        usual_cause="A weak supply or plug, a loose cable, firmware, or a drive that is failing.",
        quiet_when=(
            "At one or two late answers in a day, at start-up and after a resume, for portable "
            "drives, and for lines that only tell the effect of something else."
        ),
        sources=(PRACTICE,),
        check=per_drive("log-says-controller", log_says_controller, silent_too=True),
        sign=log_says_controller,
        needs=Needs(logged=True),
    ),
    Rule(
        name="log-says-filesystem",
        kind=Kind.POOL,
        sentence="A filesystem stopped writing, is damaged, or cannot reach what it stands on.",
        reads=("kernel log, category filesystem",),
        thresholds=(),
        urgency="today when it stopped or is damaged, this week otherwise; to know when it mended.",
        what_to_do="See that a copy exists; find the cause; check it only when it is unmounted.",
        usual_cause="A drive or cable below it; sometimes memory, or a power cut.",
        quiet_when="At what filesystems tell as a routine, and a day after the last line.",
        sources=(
            "our own runs with injected faults (kernel 6.1): mounts go on saying rw",
            PRACTICE,
        ),
        check=log_says_filesystem,
    ),
    Rule(
        name="log-says-volume",
        kind=Kind.POOL,
        sentence="A volume, a cache or a disk controller is in trouble.",
        reads=("kernel log, categories pool and controller",),
        thresholds=(),
        urgency="today; this week for a controller that was reset.",
        what_to_do="Look with the tool of the volume or the controller; make room, or find the "
        "member that is out.",
        usual_cause="A thin pool that ran full, a lost member behind a controller, heat.",
        quiet_when="Where the pool's own stack tells it: md, ZFS, btrfs, LVM images.",
        sources=(PRACTICE,),
        check=log_says_volume,
    ),
)
