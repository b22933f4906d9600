"""Rules about a pool's upkeep: scrubs, copies that differ, members that err, half-done repairs."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import timedelta
from types import MappingProxyType
from typing import Final

from watcher.facts.finding import Evidence, Finding, Urgency
from watcher.facts.pool import (
    LOST_STATES,
    Member,
    MemberState,
    Pool,
    PoolKind,
    Protection,
    RedundancySet,
    Remark,
    Role,
    WorkKind,
    WorkState,
)
from watcher.facts.pool_past import PoolPast, last_scrub
from watcher.facts.units import say_day, say_span
from watcher.rules.look import steps
from watcher.rules.pool import lost_members, pool_finding, pools, quote, waiting_spares
from watcher.rules.tuning import Threshold, Tuning
from watcher.rules.view import View

PRACTICE: Final = "common practice, no source"


def scrub_found_damage(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find pools in which data is known to be lost or wrong."""
    del tuning
    for pool in pools(view):
        notes = [note for note in pool.notes if note.remark is Remark.DAMAGED_DATA]
        if not notes:
            continue
        amount = max((note.amount or 1) for note in notes)
        yield pool_finding(
            view,
            "scrub-found-damage",
            pool,
            urgency=Urgency.TODAY,
            sentence=f"Some data in the pool {pool.name} is damaged beyond its own repair.",
            next_step=(
                "Find out which files are hit (the pool's own status names them where it can), "
                "restore them from a backup, and scrub again. Look for the cause: memory, cable, "
                "a failing drive."
            ),
            evidence=tuple(quote(note) for note in notes),
            level=steps(amount),
        )


SCRUB_EVERY: Final = Threshold(
    name="days",
    value=35,
    unit="days",
    source="common practice, no source: a scrub each month finds unreadable sectors before a "
    "rebuild meets them",
)
SCRUB_LATE: Final = Threshold(
    name="days-late",
    value=100,
    unit="days",
    source="our choice: three scrubs missed",
)
SCRUBS: Final = frozenset({WorkKind.SCRUB, WorkKind.REPAIR})


def scrub_overdue(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find whole pools that nobody read end to end for a long time."""
    rule = "scrub-overdue"
    for pool in pools(view):
        if pool.protection is not Protection.WHOLE or not pool.offers_check:
            continue
        if pool.work is not None:
            continue  # scrubbing, or busy with what comes first
        past = view.pool_past.get(pool.pool)
        known = last_scrub(pool, past)
        start = known or (past.first_seen if past else None)
        if start is None:
            continue  # first sight, and the stack keeps no date: not known
        age = view.now - start
        target = view.target_of_pool(pool.pool)
        if age < timedelta(days=SCRUB_EVERY.of(tuning, rule, target)):
            continue
        late = age >= timedelta(days=SCRUB_LATE.of(tuning, rule, target))
        yield pool_finding(
            view,
            rule,
            pool,
            urgency=Urgency.THIS_WEEK if late else Urgency.NOTE,
            sentence=(
                f"The pool {pool.name} has not been scrubbed for {say_span(age)}."
                if known
                else f"No scrub of the pool {pool.name} was seen for {say_span(age)}."
            ),
            next_step=(
                "Start a scrub at a quiet time and let it run every month: it finds unreadable "
                "sectors while they can still be repaired."
            ),
            evidence=(
                Evidence(what="last scrub", value=say_day(start) if known else "never seen"),
            ),
            level=2 if late else 1,
        )


def is_mirror(pool: Pool) -> bool:
    """Tell whether a pool keeps plain copies and no parity."""
    return pool.layout.lower().startswith(("raid1", "mirror"))


def copies_disagree(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find pools in which a scrub met copies or parity that do not match."""
    del tuning
    for pool in pools(view):
        note = pool.noted(Remark.COPIES_DIFFER)
        if note is None or pool.noted(Remark.DAMAGED_DATA) is not None:
            continue
        mirror = is_mirror(pool)
        yield pool_finding(
            view,
            "copies-disagree",
            pool,
            urgency=Urgency.NOTE if mirror else Urgency.THIS_WEEK,
            sentence=(
                f"In the pool {pool.name} some copies differ; in mirrors that is often harmless."
                if mirror
                else f"In the pool {pool.name} some parity does not match the data."
            ),
            next_step=(
                "Scrub again and see whether the figure grows. Swap space or a running database on "
                "a mirror explains small figures; an unreadable spot also counts as a difference."
                if mirror
                else "Check memory and cables first, then scrub again. Do not let a repair write "
                "before you know which side is right: compare important files with a backup."
            ),
            evidence=(quote(note),),
            level=steps(note.amount or 1),
        )


def equally_blamed(pool: Pool) -> frozenset[str]:
    """Name the members of sets in which all members carry the same error count.

    When a block cannot be rebuilt, ZFS counts the error on all its drives: none is to blame.
    """
    blameless: set[str] = set()

    def walk(part: RedundancySet) -> None:
        own = [p for p in part.parts if isinstance(p, Member)]
        counts = {m.errors for m in own}
        if len(own) > 1 and len(counts) == 1 and None not in counts:
            blameless.update(m.name for m in own)
        for below in part.parts:
            if isinstance(below, RedundancySet):
                walk(below)

    if pool.tree is not None and pool.kind is PoolKind.ZFS:
        walk(pool.tree)
    return frozenset(blameless)


def member_errs(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find members on which the pool itself counted errors.

    A count that stands still since the last look is a note, a new or growing one this-week.
    """
    del tuning
    for pool in pools(view):
        past = view.pool_past.get(pool.pool)
        blameless = equally_blamed(pool)
        noted = {n.member for n in pool.notes if n.remark is Remark.MEMBER_ERRS}
        guilty = [
            m
            for m in pool.members
            if m.state is not MemberState.SPARE
            and m.state not in LOST_STATES  # margin-thinned, margin-gone or member-put-out says so
            and m.name not in blameless
            and ((m.errors or 0) > 0 or m.name in noted)
        ]
        if not guilty:
            continue
        grows = any(_grew(past, m) for m in guilty)
        names = "; ".join(", ".join(view.label_of(d) for d in m.drives) or m.name for m in guilty)
        urgency = Urgency.THIS_WEEK if grows else Urgency.NOTE
        if pool.protection is Protection.BARE and pool.full_margin and grows:
            urgency = Urgency.NOW
        elif pool.protection is Protection.THINNED and grows:
            urgency = Urgency.TODAY
        yield pool_finding(
            view,
            "member-errs-inside-pool",
            pool,
            urgency=urgency,
            sentence=f"The pool {pool.name} met errors on a member and repaired or bore them.",
            next_step=(
                f"It concerns {names}. Look at the drive's counters and the kernel log, check its "
                "cable, and scrub the pool. Reset the pool's count afterwards, to see new ones."
            ),
            evidence=tuple(
                Evidence(
                    what=f"errors on {m.name}", value="noted" if m.errors is None else str(m.errors)
                )
                for m in guilty
            ),
            level=max(steps(m.errors or 1) for m in guilty),
            members=tuple(guilty),
        )


def _grew(past: PoolPast | None, member: Member) -> bool:
    """Tell whether a member's errors are more than when it was last seen.

    With no past it is not known, so it counts as new: the first look must not hide an error.
    """
    if past is None or member.errors is None:
        return past is None
    return member.errors > (past.errors_of(member.name) or 0)


PUT_OUT: Final[Mapping[Role, tuple[Urgency, str]]] = MappingProxyType(
    {
        Role.JOURNAL: (
            Urgency.TODAY,
            (
                "The journal of the pool {pool} is out: it takes no writes until it has one again, "
                "or goes without."
            ),
        ),
        Role.DATA: (
            Urgency.THIS_WEEK,
            (
                "A drive of the pool {pool} is out, and a spare stands in for it: the protection "
                "is full."
            ),
        ),
        Role.SPARE: (Urgency.THIS_WEEK, "A spare of the pool {pool} cannot be used."),
        Role.LOG: (Urgency.THIS_WEEK, "A log device of the pool {pool} is out."),
        Role.CACHE: (
            Urgency.NOTE,
            "A cache device of the pool {pool} is out; no data rests on it.",
        ),
    }
)
"""What it means that a part beside the margin is out, the gravest first."""


def member_put_out(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find parts that are out although the pool's margin is full: nothing else tells of them."""
    del tuning
    for pool in pools(view):
        whole = pool.protection is Protection.WHOLE
        out = [
            m for m in pool.others if m.state in LOST_STATES and (whole or m.role is Role.JOURNAL)
        ]
        if not out:
            continue
        roles = {m.role for m in out}
        role = next((role for role in PUT_OUT if role in roles), Role.DATA)
        urgency, sentence = PUT_OUT[role]
        ready = len(waiting_spares(pool))
        left = {0: "no spare is left", 1: "one spare is left"}.get(
            ready, f"{ready} spares are left"
        )
        names = "; ".join(", ".join(view.label_of(d) for d in m.drives) or m.name for m in out)
        yield pool_finding(
            view,
            "member-put-out",
            pool,
            urgency=urgency,
            sentence=sentence.format(pool=pool.name),
            next_step=(
                f"It concerns {names}. Check its cable, seat and power first; if it stays out, "
                "replace it, powering down first unless the bay is made for hot swap, and take it "
                "off the pool's list. Check by model and serial number before you pull anything"
                f"{f'; {left}' if role is Role.DATA else ''}."
            ),
            evidence=tuple(Evidence(what=m.name, value=m.said or m.state.value) for m in out),
            level=len(out),
            members=tuple(out),
        )


def redundancy_not_restored(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find pools that look repaired but hold data with less redundancy than they promise."""
    del tuning
    for pool in pools(view):
        notes = [
            n
            for n in pool.notes
            if n.remark in {Remark.MIXED_PROFILES, Remark.REFRESH_NEEDED, Remark.LISTED_MISSING}
        ]
        converting = pool.work is not None and pool.work.kind is WorkKind.CONVERT
        if not notes or converting or pool.protection is Protection.BROKEN:
            continue
        only_listed = all(n.remark is Remark.LISTED_MISSING for n in notes)
        calm = only_listed and pool.protection is Protection.WHOLE
        yield pool_finding(
            view,
            "redundancy-not-restored",
            pool,
            urgency=Urgency.THIS_WEEK if calm else Urgency.TODAY,
            sentence=(
                f"The repair of the pool {pool.name} is not complete: it still lists a lost device."
                if calm
                else f"The repair of the pool {pool.name} is not complete: part of its data has "
                "less protection than the pool promises."
            ),
            next_step=(
                "Finish the repair: convert what was written meanwhile, refresh members that came "
                "back, and take lost devices off the list. Check afterwards that the pool is whole."
            ),
            evidence=tuple(quote(note) for note in notes),
        )


def parity_in_doubt(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find pools that lost a member and stopped uncleanly: parity may be wrong where needed."""
    del tuning
    for pool in pools(view):
        note = pool.noted(Remark.DIRTY_DEGRADED)
        if note is None:
            continue
        yield pool_finding(
            view,
            "parity-in-doubt",
            pool,
            urgency=Urgency.NOW,
            sentence=(
                f"The pool {pool.name} lost a member and stopped uncleanly: some of what was being "
                "written may come back wrong without a word."
            ),
            next_step=(
                "Do not force it to start before you know what was being written. Copy first, and "
                "compare recent files with a backup."
            ),
            evidence=(quote(note),),
        )


BEHIND: Final = Threshold(
    name="changes",
    value=1,
    unit="files or blocks",
    source="our choice: any change since the last sync is unprotected",
)


def parity_behind(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find pools with changes that their parity does not cover yet."""
    for pool in pools(view):
        note = pool.noted(Remark.UNSYNCED)
        if note is None or (pool.work is not None and pool.work.kind is WorkKind.SYNC):
            continue
        amount = note.amount if note.amount is not None else 1
        if amount < BEHIND.of(tuning, "parity-behind", view.target_of_pool(pool.pool)):
            continue
        hurt = bool(lost_members(pool)) or pool.protection is Protection.BROKEN
        yield pool_finding(
            view,
            "parity-behind",
            pool,
            urgency=Urgency.TODAY if hurt else Urgency.NOTE,
            sentence=f"The pool {pool.name} holds changes that its parity does not cover yet.",
            next_step=(
                "Do not sync while a drive is lost: it would give up what parity can still bring "
                "back. Restore the lost drive first."
                if hurt
                else "Run the sync, and let it run by itself every day."
            ),
            evidence=(quote(note),),
            level=steps(amount),
        )


def parity_catching_up(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find pools whose parity is being brought in step after an unclean stop."""
    del tuning
    for pool in pools(view):
        note = pool.noted(Remark.PARITY_STALE)
        if note is None:
            continue
        work = pool.work
        runs = work is not None and work.state is WorkState.RUNNING
        yield pool_finding(
            view,
            "parity-catching-up",
            pool,
            urgency=Urgency.NOTE if runs else Urgency.TODAY,
            sentence=(
                f"The pool {pool.name} was stopped uncleanly and is bringing its parity in step; "
                "until then a lost drive could cost a little data."
                if runs
                else f"The pool {pool.name} was stopped uncleanly and its parity is not being "
                "brought in step."
            ),
            next_step=(
                "Let it finish; touch no drive meanwhile."
                if runs
                else "See why the resync does not run (read-only, or held by somebody), and let it "
                "run."
            ),
            evidence=(quote(note),),
        )
