"""What one survey shows of a pool and of the drives around it, for those who follow a recovery."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final

from watcher.facts.checks import require_utc
from watcher.facts.drive import DriveIdentity, DriveReading, Metric, Verdict
from watcher.facts.identity import DriveId, PoolId, about_drive, about_pool
from watcher.facts.kernel_event import Category
from watcher.facts.pool import Member, MemberState, Pool, PoolKind, Protection
from watcher.facts.pool_past import last_scrub
from watcher.facts.readiness import ShelfSpare
from watcher.facts.units import say_count
from watcher.rules.verdict import damage_in
from watcher.rules.view import View

DISCOVERY: Final = "drive-discovery"
"""The source that lists the drives; only when it answered can a drive be missed."""

PROOF_FRESH_HOURS: Final = 48
"""Hours of running within which a passed extended self-test counts as proof of a new drive. Our
choice: a test of yesterday on another machine is as good as one here; an older one proves another
day."""

_GUILT: Final = (
    (Metric.REALLOCATED_SECTORS, "reallocated sector"),
    (Metric.PENDING_SECTORS, "pending sector"),
    (Metric.OFFLINE_UNCORRECTABLE, "unreadable sector"),
    (Metric.REPORTED_UNCORRECTABLE, "unreadable sector reported"),
    (Metric.GROWN_DEFECTS, "grown defect"),
    (Metric.MEDIA_ERRORS, "media error"),
)
"""Counters that speak against the drive and not against its cable."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Newcomer:
    """A drive that is in no pool."""

    identity: DriveIdentity
    proof: str = ""  # what shows that it is good; "" when nothing does
    refusal: str = ""  # what shows that it must not go in: a burn-in that it did not pass
    is_spare: bool = False  # the owner keeps it as one, so nothing else needs it


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What one survey shows. ``labels`` is never changed."""

    at: datetime
    pool: Pool | None  # None: not in this survey
    stack_answered: bool  # what reads this kind of pool answered: then a missing pool is missing
    drives_answered: bool  # all drives were listed: then a missing drive is missing
    present: frozenset[DriveId] = frozenset()
    known: frozenset[DriveId] = frozenset()  # present now or ever before
    past_drives: frozenset[DriveId] = frozenset()  # those the pool rested on before
    identities: Mapping[DriveId, DriveIdentity] = field(default_factory=dict)
    labels: Mapping[DriveId, str] = field(default_factory=dict)
    guilt: Mapping[DriveId, str] = field(default_factory=dict)  # what speaks against the drive
    cable: Mapping[DriveId, str] = field(default_factory=dict)  # what speaks for its cable
    newcomers: tuple[Newcomer, ...] = ()
    announced: frozenset[DriveId] = frozenset()  # to be replaced, by what a person announced
    prove_first: bool | None = None  # whether proving is the safer choice; None: not computed
    scrubbed_at: datetime | None = None  # end of the last full scrub that is known
    full_margin: int | None = None  # as built, remembered where it cannot be seen
    in_use: bool = True  # False: the owner retired the pool

    def __post_init__(self) -> None:
        """Check the time."""
        require_utc(self.at, "at")

    def label(self, drive: DriveId) -> str:
        """Name a drive for the owner."""
        return self.labels.get(drive, str(drive))

    @property
    def is_readable(self) -> bool:
        """Whether the pool was seen well enough to say how it stands."""
        return self.pool is not None and self.pool.protection is not Protection.UNKNOWN

    @property
    def members(self) -> tuple[Member, ...]:
        """The members of the tree."""
        return self.pool.in_tree if self.pool is not None else ()

    def drives_in(self, *states: MemberState) -> frozenset[DriveId]:
        """Give the drives of the members of the tree in any of some states."""
        return frozenset(d for m in self.members if m.state in states for d in m.drives)


def look(
    view: View,
    pool: PoolId,
    *,
    kind: PoolKind,
    announced: Iterable[DriveId] = (),
    proven: Mapping[DriveId, str] | None = None,
    prove_first: bool | None = None,
) -> Seen:
    """Say what a view shows for the recovery of one pool.

    ``proven`` names drives whose burn-in is known to have passed, with the proof in words.
    """
    survey = view.survey
    here = next((p for p in survey.pools if p.pool == pool), None)
    past = view.pool_past.get(pool)
    before = frozenset({*past.drives, *past.lost}) if past is not None else frozenset()
    known = survey.present | frozenset(view.past)
    told = last_scrub(here, past) if here else past.scrubbed_at if past else None
    scrubs = [at for at in (told, _check_ended(view, pool)) if at is not None]
    named = sorted(known | before | (here.drives if here else frozenset()))
    full = here.full_margin if here is not None else None
    if full is None and past is not None:
        full = past.full_margin
    return Seen(
        at=survey.taken_at,
        pool=here,
        stack_answered=kind.value in survey.answered,
        drives_answered=DISCOVERY in survey.answered,
        present=survey.present,
        known=known,
        past_drives=before,
        identities={d: who for d in named if (who := view.identity_of(d)) is not None},
        labels={d: view.label_of(d) for d in named},
        guilt={d: words for d in named if (words := guilt_of(view, d))},
        cable={d: words for d in named if (words := cable_of(view, d))},
        newcomers=_newcomers(view, proven or {}),
        announced=frozenset(announced),
        prove_first=prove_first,
        scrubbed_at=max(scrubs, default=None),
        full_margin=full,
        in_use=past.in_use if past is not None else True,
    )


_CHECK_DONE: Final = re.compile(r"\bmd: md\w+: data-check done\b")
"""What md says when a check has read everything; of one that was stopped it says "interrupted"
(md_do_sync in drivers/md/md.c of Linux)."""


def _check_ended(view: View, pool: PoolId) -> datetime | None:
    """Give when the kernel said that a check of the pool is done; None when it did not."""
    ends = [
        event.last_at or event.at
        for event in view.survey.events
        if event.subject == about_pool(pool) and _CHECK_DONE.search(event.line)
    ]
    return max(ends, default=None)


def guilt_of(view: View, drive: DriveId) -> str:
    """Say what shows that trouble lies in the drive itself; "" when nothing does."""
    reading = view.survey.reading(drive)
    if reading is not None and reading.verdict is Verdict.FAILING:
        return "the drive itself says that it is failing"
    if reading is not None and any(t.found_damage for t in reading.self_tests[:1]):
        return "its last self-test found damage"
    events = [e for e in view.events_about(about_drive(drive)) if e.category is Category.MEDIUM]
    if events:
        return "the kernel met data on it that could not be read or written"
    for metric, words in _GUILT:
        count = _last(view, reading, drive, metric)
        if count:
            return say_count(count, words)
    return ""


def cable_of(view: View, drive: DriveId) -> str:
    """Say what points at the cable, the backplane or power; "" when nothing does."""
    events = [e for e in view.events_about(about_drive(drive)) if e.category is Category.LINK]
    if events:
        return "the kernel met a bad link to it"
    past = view.past.get(drive)
    trace = past.trace(Metric.INTERFACE_CRC_ERRORS) if past is not None else None
    if trace is not None and len(trace.points) > 1 and trace.points[-1][1] > trace.points[0][1]:
        return f"its count of interface errors rose to {trace.points[-1][1]}"
    return ""


def _last(view: View, reading: DriveReading | None, drive: DriveId, metric: Metric) -> int | None:
    """Give what a drive counted last, from this survey or from the past."""
    value = reading.metric(metric) if reading is not None else None
    if value is not None:
        return value
    past = view.past.get(drive)
    trace = past.trace(metric) if past is not None else None
    return trace.points[-1][1] if trace is not None and trace.points else None


def _newcomers(view: View, proven: Mapping[DriveId, str]) -> tuple[Newcomer, ...]:
    """List the drives that are here and in no pool, spares of the pools included."""
    taken = {d for pool in view.survey.pools for d in pool.drives}
    shelf = {
        spare.identity.drive: spare
        for spare in (view.ready.shelf if view.ready is not None else ())
        if spare.identity is not None
    }
    found = []
    for drive in sorted(view.survey.present - taken):
        who = view.identity_of(drive)
        if who is None:
            continue
        reading = view.survey.reading(drive)
        one = Newcomer(
            identity=who,
            proof=proven.get(drive) or _tested(view, reading),
            refusal=_refusal(reading, shelf.get(drive)),
            is_spare=drive in shelf,
        )
        found.append(one)
    return tuple(found)


def _refusal(reading: DriveReading | None, spare: ShelfSpare | None) -> str:
    """Say what forbids to give a drive to a pool; "" when nothing does."""
    if spare is not None and spare.has_failed:
        return "its burn-in did not pass"
    if reading is not None and reading.verdict is Verdict.FAILING:
        return "the drive itself says that it is failing"
    if reading is not None and damage_in(reading) is not None:
        return "its last self-test found damage"
    return ""


def _tested(view: View, reading: DriveReading | None) -> str:
    """Say that a drive passed its extended self-test just now; "" when that is not shown."""
    if reading is None or reading.verdict is Verdict.FAILING or not reading.self_tests:
        return ""
    if guilt_of(view, reading.identity.drive):
        return ""
    hours = reading.metric(Metric.POWER_ON_HOURS)
    for test in reading.self_tests:
        if test.found_damage:
            return ""
        if not test.passed or not test.is_full:
            continue
        if hours is None or test.power_on_hours is None:
            continue
        if 0 <= hours - test.power_on_hours <= PROOF_FRESH_HOURS:
            return "its extended self-test passed"
    return ""
