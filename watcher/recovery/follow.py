"""Follows the recoveries of one box: opens what is needed, moves what is open."""

from __future__ import annotations

import shlex
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from watcher.facts.finding import Evidence, Finding, Urgency
from watcher.facts.identity import DriveId, PoolId, SubjectKind, about_drive, about_pool
from watcher.facts.pool import Pool, Protection
from watcher.facts.units import say_span
from watcher.recovery.advice import sentence_of
from watcher.recovery.detours import BEFORE_ALL
from watcher.recovery.ground import is_replaced
from watcher.recovery.record import DetourKind, Event, Recovery, Step
from watcher.recovery.seen import Seen, look
from watcher.recovery.steps import advance, is_unverified_for_long, needs_recovery, open_recovery
from watcher.rules.pool import CHECK_FIRST, COPY_FIRST
from watcher.rules.view import View

NOT_VERIFIED = "rebuild-not-verified"
"""The name of the finding about a pool that is whole and was not checked for too long."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Followed:
    """One recovery after a survey."""

    recovery: Recovery
    seen: Seen
    events: tuple[Event, ...] = ()
    changed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Around:
    """What is known beside the survey. The functions and mappings are never changed."""

    announced: frozenset[DriveId] = frozenset()
    proven: Mapping[DriveId, str] | None = None
    prove_first: Callable[[Pool], bool | None] = lambda _: None  # asked only where it matters


_ASKS_PROOF = frozenset({Step.MAKE_SURE, Step.GET_DRIVE, Step.PROVE})


def follow(recoveries: Iterable[Recovery], view: View, around: Around) -> tuple[Followed, ...]:
    """Move the open recoveries of a box by a survey, and open those that are needed."""
    open_ones = {r.pool: r for r in recoveries if r.is_open}
    pools = {pool.pool: pool for pool in view.survey.pools}
    found = []
    for recovery in open_ones.values():
        seen = see(view, recovery.pool, around, recovery=recovery)
        moved, events = advance(recovery, seen, view.now)
        changed = moved != recovery
        found.append(Followed(recovery=moved, seen=seen, events=events, changed=changed))
    for pool in pools.values():
        if pool.pool in open_ones:
            continue
        if pool.protection is Protection.WHOLE and not around.announced & pool.drives:
            continue  # the usual case, told without looking further
        seen = see(view, pool.pool, around)
        if needs_recovery(seen):
            opened, events = open_recovery(seen, view.now)
            found.append(Followed(recovery=opened, seen=seen, events=events, changed=True))
    return tuple(found)


def see(view: View, pool: PoolId, around: Around, *, recovery: Recovery | None = None) -> Seen:
    """Give what a view shows of a pool. Raises KeyError for a pool that is nowhere known."""
    here = next((p for p in view.survey.pools if p.pool == pool), None)
    kind = recovery.kind if recovery else here.kind if here else view.pool_past[pool].kind
    asks = recovery is not None and recovery.step in _ASKS_PROOF and recovery.is_open
    return look(
        view,
        pool,
        kind=kind,
        announced=around.announced,
        proven=around.proven,
        prove_first=around.prove_first(here) if asks and here is not None else None,
    )


def lead(findings: Iterable[Finding], followed: Iterable[Followed]) -> tuple[Finding, ...]:
    """Let the next step of a pool's own findings begin with where its recovery is.

    What is found about a good drive that was pulled says first of all to put it back. Of a drive
    that left, a replacement that died included, the next step is that of the pool that lost it:
    its cable, its replacement, or no more than to let the rebuild finish.
    """
    by_pool = {about_pool(f.recovery.pool): f for f in followed if f.recovery.is_open}
    put_back = {
        about_drive(lost.drive): detour.text
        for f in by_pool.values()
        if (detour := f.recovery.detour(DetourKind.WRONG_PULLED)) is not None
        for lost in f.recovery.missing
        if lost.by_hand and lost.drive is not None
    }
    led = [_led(finding, by_pool.get(finding.subject)) for finding in findings]
    way = {f.subject: f.next_step for f in led if f.rule in _LOSSES}
    left = {
        about_drive(drive): way[pool]
        for pool, f in by_pool.items()
        for drive in (*(lost.drive for lost in f.recovery.lost), *f.recovery.tried)
        if pool in way and drive is not None
    }
    return tuple(
        replace(f, next_step=put_back.get(f.subject) or left[f.subject])
        if f.subject in put_back or (f.rule == "drive-gone" and f.subject in left)
        else f
        for f in led
    )


def out_of_service(
    findings: Iterable[Finding],
    pools: Iterable[Pool],
    was_in: Callable[[DriveId], PoolId | None],
) -> tuple[Finding, ...]:
    """Let what is found about a drive that was replaced and is still here be a thing to know.

    Its pool is whole without it, so its signs endanger nothing there, and to replace it is done;
    what else its owner may have put on it since is not known.
    ``was_in`` says which pool a drive was in when that pool's last way back began.
    """
    whole = {pool.pool: pool for pool in pools if pool.protection is Protection.WHOLE}

    def eased(finding: Finding) -> Finding:
        if finding.urgency is Urgency.NOTE or finding.pool is not None:
            return finding
        if finding.subject.kind is not SubjectKind.DRIVE or finding.rule == "drive-gone":
            return finding
        drive = DriveId(finding.subject.key)
        home = whole.get(was_in(drive) or PoolId(""))
        if home is None or drive in home.drives:
            return finding
        return replace(
            finding,
            urgency=Urgency.NOTE,
            sentence=f"{finding.sentence} The pool {home.name} has another drive in its place.",
            next_step=f"Unless you use it for something else by now, take {finding.label} out once "
            f"a check of {home.name} has ended well: bay and serial number must both match. It "
            "holds your data: wipe it before it leaves the house.",
        )

    return tuple(map(eased, findings))


_LOSSES: Final = frozenset({"margin-thinned", "margin-gone", "pool-broken", "pool-gone"})
"""Rules of which the next step is that of the whole pool."""


def _led(finding: Finding, one: Followed | None) -> Finding:
    """Put where the recovery is before the next step of a finding that weighs.

    A good drive that was pulled goes back before anything else, so then nothing else is said.
    """
    if one is None or finding.urgency is Urgency.NOTE or finding.rule == NOT_VERIFIED:
        return finding
    pulled = one.recovery.detour(DetourKind.WRONG_PULLED)
    if pulled is not None:
        return replace(finding, next_step=pulled.text)
    if finding.rule == "pool-gone" and one.recovery.detour(DetourKind.BEYOND_MARGIN) is not None:
        return finding  # the same in its own words, with what to do
    says_check = CHECK_FIRST not in finding.next_step
    sentence = sentence_of(one.recovery, one.seen, says_check=says_check)
    sentence = sentence.replace(": let it finish.", ".")
    copy = f"{COPY_FIRST} " if finding.next_step.startswith(COPY_FIRST) else ""
    rest = finding.next_step.removeprefix(copy)
    return replace(finding, next_step=f"{copy}{sentence} {rest}")


def asks_to_put_back(finding: Finding) -> bool:
    """Tell whether a good drive has to go back before anything else is chosen."""
    return BEFORE_ALL in finding.next_step


def unverified(followed: Iterable[Followed], now: datetime) -> tuple[Finding, ...]:
    """Find pools that became whole and were not checked since: a note, and more after a while."""
    return tuple(
        _finding_of(f, now)
        for f in followed
        if f.recovery.is_open and f.recovery.step is Step.VERIFY
    )


def _finding_of(one: Followed, now: datetime) -> Finding:
    recovery = one.recovery
    since = recovery.whole_since or now
    keep = ""
    if is_replaced(recovery, one.seen):
        keep = ", and keep the old drive until it has ended well"
    late = is_unverified_for_long(recovery, now)
    return Finding(
        rule=NOT_VERIFIED,
        subject=about_pool(recovery.pool),
        label=f"pool {recovery.name}",
        urgency=Urgency.THIS_WEEK if late else Urgency.NOTE,
        sentence=f"The pool {recovery.name} is whole again, and no check has proven it since.",
        next_step=f"Run a check of {recovery.name} at a quiet time (midwatch recovery "
        f"{shlex.quote(recovery.name)} shows how){keep}.",
        observed_at=now,
        evidence=(Evidence(what="whole for", value=say_span(now - since)),),
        pool=recovery.pool,
        level=2 if late else 1,
    )
