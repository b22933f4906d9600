"""Rules about the margin of pools.

Urgency follows margin alone: thinned is ``today``, bare and broken are ``now``. A pool that was
built without redundancy has no margin to lose: one note says so, once.
"""

from __future__ import annotations

import shlex
from collections.abc import Iterator
from datetime import timedelta
from typing import Final

from watcher.facts.finding import Evidence, Finding, Urgency
from watcher.facts.identity import about_pool
from watcher.facts.margin import full_margin_of, hangs_on, margin_of
from watcher.facts.pool import (
    LOST_STATES,
    AtStake,
    Member,
    MemberState,
    Noted,
    Pool,
    PoolKind,
    Protection,
    RedundancySet,
    Remark,
    Role,
    WorkKind,
    WorkState,
)
from watcher.facts.units import say_count, say_done, say_span
from watcher.rules.tuning import Tuning
from watcher.rules.view import View

REFILLS: Final = frozenset({WorkKind.REBUILD, WorkKind.RESYNC, WorkKind.REPAIR, WorkKind.CONVERT})
"""Work that brings margin back."""


def pool_finding(  # noqa: PLR0913 - a finding has this many parts
    view: View,
    rule: str,
    pool: Pool,
    *,
    urgency: Urgency,
    sentence: str,
    next_step: str,
    evidence: tuple[Evidence, ...] = (),
    level: int = 1,
    members: tuple[Member, ...] = (),
) -> Finding:
    """Build the finding of a pool rule; ``members`` are those that it points at."""
    told = (Evidence(what="what the pool says of itself", value=pool.said),) if pool.said else ()
    return Finding(
        rule=rule,
        subject=about_pool(pool.pool),
        label=f"pool {pool.name}",
        urgency=urgency,
        sentence=sentence,
        next_step=next_step,
        observed_at=view.now,
        evidence=(*evidence, *told),
        pool=pool.pool,
        drives=tuple(sorted({drive for member in members for drive in member.drives})),
        level=level,
    )


def pools(view: View) -> tuple[Pool, ...]:
    """Give the pools in the order of their ids."""
    return view.pools


def lost_members(pool: Pool) -> tuple[Member, ...]:
    """Give the members that are out, spares and caches left aside."""
    return tuple(m for m in pool.members if m.state in LOST_STATES and m not in pool.others)


def quote(note: Noted) -> Evidence:
    """Quote a remark of the reader's."""
    return Evidence(what=note.member or note.remark.value, value=note.text)


def _name_lost(view: View, pool: Pool) -> tuple[str, ...]:
    """Name the members that are out, as the owner knows them; first those that hold the margin.

    A member whose device is gone names no drive any more. Where the drives that the pool rested on
    before and does not now are just as many, they are named in the place of all of those.
    """
    near = _beside_lone_copies(pool.tree) if pool.tree is not None else frozenset()
    out = sorted(lost_members(pool), key=lambda member: member not in near)
    nameless = [m for m in pool.in_tree if m.state in LOST_STATES and not m.drives]
    past = view.pool_past.get(pool.pool)
    left = sorted({*past.drives, *past.lost} - pool.drives) if past is not None else []
    named = [", ".join(map(view.label_of, member.drives)) for member in out if member.drives]
    if len(left) == len(nameless):
        return (*named, *map(view.label_of, left))
    return tuple(", ".join(map(view.label_of, m.drives)) or m.name for m in out)


def _beside_lone_copies(tree: RedundancySet) -> frozenset[Member]:
    """Give the members of the innermost sets in which one more loss would lose the tree."""
    lone = set(hangs_on(tree))
    found: set[Member] = set()
    waiting: list[RedundancySet] = [tree]
    while waiting:
        part = waiting.pop()
        own = [below for below in part.parts if isinstance(below, Member)]
        if lone & set(own):
            found.update(own)
        waiting += [below for below in part.parts if isinstance(below, RedundancySet)]
    return frozenset(found)


def _reason(view: View, pool: Pool) -> tuple[Evidence, ...]:
    """Say what took the margin: lost members, and remarks that cap the protection."""
    lost = tuple(
        Evidence(what=f"member {member.name}", value=member.said or member.state.value)
        for member in lost_members(pool)
    )
    capped = tuple(quote(note) for note in pool.notes if note.at_most is not None)
    past = view.pool_past.get(pool.pool)
    since: tuple[Evidence, ...] = ()
    if past is not None and past.not_whole_since is not None:
        away = view.now - past.not_whole_since
        since = (Evidence(what="not whole for", value=say_span(away)),)
    return (*lost, *capped, *since)


def is_first_build(pool: Pool) -> bool:
    """Tell whether a pool lacks margin only because its parity is filled for the first time."""
    return (
        pool.work is not None
        and pool.work.kind is WorkKind.FIRST_BUILD
        and not lost_members(pool)
        and all(note.at_most is None for note in pool.notes)
    )


def is_growing(pool: Pool) -> bool:
    """Tell whether a pool is being given more margin than it had: a reshape fills what it adds.

    Nothing is out and nothing was lost: the full margin is that of the shape to come.
    """
    return (
        pool.work is not None
        and pool.work.kind is WorkKind.RESHAPE
        and not lost_members(pool)
        and all(note.at_most is None for note in pool.notes)
    )


MENDS_ITSELF: Final = frozenset({Remark.UNSYNCED, Remark.PARITY_STALE})
"""Remarks that take margin although every member stands, and that the next sync or the running
resync puts right: no drive is to be touched for them, and nobody is woken."""


LEFT_OVER: Final = frozenset({Remark.MIXED_PROFILES})
"""A remark that takes margin although every member stands: some data was written while one was
out. A command puts it right and no drive is in trouble, so nobody is woken for it."""


def is_capped_only_by(pool: Pool, remarks: frozenset[Remark]) -> bool:
    """Tell whether every member stands and only these remarks take the pool's margin."""
    if pool.tree is None or margin_of(pool.tree) != full_margin_of(pool.tree):
        return False
    caps = {note.remark for note in pool.notes if note.at_most is not None}
    return bool(caps) and caps <= remarks


def _refilling(pool: Pool) -> str:
    """Say, as the start of a next step, whether the margin is on its way back."""
    work = pool.work
    if work is None or work.kind not in REFILLS or work.state is not WorkState.RUNNING:
        return ""
    done = f" ({say_done(work.done_fraction)} done)" if work.done_fraction is not None else ""
    return f"A {work.kind.value} is running{done}: let it finish. "


def _stake(pool: Pool) -> str:
    """Say what the next loss would cost."""
    if pool.at_stake is AtStake.MEMBER:
        return "If one more drive fails, what sits on it is lost"
    return "If one more drive fails, everything in the pool is lost"


def waiting_spares(pool: Pool) -> tuple[Member, ...]:
    """Give the spares of a pool that stand in for nobody."""
    return tuple(
        m for m in pool.others if m.state is MemberState.SPARE and not m.said.startswith("INUSE")
    )


def _waits(view: View, pool: Pool) -> str:
    """Say that a spare is there already and is not being filled."""
    spares = waiting_spares(pool)
    if not spares:
        return ""
    names = "; ".join(", ".join(view.label_of(d) for d in m.drives) or m.name for m in spares)
    return f"A spare is there and is not being filled ({names}): see why before you buy one. "


def _what_caps(view: View, pool: Pool) -> str:
    """Say, where no member is out, what else takes the margin; its words name the remedy."""
    filled = [m for m in pool.members if m.state is MemberState.REBUILDING]
    if filled:
        names = "; ".join(", ".join(map(view.label_of, m.drives)) or m.name for m in filled)
        return f"Its new member is not filled, and no rebuild runs ({names}): see why. "
    texts = [note.text.rstrip(".") for note in pool.notes if note.at_most is not None]
    if not texts:
        return "No drive of it is known to be out: look at what the pool says of itself. "
    return f"No drive of it is out. {'. '.join(texts)}. "


def _hangs(view: View, pool: Pool) -> str:
    """Say which drives the pool hangs on, where these are not all that stand."""
    lone = hangs_on(pool.tree) if pool.tree is not None else ()
    standing = {m for m in pool.members if m.state is MemberState.GOOD and m not in pool.others}
    if not lone or len(lone) == len(standing):
        return ""
    names = "; ".join(", ".join(view.label_of(drive) for drive in m.drives) for m in lone)
    which = "that" if len(lone) == 1 else "those"
    return f"The pool hangs on {names}: leave {which} alone above all. "


def _stands_in(view: View, pool: Pool) -> str:
    """Say for which drive a spare is being filled; it is out, and its place is taken."""
    out = [m for m in pool.others if m.state in LOST_STATES and m.role is Role.DATA]
    names = "; ".join(", ".join(map(view.label_of, m.drives)) or m.name for m in out)
    return f"A spare stands in for {names}, which stays where it is for now. " if names else ""


NO_SYNC: Final = "Let no sync run: it would give up what parity can still bring back."

CHECK_FIRST: Final = "Check seat, cable and power of what is out first"


def _swap_step(view: View, pool: Pool) -> str:
    """Say how to get the margin back, naming what to touch and what not."""
    out = _name_lost(view, pool)
    if not out:
        why = _refilling(pool) or _what_caps(view, pool)
        return f"{why}{_stands_in(view, pool)}Touch no drive."
    care = (
        ", and after the copy is made: a weak drive may not start again"
        if pool.protection is Protection.BARE
        else ""
    )
    running = _refilling(pool)
    sync = f"{NO_SYNC} " if pool.kind is PoolKind.FILE_PARITY else ""
    which = "the one that is out" if len(out) == 1 else "those that are out"
    which = f"meanwhile. Then {which}" if running else f"than {which}"
    return (
        f"{sync}{running}Touch no other drive {which}: {'; '.join(out)}. {_hangs(view, pool)}"
        f"{'' if running else _waits(view, pool)}{CHECK_FIRST}; if it stays out, replace it with "
        "one at least as large, powering down first unless the bay is made for hot swap"
        f"{care}. Check by model and serial number before you pull anything."
    )


COPY_FIRST: Final = (
    "First see that what cannot be replaced also exists elsewhere; avoid restarts and heavy use "
    "until the pool is whole."
)


def margin_thinned(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find pools that lost some of their margin and keep some."""
    del tuning
    for pool in pools(view):
        if pool.protection is not Protection.THINNED or is_first_build(pool):
            continue
        if is_growing(pool):
            continue  # rebuild-running says so
        if is_capped_only_by(pool, MENDS_ITSELF):
            continue  # parity-behind or parity-unsure says so
        yield pool_finding(
            view,
            "margin-thinned",
            pool,
            urgency=Urgency.TODAY,
            sentence=(
                f"The pool {pool.name} lost some of its protection: it can lose "
                f"{say_count(pool.margin or 0, 'more drive', 'more drives')}, "
                f"was built for {pool.full_margin}."
            ),
            next_step=_swap_step(view, pool),
            evidence=_reason(view, pool),
            level=max((pool.full_margin or 0) - (pool.margin or 0), 1),
            members=lost_members(pool),
        )


def margin_gone(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find pools that had margin and have none left."""
    del tuning
    for pool in pools(view):
        if pool.protection is not Protection.BARE or is_first_build(pool):
            continue
        if is_growing(pool):
            continue  # rebuild-running says so
        if is_capped_only_by(pool, MENDS_ITSELF):
            continue  # parity-behind or parity-unsure says so
        past = view.pool_past.get(pool.pool)
        full = pool.full_margin if pool.full_margin is not None else past and past.full_margin
        if full == 0:
            continue  # built-without-margin says so
        yield pool_finding(
            view,
            "margin-gone",
            pool,
            urgency=Urgency.TODAY if is_capped_only_by(pool, LEFT_OVER) else Urgency.NOW,
            sentence=(f"The pool {pool.name} has no protection left. {_stake(pool)}."),
            next_step=f"{COPY_FIRST} {_swap_step(view, pool)}",
            evidence=_reason(view, pool),
            level=max(full or 1, 1),
            members=lost_members(pool),
        )


def _what_broke(pool: Pool) -> str:
    """Say in a sentence what a broken pool has lost: its service, its drives, or some data."""
    if pool.noted(Remark.SUSPENDED) or pool.noted(Remark.INACTIVE):
        return f"The pool {pool.name} has stopped: its data cannot be reached."
    left = margin_of(pool.tree) if pool.tree is not None else None
    if pool.noted(Remark.DAMAGED_DATA) and left is not None and left >= 0:
        return f"The pool {pool.name} has lost some of its data, and not all of its drives stand."
    alone = pool.at_stake is AtStake.MEMBER
    rest = " What sits on its other drives can be read as before." if alone else ""
    return f"The pool {pool.name} lost more drives than it can bear.{rest}"


def pool_broken(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find pools whose data is lost or out of reach."""
    del tuning
    for pool in pools(view):
        if pool.protection is not Protection.BROKEN:
            continue
        if is_capped_only_by(pool, frozenset({Remark.DAMAGED_DATA})):
            continue  # scrub-found-damage says so: every drive stands, some data is lost
        out = "; ".join(_name_lost(view, pool))
        yield pool_finding(
            view,
            "pool-broken",
            pool,
            urgency=Urgency.NOW,
            sentence=_what_broke(pool),
            next_step=(
                "Write, repair, format and force nothing. Drives that seem dead are often only cut "
                "off: check power, cables and backplane. Reseat them, and note what changed. Then "
                "follow the recovery steps, or ask for help, before any command that writes."
                f"{f' Out of it: {out}.' if out else ''}"
            ),
            evidence=_reason(view, pool),
            level=1 + len(lost_members(pool)),
            members=lost_members(pool),
        )


def built_without_margin(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find pools that were built so that any lost drive costs data."""
    del tuning
    for pool in pools(view):
        if pool.protection is not Protection.BARE or pool.full_margin != 0:
            continue
        if view.stands_on_pools(pool):
            continue  # the pools below it bear the loss of a drive, and say when they cannot
        yield pool_finding(
            view,
            "built-without-margin",
            pool,
            urgency=Urgency.NOTE,
            sentence=(f"The pool {pool.name} was built without redundancy. {_stake(pool)}."),
            next_step=(
                "Keep only what can be replaced on it, or see that a backup is made and that a "
                "restore was tried."
            ),
        )


def step_when_gone(name: str) -> str:
    """Say what to do about a pool that is not there, and about a drive that left with it."""
    return (
        f"Create nothing anew, and write nothing to the drives of {name}: check their power, "
        "cables and controller, and look again. If you stopped or exported it yourself: midwatch "
        f"retire --pool {shlex.quote(name)}."
    )


def pool_gone(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find pools that were there before and that their own stack does not list any more.

    An array whose last leg went can vanish from the kernel's list altogether.
    """
    del tuning
    here = {pool.pool for pool in view.survey.pools}
    for key in sorted(view.pool_past):
        past = view.pool_past[key]
        if key in here or not past.in_use or past.kind.value not in view.survey.answered:
            continue
        away = max(view.now - past.last_seen, timedelta(0))
        yield Finding(
            rule="pool-gone",
            subject=about_pool(key),
            label=f"pool {past.name}",
            urgency=Urgency.NOW,
            sentence=f"The pool {past.name} is no longer there.",
            next_step=step_when_gone(past.name),
            observed_at=view.now,
            evidence=(
                Evidence(
                    what="last seen",
                    value=f"{past.last_seen:%Y-%m-%d %H:%M} UTC, {say_span(away)} ago, "
                    f"then {past.last_protection.value}",
                ),
            ),
            pool=key,
            drives=tuple(sorted(past.drives)),
            level=1,
        )
