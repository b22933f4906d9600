"""What does not sound now: the silenced, and what planned work announced.

A finding that does not sound is still recorded, counted and shown. Two things sound in spite of
everything: a broken pool breaks a silence, and planned work covers only what it announced.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import assert_never

from watcher.cases.state import (
    Book,
    Expectation,
    ExpectKind,
    Maintenance,
    ScopeKind,
    Silence,
)
from watcher.facts.finding import Finding, Urgency
from watcher.facts.identity import DriveId, PoolId, SubjectKind
from watcher.facts.pool import Protection


class Sound(StrEnum):
    """Whether a finding sounds, and why."""

    PLAIN = "plain"  # it sounds
    SILENCED = "silenced"  # a person asked for silence
    EXPECTED = "expected"  # planned work announced it
    BREAKS_SILENCE = "breaks-silence"  # it sounds although silenced
    UNEXPECTED = "unexpected"  # it sounds, and planned work goes on around it


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """A finding with the answer whether it sounds."""

    finding: Finding
    sound: Sound
    about: str = ""  # what the message adds: whose silence, which announcement

    @property
    def is_audible(self) -> bool:
        """Whether people are to hear of it."""
        return self.sound not in {Sound.SILENCED, Sound.EXPECTED}


# Rules that a piece of planned work can cause, by what it announces. A member that is taken out
# is seen as gone, unreadable or put out by its pool, and the kernel complains about it.
_DRIVE_AWAY_RULES = frozenset(
    {
        "drive-gone",
        "drive-comes-and-goes",
        "cannot-see-drive",
        "wire-or-backplane",
        "log-says-controller",
        "log-says-filesystem",
        "log-says-volume",
        "member-errs-inside-pool",
    }
)
_MARGIN_RULES = frozenset({"margin-thinned", "margin-gone", "same-batch-risk"})
"""What a loss of margin brings with it; that drives of one lot may fail together weighs more the
less margin is left."""
_REBUILD_RULES = frozenset({"rebuild-running", "redundancy-not-restored", "member-put-out"})

BREAKS_SILENCE = frozenset({"pool-broken", "pool-gone"})
"""What sounds whatever was silenced: data is out of reach already."""


def pool_of(finding: Finding) -> PoolId | None:
    """Give the pool that a finding is about or endangers."""
    if finding.subject.kind is SubjectKind.POOL:
        return PoolId(finding.subject.key)
    return finding.pool


def _covers(silence: Silence, finding: Finding, box: str, client: str) -> bool:
    """Tell whether a silence is about this finding."""
    match silence.scope:
        case ScopeKind.BOX:
            return silence.key == box
        case ScopeKind.CLIENT:
            return bool(client) and silence.key == client
        case ScopeKind.RULE:
            return silence.key == finding.rule
        case ScopeKind.POOL:
            return silence.key == pool_of(finding)
        case ScopeKind.DRIVE:
            return finding.subject.kind is SubjectKind.DRIVE and silence.key == finding.subject.key
        case _:
            assert_never(silence.scope)


def _announced_drives(work: Maintenance) -> frozenset[DriveId]:
    """Give the drives that the work says will go."""
    return frozenset(
        e.drive
        for e in work.expects
        if e.drive is not None and e.kind in {ExpectKind.REPLACE, ExpectKind.DRIVE_OFF}
    )


def _leaving(work: Maintenance, pool: PoolId | None, book: Book) -> frozenset[DriveId]:
    """Give the announced drives that this pool may lose: none that is known as another pool's."""
    here: set[DriveId] = set()
    elsewhere: set[DriveId] = set()
    for seen in (*book.pools, *(work.begun or ())):
        drives = here if seen.pool == pool else elsewhere
        drives.update(seen.standing_drives, seen.lost_drives)
    return _announced_drives(work) - (elsewhere - here)


def _concerns(work: Maintenance, finding: Finding) -> bool:
    """Tell whether the work is about the place where this finding is."""
    pool = pool_of(finding)
    return work.pool is None or pool is None or pool == work.pool


def is_expected(work: Maintenance, finding: Finding, book: Book) -> bool:
    """Tell whether the work announced this finding.

    A loss of margin is expected only while no more members are lost than were announced, and
    none but the announced ones. A pool that breaks is never expected.
    """
    if any(e.kind is ExpectKind.BOX_OFF for e in work.expects) and (
        finding.subject.kind is SubjectKind.BOX
    ):
        return True
    if not _concerns(work, finding):
        return False
    if finding.subject.kind is SubjectKind.DRIVE:
        of_it = {e.kind for e in work.expects if e.drive == finding.subject.key}
        away = ExpectKind.DRIVE_OFF in of_it and finding.rule in _DRIVE_AWAY_RULES
        return ExpectKind.REPLACE in of_it or away
    going = _leaving(work, pool_of(finding), book)
    kinds = {e.kind for e in work.expects if e.drive is None or e.drive in going}
    if finding.rule in _REBUILD_RULES:
        return bool(kinds & {ExpectKind.REPLACE, ExpectKind.REBUILD})
    if finding.rule in _MARGIN_RULES:
        seen = next((p for p in book.pools if p.pool == pool_of(finding)), None)
        if seen is None or seen.protection is Protection.BROKEN:
            return False
        strangers = set(seen.lost_drives) - going if going else set()
        gone = len(going - seen.standing_drives)  # one that still stands was not taken out
        return seen.lost <= max(gone, int(ExpectKind.DEGRADED in kinds)) and not strangers
    return False


def _wrong_drive(work: Maintenance, finding: Finding) -> Expectation | None:
    """Give the announced replacement when another drive of its pool went instead."""
    if finding.rule != "drive-gone" or not _concerns(work, finding):
        return None
    return next((e for e in work.expects if e.kind is ExpectKind.REPLACE), None)


def hear(finding: Finding, book: Book, now: datetime, client: str = "") -> Heard:
    """Answer whether a finding sounds now; ``client`` is whose box it is."""
    works = [work for work in book.works if work.is_on(now)]
    for work in works:
        if is_expected(work, finding, book):
            return Heard(finding=finding, sound=Sound.EXPECTED, about=work.reason)
    for silence in book.silences:
        if silence.begins <= now < silence.until and _covers(silence, finding, book.box, client):
            if finding.rule in BREAKS_SILENCE and finding.urgency is Urgency.NOW:
                about = f"silenced by {silence.by}: {silence.reason}"
                return Heard(finding=finding, sound=Sound.BREAKS_SILENCE, about=about)
            return Heard(finding=finding, sound=Sound.SILENCED, about=silence.reason)
    for work in works:
        if _concerns(work, finding) and finding.urgency > Urgency.NOTE:
            wrong = _wrong_drive(work, finding)
            about = (
                f"{finding.label} left; announced was: {wrong.said or wrong.drive}" if wrong else ""
            )
            return Heard(finding=finding, sound=Sound.UNEXPECTED, about=about)
    return Heard(finding=finding, sound=Sound.PLAIN)
