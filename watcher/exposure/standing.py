"""The chance of loss of a pool that stands whole: some drive fails, and the window that opens.

Per hour: the sum over the drives of the hazard of each, times the chance of loss in the window
that its loss would open. This is the first term of the usual Markov chain, with unlike drives and
windows of any shape; a second failure that opens a window of its own is inside that chance.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from watcher.exposure.chance import happens_within
from watcher.exposure.figure import NONE, Figure
from watcher.exposure.life import CLUSTERING, DriveLife, clustered_hours, hazard, kinship
from watcher.exposure.loss import tree_loss
from watcher.exposure.rebuild import member_capacity, used_share
from watcher.exposure.span import Span
from watcher.exposure.unreadable import unreadable
from watcher.exposure.window import WindowPlan, window_of
from watcher.facts.identity import DriveId
from watcher.facts.pool import Pool, RedundancySet

NODES = 4
"""How many lengths of a window the chance is averaged over here; our choice: one per cent exact."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """What a whole pool has before it, per hour."""

    first_loss: Figure  # hourly rate at which some drive of it fails
    data_loss: Figure  # hourly rate at which data is lost
    bare_hours: float  # mean hours that its margin is short after a loss

    def chance_within(self, hours: float) -> Figure:
        """Give the chance of data loss within ``hours``."""
        low, likely, high = (happens_within(rate, hours) for rate in self.data_loss.ends)
        return Figure.chance(low, likely, high)


def life_of(lives: Mapping[DriveId, DriveLife], drive: DriveId) -> DriveLife:
    """Give what is known of a drive; one of unknown class and age when nothing is."""
    return lives.get(drive) or DriveLife(drive=drive)


def unread_chances(
    pool: Pool,
    lives: Mapping[DriveId, DriveLife],
    *,
    scrub_age_hours: float | None,
    left_share: float = 1.0,
) -> dict[DriveId, Figure]:
    """Give for every drive the chance of an unreadable sector in what a rebuild must read of it.

    ``left_share`` is the part that a running rebuild has still to read.
    """
    share = used_share(pool) * left_share
    chances: dict[DriveId, Figure] = {}
    for member in pool.in_tree:
        for drive in member.drives:
            life = life_of(lives, drive)
            size = member_capacity(pool, member, life)
            chances[drive] = unreadable(
                life,
                read_bytes=None if size is None else size * share,
                read_share=share,
                scrub_age_hours=scrub_age_hours,
            )
    return chances


def scrub_age(pool: Pool, now: datetime) -> float | None:
    """Give the hours since the last full scrub; None when there was none or it is not known."""
    if pool.scrubbed_at is None:
        return None
    return max(0.0, (now - pool.scrubbed_at).total_seconds() / 3600.0)


def window_after(
    pool: Pool, lives: Mapping[DriveId, DriveLife], plan: WindowPlan, now: datetime, drive: DriveId
) -> Span:
    """Give how long the margin would be short if ``drive`` were lost now, in hours."""
    life = life_of(lives, drive)
    member = next((m for m in pool.in_tree if drive in m.drives), None)
    capacity = member_capacity(pool, member, life)
    return window_of(pool, plan, now, replaced=life, capacity_bytes=capacity).bare


def outlook(
    pool: Pool,
    lives: Mapping[DriveId, DriveLife],
    plan: WindowPlan,
    now: datetime,
    *,
    scrub_age_hours: float | None,
) -> Outlook:
    """Give what a whole pool has before it when it is run by ``plan``.

    Every drive's loss opens the window that the plan gives for a drive like it. A pool with no
    readable structure has no outlook: ValueError.
    """
    if pool.tree is None:
        raise ValueError(f"the structure of {pool.name} is not known")
    drives = sorted(pool.drives)
    known = [life_of(lives, drive) for drive in drives]
    rates = {life.drive: hazard(life) for life in known}
    clustering = CLUSTERING[kinship(known)]
    unread = unread_chances(pool, lives, scrub_age_hours=scrub_age_hours)
    windows: dict[object, Span] = {}
    first, loss = [0.0] * 3, [0.0] * 3
    bare = 0.0
    fallen: dict[object, tuple[float, float, float]] = {}
    for life in known:
        kind = (life.drive_class, life.capacity_bytes, life.recording)
        if kind not in windows:
            windows[kind] = window_after(pool, lives, plan, now, life.drive)
        window = windows[kind]
        place = _place(pool.tree, life.drive)
        same = (kind, rates[life.drive], unread[life.drive], place)
        if same not in fallen:
            fallen[same] = _given_lost(
                pool.tree, life.drive, window.nodes(NODES), rates, unread, clustering
            )
        for end, rate in enumerate(rates[life.drive].ends):
            first[end] += rate
            loss[end] += rate * fallen[same][end]
        bare += rates[life.drive].likely * window.mean
    middle = sum(rate.likely for rate in rates.values())
    return Outlook(
        first_loss=Figure(low=first[0], likely=first[1], high=first[2]) if drives else NONE,
        data_loss=_ordered(loss),
        bare_hours=bare / middle if middle else 0.0,
    )


def _ordered(ends: list[float]) -> Figure:
    """Make a figure of three rates, in order despite rounding."""
    return Figure(low=min(ends[0], ends[1]), likely=ends[1], high=max(ends[1], ends[2]))


def _place(tree: RedundancySet, drive: DriveId) -> tuple[int, ...]:
    """Give where in the tree a drive's members sit, by the innermost set of each."""
    places: list[int] = []

    def walk(part: RedundancySet) -> None:
        for below in part.parts:
            if isinstance(below, RedundancySet):
                walk(below)
            elif drive in below.drives:
                places.append(id(part))

    walk(tree)
    return tuple(places)


def _given_lost(
    tree: RedundancySet,
    drive: DriveId,
    lengths: tuple[float, ...],
    rates: Mapping[DriveId, Figure],
    unread: Mapping[DriveId, Figure],
    clustering: Figure,
) -> tuple[float, float, float]:
    """Give the three ends of the chance of loss in the window that one drive's loss opens."""
    ends = []
    for end in range(3):
        bad = {other: figure.ends[end] for other, figure in unread.items()}
        sums = 0.0
        for length in lengths:
            worth = clustered_hours(length, 0.0, clustering.ends[end])
            fails = {d: -math.expm1(-rate.ends[end] * worth) for d, rate in rates.items()}
            fails[drive] = 1.0
            sums += sum(tree_loss(tree, fails, bad))
        ends.append(min(1.0, sums / len(lengths)))
    return ends[0], ends[1], ends[2]
