"""The one place where it is decided where a recovery is.

open_recovery(seen, now)        -> a recovery, when a survey shows that one is needed
advance(recovery, seen, now)    -> (recovery, events)

What there is. A **recovery** belongs to one pool and goes from lost margin to margin proven back.
It is at one **step**: make sure, get a drive, prove it, swap, rebuild, verify, whole again. Five
things about it are independent of each other and kept in separate fields:

* *where is it?* The step. It moves by the table below, from what one survey shows and from nothing
  else: not because time passes, not because somebody says so, not because nothing is heard. A
  survey that cannot see the pool changes nothing at all.
* *which members?* Each lost one is kept with when, which drive, and whether it came back. Members
  whose names change (``sdb`` becomes ``slot 1``) are told by their drives, and by their number.
* *which new drive?* One that came after the recovery opened (or is kept as a spare by the owner or
  by the pool) and is in no pool, or that the pool has taken. One that died, or does not fit, is
  remembered so that it is not proposed again; one that did not pass its burn-in, left the box, or
  was taken by another pool is let go, and a drive must be got.
* *what came in between?* Detours begin and end by themselves; several can hold at once. They
  change what is advised, never the step.
* *how long bare, and what was lost?* Counted and collected as surveys show it, for the record.

How they are coupled. The members and the new drive are brought up to date first; then the survey
is boiled down to one **sight** (sights.py); then the table moves the step; then detours are
compared. Nothing flows back.

Skipping. Stronger evidence may skip steps: a rebuild that is seen to run skips everything before
it. Going back is just as free: a margin that is lost again leads back to make sure. What is
never skipped is verify: even a pool that comes back whole by itself stays there until a check
that ended *after* it was first seen whole has found nothing.

What the word of a person does. A replacement that is announced opens a recovery, because then
the advice must be there before the drive is pulled. It moves no step. When it is not announced
any more, and the member is still in its place and the margin full, the recovery ends as called
off; that too is read off a survey. A pool that the owner retires ends its recovery as given up:
it is not followed any more, and is never called whole.

The case and the recovery. The case's all-clear comes when full margin is back and must not wait
for a scrub that may take days and that a person has to start. The recovery stays open as a note
until verified; after ``VERIFY_WITHIN`` it becomes a finding of its own.

What we are not happy with: a check that ran while the rebuild was still going, and ended after
it, would count (ZFS resumes an interrupted scrub); and two lost members share one recovery, so
the second one's new drive is not told apart from the first's.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from types import MappingProxyType
from typing import Final

from watcher.facts.pool import Pool, PoolKind, Protection, Remark, WorkKind, worse_of
from watcher.recovery.detours import compare_detours
from watcher.recovery.members import first_losses, note_members, note_new_drive
from watcher.recovery.record import STEP_WORDS, Event, Recovery, Stay, Step
from watcher.recovery.seen import Seen
from watcher.recovery.sights import Shown, Sight, is_short, lost_members, sight_of

VERIFY_WITHIN: Final = timedelta(days=3)
"""How long a pool may be whole and not verified before that is a finding. Our choice: a check of
the largest drives takes two days; if too long, a rebuild that went wrong is found by the next
loss."""

_M, _G, _P, _S, _R, _V, _W = Step

_ROWS: Final = (
    # at                  make-sure  get  prove  swap  rebuild  verify
    (Sight.BLIND,         (_M,       _G,  _P,    _S,   _R,      _V)),
    (Sight.GONE,          (_M,       _G,  _P,    _S,   _R,      _V)),
    (Sight.BROKEN,        (_M,       _G,  _P,    _S,   _R,      _V)),
    (Sight.REBUILDING,    (_R,       _R,  _R,    _R,   _R,      _R)),
    (Sight.NEW_LOST,      (_G,       _G,  _G,    _G,   _G,      _G)),
    (Sight.TAKEN_IN,      (_R,       _R,  _R,    _R,   _R,      _R)),
    (Sight.NEW_PROVEN,    (_S,       _S,  _S,    _S,   _S,      _M)),
    (Sight.NEW_HERE,      (_P,       _P,  _P,    _S,   _P,      _M)),
    (Sight.NEW_REFUSED,   (_G,       _G,  _G,    _G,   _G,      _M)),
    (Sight.NEW_AWAY,      (_M,       _G,  _G,    _G,   _M,      _M)),
    (Sight.SURE,          (_G,       _G,  _P,    _S,   _G,      _M)),
    (Sight.OUT,           (_M,       _G,  _P,    _S,   _M,      _M)),
    (Sight.LEFT_OVER,     (_R,       _R,  _R,    _R,   _R,      _R)),
    (Sight.CALLED_OFF,    (_W,       _W,  _W,    _W,   _W,      _W)),
    (Sight.UNCLEAN,       (_V,       _V,  _V,    _V,   _V,      _V)),
    (Sight.UNCHECKED,     (_V,       _V,  _V,    _V,   _V,      _V)),
    (Sight.CHECKED,       (_V,       _V,  _V,    _V,   _V,      _W)),
)  # fmt: skip

TABLE: Final[Mapping[tuple[Step, Sight], Step]] = MappingProxyType(
    {
        (at, sight): to
        for sight, row in _ROWS
        for at, to in zip((_M, _G, _P, _S, _R, _V), row, strict=True)
    }
)
"""Where each sight leads from each step. A closed recovery does not move."""


def needs_recovery(seen: Seen) -> bool:
    """Tell whether a survey shows a pool that needs a recovery.

    It has lost margin, or a member of it is announced to be replaced. A pool that was built
    without margin has none to lose; one that is built for the first time has not got it yet; one
    that only waits for its parity to be brought up to date needs a sync and no recovery.
    """
    pool = seen.pool
    if pool is None:
        return False
    if pool.protection is Protection.BROKEN:
        return True
    if is_short(pool):
        passing = _is_first_build(pool, seen) or _only_unsynced(pool, seen)
        return seen.full_margin != 0 and not passing
    return pool.protection is Protection.WHOLE and bool(seen.announced & pool.drives)


def _only_unsynced(pool: Pool, seen: Seen) -> bool:
    """Tell whether margin is missing only because of changes since the last sync."""
    caps = [note for note in pool.notes if note.at_most is not None]
    return (
        pool.kind is PoolKind.FILE_PARITY
        and not lost_members(seen)
        and bool(caps)
        and all(note.remark is Remark.UNSYNCED for note in caps)
    )


def _is_first_build(pool: Pool, seen: Seen) -> bool:
    """Tell whether margin is missing only because parity is filled for the first time."""
    first = pool.work is not None and pool.work.kind is WorkKind.FIRST_BUILD
    return first and not lost_members(seen) and all(n.at_most is None for n in pool.notes)


def open_recovery(seen: Seen, now: datetime) -> tuple[Recovery, tuple[Event, ...]]:
    """Begin a recovery. Raises ValueError when the survey shows no need of one."""
    pool = seen.pool
    if pool is None or not needs_recovery(seen):
        raise ValueError("this survey shows no pool that needs a recovery")
    lost = first_losses(seen, pool)
    evidence = tuple(
        f"{m.where}: {m.said or ('to be replaced' if m.planned else 'out')}" for m in lost
    )
    evidence = evidence or (f"{pool.name} is {pool.protection.value}",)
    bare = pool.protection in {Protection.BARE, Protection.BROKEN}
    recovery = Recovery(
        pool=pool.pool,
        name=pool.name,
        kind=pool.kind,
        opened_at=seen.at,
        seen_at=seen.at - timedelta(microseconds=1),
        step=Step.MAKE_SURE,
        stays=(Stay(step=Step.MAKE_SURE, entered_at=seen.at, entered_on=evidence),),
        lost=lost,
        drives_then=tuple(sorted(seen.known | pool.drives)),
        members_then=tuple(sorted(pool.drives | seen.past_drives)),
        bare_since=seen.at if bare else None,
        worst=pool.protection,
    )
    opened = Event(what="recovery-opened", text="; ".join(evidence))
    recovery, events = advance(recovery, seen, now)
    return recovery, (opened, *events)


def advance(recovery: Recovery, seen: Seen, now: datetime) -> tuple[Recovery, tuple[Event, ...]]:
    """Take a survey in. Pure, total and deterministic.

    A survey that is not newer than the last one, or that cannot see the pool, changes nothing.
    """
    del now  # the survey's own time counts: an old survey handed in late shows an old state
    if not recovery.is_open or seen.at <= recovery.seen_at:
        return recovery, ()
    if not seen.in_use:
        return _give_up(recovery, seen)
    if seen.pool is None and not seen.stack_answered:
        return recovery, ()
    if seen.pool is not None and not seen.is_readable:
        return recovery, ()
    events: list[Event] = []
    current = replace(recovery, seen_at=seen.at)
    current = _note_margin(current, seen)
    current = note_members(current, seen, events)
    current = note_new_drive(current, seen, events)
    shown = sight_of(current, seen)
    current = _note_whole(current, seen, shown)
    current = compare_detours(current, seen, shown, events)
    current = _move(current, seen, shown, events)
    return current, tuple(events)


def _note_margin(recovery: Recovery, seen: Seen) -> Recovery:
    """Count the time without margin, and keep the worst that was seen."""
    pool = seen.pool
    protection = pool.protection if pool is not None else Protection.BROKEN
    bare = protection in {Protection.BARE, Protection.BROKEN}
    since, before = recovery.bare_since, recovery.bare_before
    if bare and since is None:
        since = seen.at
    elif not bare and since is not None:
        before, since = before + max(seen.at - since, timedelta(0)), None
    short = protection is not Protection.WHOLE
    return replace(
        recovery,
        bare_since=since,
        bare_before=before,
        short_at=seen.at if short else recovery.short_at,
        worst=worse_of(recovery.worst, protection),
    )


_WHOLE_SIGHTS: Final = frozenset({Sight.UNCLEAN, Sight.UNCHECKED, Sight.CHECKED})


def _note_whole(recovery: Recovery, seen: Seen, shown: Shown) -> Recovery:
    """Keep since when the pool is whole, and what its members had counted then."""
    out = {Sight.OUT, Sight.SURE}
    looks = recovery.looks_out + 1 if shown.sight in out else 0
    if shown.sight is Sight.UNCLEAN:
        recovery = replace(recovery, unclean_at=seen.at)
    if shown.sight not in _WHOLE_SIGHTS:
        return replace(recovery, whole_since=None, errors_then=(), looks_out=looks)
    if recovery.whole_since is not None or seen.pool is None:
        return recovery
    counts = tuple((m.name, m.errors) for m in seen.pool.members if m.errors is not None)
    return replace(recovery, whole_since=seen.at, errors_then=counts, looks_out=0)


def _move(recovery: Recovery, seen: Seen, shown: Shown, events: list[Event]) -> Recovery:
    """Move the step by the table, on the evidence of the sight."""
    to = TABLE[recovery.step, shown.sight]
    if to is recovery.step:
        return recovery
    last = replace(recovery.stays[-1], left_at=seen.at, left_on=shown.evidence)
    fresh = Stay(step=to, entered_at=seen.at, entered_on=shown.evidence)
    moved = replace(recovery, step=to, stays=(*recovery.stays[:-1], last, fresh))
    why = "; ".join(shown.evidence)
    if to is Step.WHOLE:
        return _close(moved, seen, shown, events)
    events.append(Event(what="recovery-step", text=f"{STEP_WORDS[to]}: {why}"))
    return moved


def _close(recovery: Recovery, seen: Seen, shown: Shown, events: list[Event]) -> Recovery:
    """End a recovery: whole and verified, or a plan that was not carried out."""
    if shown.sight is Sight.CALLED_OFF:
        outcome = f"Called off: {shown.evidence[0]}."
    else:
        harm = " ".join(recovery.harm) or "No survey showed that anything was lost."
        proof = "; ".join(shown.evidence)
        outcome = f"Whole again and verified: {proof}. {harm}"
    events.append(Event(what="recovery-closed", text=outcome))
    ended = tuple(replace(d, over_at=seen.at) if d.over_at is None else d for d in recovery.detours)
    return _at_rest(replace(recovery, closed_at=seen.at, outcome=outcome, detours=ended), seen)


def _give_up(recovery: Recovery, seen: Seen) -> tuple[Recovery, tuple[Event, ...]]:
    """End the recovery of a pool that its owner retired; it is not called whole."""
    outcome = "Given up: the pool was retired by its owner before it was whole and verified."
    why = ("the pool is retired",)
    last = replace(recovery.stays[-1], left_at=seen.at, left_on=why)
    ended = replace(
        recovery, closed_at=seen.at, seen_at=seen.at, outcome=outcome,
        stays=(*recovery.stays[:-1], last),
    )  # fmt: skip
    return _at_rest(ended, seen), (Event(what="recovery-closed", text=outcome),)


def _at_rest(recovery: Recovery, seen: Seen) -> Recovery:
    """Stop the clock of the time without margin."""
    before = recovery.bare_for(seen.at)
    return replace(recovery, bare_before=before, bare_since=None)


def is_unverified_for_long(recovery: Recovery, now: datetime) -> bool:
    """Tell whether a pool has been whole without a check for longer than it should."""
    since = recovery.whole_since
    waits = recovery.is_open and recovery.step is Step.VERIFY and since is not None
    return waits and since is not None and now - since >= VERIFY_WITHIN
