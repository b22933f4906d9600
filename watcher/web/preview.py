"""What would be silent and what would still sound: asked of the case side itself, on paper.

The observation is decided over the book as it stands, exactly as if it had been said, and the
result is thrown away. Then everything that holds now is heard against that book, and for each
pool that is touched every drive is lost once on paper. Nothing is guessed and nothing is written.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from watcher.cases.decide import decide
from watcher.cases.effects import Refuse
from watcher.cases.hush import Heard, hear
from watcher.cases.observations import Silenced, WorkAnnounced
from watcher.cases.policy import Policy
from watcher.cases.state import Book
from watcher.exposure.loss import pool_without
from watcher.facts.finding import Finding, Urgency
from watcher.facts.identity import DriveId, about_drive, about_pool
from watcher.facts.pool import MemberState, Pool, Protection
from watcher.rules.view import View
from watcher.service.sight import pool_seen

MOST_IF = 40
"""How many drives are lost on paper; our choice: more lines nobody reads."""

_RULE = {
    Protection.THINNED: ("margin-thinned", Urgency.TODAY),
    Protection.BARE: ("margin-gone", Urgency.NOW),
    Protection.BROKEN: ("pool-broken", Urgency.NOW),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class IfLost:
    """What people would hear if one drive were lost."""

    label: str
    pool: str
    then: str  # how the pool would stand
    sounds: bool

    @property
    def outcome(self) -> str:
        """Say what would come of it."""
        return f"{self.pool} would be {self.then}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Preview:
    """What an announcement or a silence would do."""

    refused: str = ""  # a sentence, when it would not be taken
    silent: tuple[Heard, ...] = ()  # what holds now and would not sound
    sounding: tuple[Heard, ...] = ()  # what holds now and would sound
    silent_if: tuple[IfLost, ...] = ()
    sounding_if: tuple[IfLost, ...] = ()


def preview(
    book: Book, said: Silenced | WorkAnnounced, policy: Policy, view: View | None, now: datetime
) -> Preview:
    """Give what would be silent and what would sound if this were said now."""
    after, effects = decide(book, said, now, policy)
    refused = next((effect.reason for effect in effects if isinstance(effect, Refuse)), "")
    if refused:
        return Preview(refused=refused)
    at = now
    if isinstance(said, WorkAnnounced):
        at = max(said.begins, now) + timedelta(seconds=1)
    standing = [
        finding
        for case in book.open_cases
        for finding in case.standing
        if finding.urgency > Urgency.NOTE  # the others never sound
    ]
    heard = [hear(finding, after, at, policy.client) for finding in standing]
    lost = tuple(_each_lost(after, policy, view, at)) if view is not None else ()
    return Preview(
        silent=tuple(one for one in heard if not one.is_audible),
        sounding=tuple(one for one in heard if one.is_audible),
        silent_if=tuple(one for one in lost if not one.sounds),
        sounding_if=tuple(one for one in lost if one.sounds),
    )


def _each_lost(book: Book, policy: Policy, view: View, at: datetime) -> Iterator[IfLost]:
    """Lose every drive of every pool once, on paper."""
    count = 0
    for pool in view.survey.pools:
        if pool.tree is None:
            continue
        for drive in sorted(_good_drives(pool), key=view.label_of):
            count += 1
            if count > MOST_IF:
                return
            yield _lost(book, policy, view, pool, drive, at)


def _good_drives(pool: Pool) -> set[DriveId]:
    return {d for m in pool.in_tree if m.state is MemberState.GOOD for d in m.drives}


def _lost(
    book: Book, policy: Policy, view: View, pool: Pool, drive: DriveId, at: datetime
) -> IfLost:
    """Say what would be heard if one drive were lost."""
    after = pool_without(pool, drive)
    seen = pool_seen(after, view.pool_past.get(pool.pool))
    pools = tuple(seen if p.pool == pool.pool else p for p in book.pools)
    on_paper = replace(book, pools=pools)
    label = view.label_of(drive)
    findings = [_finding("drive-gone", label, Urgency.TODAY, at, pool, drive)]
    if after.protection in _RULE:
        rule, urgency = _RULE[after.protection]
        findings.append(_finding(rule, pool.name, urgency, at, pool))
    sounds = any(hear(finding, on_paper, at, policy.client).is_audible for finding in findings)
    return IfLost(label=label, pool=pool.name, then=after.protection.value, sounds=sounds)


def _finding(
    rule: str, label: str, urgency: Urgency, at: datetime, pool: Pool, drive: DriveId | None = None
) -> Finding:
    return Finding(
        rule=rule,
        subject=about_pool(pool.pool) if drive is None else about_drive(drive),
        label=label,
        urgency=urgency,
        sentence="on paper",
        next_step="on paper",
        observed_at=at,
        pool=pool.pool,
    )
