"""Rules about the work that fills a pool: it runs, it stands still, it cannot finish."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Final

from watcher.facts.finding import Evidence, Finding, Urgency
from watcher.facts.pool import Pool, Protection, Remark, WorkKind, WorkState
from watcher.facts.pool_past import PoolPast
from watcher.facts.units import say_count, say_done, say_span
from watcher.rules.pool import REFILLS, is_growing, pool_finding, pools, quote
from watcher.rules.tuning import Threshold, Tuning
from watcher.rules.view import View


def rebuild_running(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find pools that are filling a member, or their parity for the first time."""
    del tuning
    for pool in pools(view):
        work = pool.work
        grows = is_growing(pool) and pool.protection is not Protection.WHOLE
        if work is None or not (grows or work.kind in {WorkKind.REBUILD, WorkKind.FIRST_BUILD}):
            continue
        if pool.noted(Remark.CANNOT_FINISH) is not None:
            continue  # rebuild-cannot-finish says so
        done = "not told" if work.done_fraction is None else say_done(work.done_fraction)
        yield pool_finding(
            view,
            "rebuild-running",
            pool,
            urgency=Urgency.NOTE,
            sentence=_say_filling(pool, work.kind),
            next_step=(
                "Let it finish, lighten the load, and do not restart the box. Add no second drive "
                "meanwhile: some stacks then start again from the beginning."
            ),
            evidence=(Evidence(what="done", value=done),),
        )


def _say_filling(pool: Pool, kind: WorkKind) -> str:
    """Say what is being filled, and what that means for the protection."""
    if kind is WorkKind.FIRST_BUILD:
        return (
            f"The pool {pool.name} is being built for the first time; its protection comes when "
            "that is done."
        )
    if kind is WorkKind.RESHAPE:
        more = say_count(pool.full_margin or 0, "drive", "drives")
        return (
            f"The pool {pool.name} is changing its shape; it can lose {pool.margin or 'none'} now "
            f"as before, and {more} when that is done."
        )
    if pool.protection is Protection.WHOLE:
        return (
            f"A member of the pool {pool.name} is being replaced; the old one stays in meanwhile, "
            "so the protection is full."
        )
    return f"The pool {pool.name} is rebuilding; its protection is not back yet."


STALL: Final = Threshold(
    name="minutes-without-progress",
    value=60,
    unit="minutes",
    source="our choice: at the slowest usual rate (1,000 KB/s, md's own floor) an hour moves 3.6 "
    "GB, which shows in the figures of any stack",
)


def stuck_since(pool: Pool, past: PoolPast | None, now: datetime) -> datetime | None:
    """Tell since when the work of a pool made no progress; None when it did, or is not known.

    A fraction that falls is a restart and counts as a move.
    """
    work = pool.work
    if work is None or past is None or work.done_fraction is None:
        return None
    since: datetime | None = None
    samples = [s for s in past.work if s.kind is work.kind and s.done_fraction is not None]
    for sample in reversed(samples):
        if sample.done_fraction != work.done_fraction or sample.at > now:
            break
        since = sample.at
    return since


def rebuild_stalled(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find rebuilds that stand still, wait or are held while margin is missing."""
    for pool in pools(view):
        work = pool.work
        held = pool.noted(Remark.FROZEN)
        refill = work is not None and work.kind in REFILLS | {WorkKind.FIRST_BUILD}
        if pool.protection is Protection.WHOLE or not (refill or held is not None):
            continue
        limit = timedelta(
            minutes=STALL.of(tuning, "rebuild-stalled", view.target_of_pool(pool.pool))
        )
        since = stuck_since(pool, view.pool_past.get(pool.pool), view.now)
        stuck = since is not None and view.now - since >= limit
        paused = work is not None and work.state is WorkState.PAUSED
        if pool.noted(Remark.CANNOT_FINISH) is not None or not (stuck or paused or held):
            continue
        evidence = []
        if since is not None:
            evidence.append(Evidence(what="no progress for", value=say_span(view.now - since)))
        if work is not None:
            evidence.append(Evidence(what="work", value=f"{work.kind.value}, {work.state.value}"))
        if held is not None:
            evidence.append(quote(held))
        yield pool_finding(
            view,
            "rebuild-stalled",
            pool,
            urgency=_by_margin(pool),
            sentence=f"The rebuild of the pool {pool.name} stands still; it stays unprotected."
            if pool.protection is Protection.BARE
            else f"The rebuild of the pool {pool.name} stands still.",
            next_step=(
                "Look whether someone paused it, whether other work goes first, and whether a "
                "member hangs (kernel log). Do not start it anew before the reason is known."
            ),
            evidence=tuple(evidence),
        )


def _by_margin(pool: Pool) -> Urgency:
    """Give ``now`` for a pool that can lose nothing, else ``today``."""
    bare = pool.protection in {Protection.BARE, Protection.BROKEN}
    return Urgency.NOW if bare else Urgency.TODAY


def rebuild_cannot_finish(view: View, tuning: Tuning) -> Iterator[Finding]:
    """Find rebuilds that met data which no remaining member can give."""
    del tuning
    for pool in pools(view):
        note = pool.noted(Remark.CANNOT_FINISH)
        if note is None:
            continue
        yield pool_finding(
            view,
            "rebuild-cannot-finish",
            pool,
            urgency=_by_margin(pool),
            sentence=f"The rebuild of the pool {pool.name} cannot finish as it is.",
            next_step=(
                "Copy what matters off the pool now, while the rest is readable. Keep every drive "
                "in, the old one too: it may hold what another cannot read. Then follow the "
                "recovery steps."
            ),
            evidence=(quote(note),),
        )
